"""Rows of cells and a mapping to raw series: stamps and figures, with the line each came from.

Text and spreadsheets both come here as rows of text. Nothing is decided about intervals yet.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from portal.pv.arrays import Bools, Floats, Ints
from portal.readers.delimited import MAX_COLUMNS, Chunk
from portal.readers.mapping import FILES, Mapping
from portal.readers.reading import ReadError
from portal.readers.stamps import Stamps

HEADER_SEARCH_ROWS = 500
"""Rows among which the header of a known file is sought. A bound on the work, no source."""


@dataclass(frozen=True, slots=True)
class Table:
    """One sheet or text file as rows; ``chunks`` starts over at each call."""

    name: str
    chunks: Callable[[], Iterator[Chunk]]


@dataclass(slots=True)
class Loaded:
    """What a pass over the tables found. All arrays have one element a reading, in file order."""

    stamps: Stamps
    elapsed_s: Ints | None
    """For a wide table with counted columns: seconds since the stamp's midnight; else None."""
    columns: list[Floats]
    signs: list[int]
    places: Ints
    """Where each stands in the files."""
    meters: list[str] = field(default_factory=list)
    meter_ids: NDArray[np.int32] | None = None
    lengths_s: Ints | None = None
    """Seconds each reading covers, where the file says so."""
    quality: NDArray[np.str_] | None = None
    unreadable: int = 0
    """Readings blanked because their cell is no number."""
    bad: list[tuple[int, str]] = field(default_factory=list)
    """Lines not taken in (their places) and why."""

    def keep(self, mask: Bools) -> None:
        """Drop the readings outside ``mask``.

        Parameters
        ----------
        mask
            Mask (n,) of the readings to keep.
        """
        stamps = self.stamps
        self.stamps = replace(
            stamps,
            naive_s=stamps.naive_s[mask],
            offset_s=None if stamps.offset_s is None else stamps.offset_s[mask],
        )
        self.elapsed_s = None if self.elapsed_s is None else self.elapsed_s[mask]
        self.columns = [column[mask] for column in self.columns]
        self.places = self.places[mask]
        self.meter_ids = None if self.meter_ids is None else self.meter_ids[mask]
        self.lengths_s = None if self.lengths_s is None else self.lengths_s[mask]
        self.quality = None if self.quality is None else self.quality[mask]


def column_names(header: Sequence[str] | None, width: int) -> list[str]:
    """Return one distinct name for each column.

    Parameters
    ----------
    header
        Cells of the header, None for none.
    width
        Columns there are.

    Returns
    -------
    list of str
        The names.

    Examples
    --------
    >>> column_names(["Time", "Energy", "Energy", ""], 4)
    ['Time', 'Energy', 'Energy (2)', 'column 4']
    """
    names: list[str] = []
    seen: set[str] = set()
    cells = list(header or ())
    for number in range(max(width, len(cells))):
        base = " ".join(cells[number].split())[:200] if number < len(cells) else ""
        base = base or f"column {number + 1}"
        name, again = base, 2
        while name in seen:
            name = f"{base} ({again})"
            again += 1
        seen.add(name)
        names.append(name)
    return names


def find_header(table: Table, mapping: Mapping) -> tuple[list[str], int]:
    """Return the columns' names and the line of the header (0 for none), wherever the preamble of this file ends.

    Parameters
    ----------
    table
        The table.
    mapping
        How it is read.

    Returns
    -------
    names : list of str
        The columns' names.
    line : int
        The header's line.

    Raises
    ------
    ReadError
        When the table has not the mapping's columns, or more than any table.
    """
    wanted = {*mapping.time_columns, *mapping.value_columns, *mapping.minus_columns}
    wanted |= {mapping.offset_column} if mapping.offset_column else set()
    wanted |= {mapping.meter_column} if mapping.meter_column not in ("", FILES) else set()
    best: list[str] = []
    looked = 0
    widths = Counter[int]()
    for chunk in table.chunks():
        for line, row in zip(chunk.lines, chunk.rows, strict=True):
            if len(row) > MAX_COLUMNS:
                raise too_wide(table.name, line, len(row))
            if mapping.header_line == 0:
                widths[len(row)] += 1
            else:
                names = column_names(row, max(len(row), _highest_number(wanted)))
                if wanted.issubset(names):
                    return names, line
                if len(wanted.intersection(names)) > len(wanted.intersection(best)):
                    best = names
            looked += 1
            if looked >= HEADER_SEARCH_ROWS:
                break
        if looked >= HEADER_SEARCH_ROWS:
            break
    if mapping.header_line == 0:
        usual = widths.most_common(1)[0][0] if widths else 0
        return column_names(None, max(usual, _highest_number(wanted))), 0
    missing = ", ".join(f"“{name}”" for name in sorted(wanted.difference(best))[:5])
    has = f" It has {', '.join(f'“{name}”' for name in best[:12])}." if best else ""
    raise ReadError(
        f"{table.name} has no column {missing}, which the mapping of this meter names.{has} "
        "Choose the columns again for this file."
    )


def has_columns(table: Table, mapping: Mapping) -> bool:
    """Say whether a table has the columns a mapping names.

    Parameters
    ----------
    table
        The table.
    mapping
        How it is to be read.

    Returns
    -------
    bool
        Whether it can be.
    """
    try:
        find_header(table, mapping)
    except ReadError:
        return False
    return True


def look(table: Table, mapping: Mapping) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return a table's column names under a mapping, and its first rows.

    Parameters
    ----------
    table
        The table.
    mapping
        How it is read.

    Returns
    -------
    names : tuple of str
        The columns' names.
    rows : tuple of tuple
        Cells of the first rows.
    """
    names, _ = find_header(table, mapping)
    first = next(iter(table.chunks()), None)
    rows = first.rows[:12] if first else []
    return tuple(names), tuple(tuple(cell[:60] for cell in row[:30]) for row in rows)


def _highest_number(names: set[str]) -> int:
    return max((int(m[1]) for name in names if (m := re.fullmatch(r"column (\d{1,4})", name))), default=0)


def too_wide(name: str, line: int, width: int) -> ReadError:
    """Say that a line has more columns than any table of readings.

    Parameters
    ----------
    name
        The file as a person knows it.
    line
        The line.
    width
        Its columns.

    Returns
    -------
    ReadError
        To be raised.
    """
    return ReadError(
        f"{name}, line {line}, has {width:,} columns; no table of readings has more than {MAX_COLUMNS:,}. "
        "Check that the columns are set apart by the right character, or export one day a line."
    )


def sum_columns(columns: Sequence[Floats], signs: Sequence[int]) -> Floats:
    """Return the production: the sum of the columns, each with its sign.

    Parameters
    ----------
    columns
        Figures (n,) of each column, NaN where blank.
    signs
        1 for a column that adds to the production, -1 for one that is taken off.

    Returns
    -------
    ndarray
        Their sum (n,), NaN where one is blank.

    Examples
    --------
    >>> sum_columns([np.array([3.0]), np.array([1.0])], [1, -1])
    array([2.])
    """
    if len(columns) == 1 and signs[0] == 1:
        return columns[0]
    total = np.zeros(len(columns[0]))
    with np.errstate(invalid="ignore"):  # infinite figures are rejected later
        for column, sign in zip(columns, signs, strict=True):
            total = total + sign * column
    return total
