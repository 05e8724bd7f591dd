"""Tables with a row a day and a column an interval."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from portal.pv.arrays import Floats
from portal.pv.sun import DAY_S
from portal.readers.clock import Label
from portal.readers.dates import RANGE, read_time
from portal.readers.figures import read_column
from portal.readers.mapping import Mapping
from portal.readers.place import place_of
from portal.readers.reading import ReadError
from portal.readers.rejected import NO_STAMP_REASON
from portal.readers.rows import RowReader
from portal.readers.stamps import NO_STAMP
from portal.readers.table import Loaded, Table

FEWEST_HALF_DAYS = 2
"""Days from which on it is no day that only was not over. Common practice, no source."""


class Wide(RowReader):
    """A row a day, a column an interval."""

    def __init__(self, mapping: Mapping, date_order_known: bool) -> None:
        super().__init__(mapping, date_order_known)
        self.cells: list[Floats] = []

    def start(self, table: Table, number: int, names: list[str]) -> None:
        """Begin with another table.

        Parameters
        ----------
        table
            The table.
        number
            Its number among those read together.
        names
            Its columns' names.

        Raises
        ------
        ReadError
            When its columns are not the intervals of a day.
        """
        super().start(table, number, names)
        seconds, self.counted, self.label = interval_columns(self.value_names)
        self.seconds = np.array(seconds, dtype=np.int64)

    def take(self, lines: Sequence[int], rows: list[list[str]]) -> None:
        """Take some rows.

        Parameters
        ----------
        lines
            Their lines.
        rows
            Their cells.
        """
        lines, rows = self._regular(lines, rows)
        if not rows:
            return
        self._count(len(rows) * len(self.value_at))
        self._take_stamps(rows)
        self._take_meters(rows)
        flat = [row[at] for row in rows for at in self.value_at]
        self.cells.append(read_column(flat, self.style, self.mapping.unit).reshape(len(rows), len(self.value_at)))
        self.places.append(place_of(self.number, np.asarray(lines, dtype=np.int64)))

    def finish(self, today: date) -> Loaded:
        """Read the dates, now that all are known.

        Parameters
        ----------
        today
            No date lies ahead of it.

        Returns
        -------
        Loaded
            All readings.
        """
        days = self.stamps.finish(today)
        width = len(self.mapping.value_columns)
        cells = np.concatenate(self.cells) if self.cells else np.zeros((0, width))
        lines = np.concatenate(self.places) if self.places else np.zeros(0, dtype=np.int64)
        wrong = days.naive_s == NO_STAMP
        self._set_aside(lines[wrong], NO_STAMP_REASON)
        unreadable = np.isposinf(cells)
        self._refuse_half(cells)
        for i in np.flatnonzero(unreadable.any(axis=1) & ~wrong):
            first = int(np.flatnonzero(unreadable[i])[0])
            name = self.mapping.value_columns[first]
            count = int(unreadable[i].sum())
            more = f" (and {count - 1} more on this line)" if count > 1 else ""
            self._set_aside(lines[i : i + 1], f"the cell in “{name}” is no number{more}")
        naive = np.repeat(days.naive_s, width)
        offset = None if days.offset_s is None else np.repeat(days.offset_s, width)
        steps = np.tile(self.seconds, len(lines))
        good = np.repeat(~wrong, width) & ~unreadable.ravel()
        midnights = np.where(good, naive, 0)
        midnights -= midnights % DAY_S
        loaded = Loaded(
            replace(days, naive_s=midnights if self.counted else midnights + steps, offset_s=offset),
            steps if self.counted else None,
            [cells.ravel()],
            [1],
            np.repeat(lines, width),
            list(self.meters),
            np.repeat(np.concatenate(self.meter_ids), width) if self.meter_ids else None,
            bad=self.bad,
        )
        # A blank cell of a wide table is no line of its own: the doubled hour's columns are blank on all other days.
        loaded.keep(good & ~np.isnan(cells.ravel()))
        return loaded

    def _refuse_half(self, cells: Floats) -> None:
        """Refuse days of which most end at the same cell in the middle of the header: they are of longer intervals."""
        width = cells.shape[1]
        values = np.where(np.isnan(cells).all(axis=1), 0, width - np.argmax(~np.isnan(cells[:, ::-1]), axis=1))
        held = int(np.median(values)) if len(values) >= FEWEST_HALF_DAYS else width
        if held and held != width and intervals_of(width) in (2 * held, 4 * held) and (values == held).mean() > 0.5:
            raise ReadError(
                f"Most days of {self.table.name} have {held} values where the header has {width} columns, so their "
                f"hours cannot be told. Export it with a column for each of the {held} intervals, or a reading a line."
            )


def interval_columns(names: Sequence[str]) -> tuple[list[int], bool, Label]:
    """Return the seconds since midnight of a wide table's columns, whether they are counted, and their label.

    Columns are either named by the time of day or counted (1 to 96, H1 to H24; up to 25 hours' worth).

    Parameters
    ----------
    names
        Names of the columns of intervals.

    Returns
    -------
    seconds : list of int
        Since midnight, of each column.
    counted : bool
        Whether they are counted, so that they go on over a clock change.
    label : Label
        Whether the names mark starts or ends.

    Raises
    ------
    ReadError
        When they are neither times nor counted without a gap.

    Examples
    --------
    >>> interval_columns([f"H{hour}" for hour in range(1, 25)])[0][:3]
    [0, 3600, 7200]
    """
    times = [column_time(re.sub(r" \(\d+\)$", "", name.strip())) for name in names]
    seconds = [second for second in times if second is not None]
    if seconds and len(seconds) == len(names):
        turned = [i for i in range(1, len(seconds)) if seconds[i] == 0]
        if len(turned) == 1 and turned[0] == len(seconds) - 1 and seconds[0] > 0:
            seconds[-1] = DAY_S
        label: Label = "end" if seconds[-1] == DAY_S and seconds[0] > 0 else "start"
        return seconds, False, label
    numbers = [count for name in names if (count := column_count(name)) is not None]
    if len(numbers) != len(names) and len(like_named(names)) == len(names):
        numbers = list(range(len(names)))  # whatever they are called, they stand in the order of the day
    elif len(numbers) != len(names) or sorted(numbers) != list(
        range(min(numbers, default=0), max(numbers, default=0) + 1)
    ):
        raise ReadError(
            "The columns of this table are neither times of day nor counted from 1. Choose one column with the time "
            "stamps and one with the energies."
        )
    first = min(numbers, default=0)
    per_day = intervals_of(len(numbers))
    if not per_day:
        raise ReadError(
            f"The table has {len(numbers)} columns a day; a day has 24, 48, 96, 144 or 288 intervals. "
            "Check that the columns of all intervals, and only these, are chosen."
        )
    return [(n - first) * (DAY_S // per_day) for n in numbers], True, "start"


def intervals_of(columns: int) -> int:
    """Return how many intervals a usual day has where a table has so many columns a day.

    Parameters
    ----------
    columns
        Columns of intervals; up to 25 hours' worth.

    Returns
    -------
    int
        24, 48, 96, 144 or 288; 0 where no day has so many.

    Examples
    --------
    >>> intervals_of(100), intervals_of(40)
    (96, 0)
    """
    return next((n for n in (24, 48, 96, 144, 288) if n <= columns <= n * 25 // 24), 0)


def like_named(names: Sequence[str]) -> list[int]:
    """Return the columns whose names differ in figures alone, where they are as many as a day has intervals.

    Parameters
    ----------
    names
        Names of the columns.

    Returns
    -------
    list of int
        Their positions, none where they are not as many.

    Examples
    --------
    >>> len(like_named(["Date", *(f"h{hour:02d}q{quarter}" for hour in range(24) for quarter in range(4))]))
    96
    """
    alike: dict[str, list[int]] = {}
    for at, name in enumerate(names):
        bare = re.sub(r" \(\d+\)$", "", name.strip().lower())
        alike.setdefault(re.sub(r"\d+", "#", bare), []).append(at)
    most = max(alike.values(), key=len, default=[])
    return most if intervals_of(len(most)) else []


def column_time(name: str) -> int | None:
    """Return the time of day a column's name tells, in seconds.

    Parameters
    ----------
    name
        The name.

    Returns
    -------
    int or None
        Seconds since midnight.

    Examples
    --------
    >>> column_time("12:15 [kWh]"), column_time("H24")
    (44100, None)
    """
    if not re.search(r"\d[:.h]\d{2}|^\s*\d{1,2}\s?[aApP]\.?[mM]\b", name):
        return None
    bare = re.sub(r"\s*\[?\(?\b[kKmM]?[wW]h?\b\)?\]?$", "", name).strip()
    bare = RANGE.sub(r"\1", bare)
    read = read_time(bare)
    return None if read is None else read[0]


def column_count(name: str) -> int | None:
    """Return the number a counted column's name tells.

    Parameters
    ----------
    name
        The name.

    Returns
    -------
    int or None
        The number.

    Examples
    --------
    >>> column_count("H24"), column_count("Value 7 [kWh]"), column_count("Total")
    (24, 7, None)
    """
    match = re.fullmatch(r"[^\W\d]{0,12}[\s_.#-]{0,3}(\d{1,3})(?:\s*\[?\(?[kKmM]?[wW]h\)?\]?)?", name.strip())
    return int(match[1]) if match else None
