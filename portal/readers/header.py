"""The frame of a table: where its rows begin, which columns hold the time, what the header says."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from portal.readers import words
from portal.readers.clock import Label, StampClock
from portal.readers.dates import EARLIEST_YEAR, kind_of_stamp
from portal.readers.figures import BLANKS, is_figure
from portal.readers.reading import ReadError
from portal.readers.table import column_names
from portal.readers.time_columns import (
    at_midnight,
    filled_down,
    find_time_columns,
    is_data,
    serial_column,
    stamped_rows,
)
from portal.readers.words import unit_in

SPREAD_ROWS = 300
"""Rows looked at to tell what a column holds, spread over the sample. Tuned on the made files of the tests: a fifth
more or less changes none."""
HEADER_LINES = 40
"""Lines above the first reading in which a header is sought. Common practice, no source."""
FIGURES = 0.4
"""Share of the filled cells that must be figures for a column to be one of figures. Tuned on the made files of the
tests: a fifth more or less changes none."""
NAMED = 0.6
"""Share of the columns that a line must name to be the header: some stay without a name. Common practice, no source."""
DATES = 0.9
"""Share of the cells that must be dates for a column of what looks like figures to be one of dates. Common practice, no
source."""


FEWEST_ACROSS = 4
"""Dates on one line beyond which a table has a column a day. Common practice, no source."""
_COARSE = re.compile(
    r"(?:(?:19|20)\d\d\s*[-/.]\s*(?:0?[1-9]|1[0-2])|(?:0?[1-9]|1[0-2])\s*[-/.]\s*(?:19|20)\d\d"
    r"|[^\W\d_]{3,12}\.?[\s-]+20\d\d"
    r"|20\d\d\s?[-/]?\s?(?:W|KW|CW|SEM)\s?\d\d?"
    r"|(?:W|KW|CW|SEM|week|Woche|semana|semaine)\.?\s?\d\d?\s?[-/,]?\s?20\d\d)"
    r"(?=$|[;,\t|])",
    re.IGNORECASE,
)
_YEAR = re.compile(r"(?:19|20)\d\d")
_STAMPED = re.compile(r"\d{1,4}\s?[-/.:]\s?\d{1,2}(?:\s?[-/.:]\s?\d{1,4})?")
_TIME_ALONE = re.compile(r"\d{1,2}:\d{2}(?::\d{2})?(?:\s?[ap]\.?m\.?)?", re.IGNORECASE)
_MAIL = re.compile(r"[^\s@]+@[^\s@]+\.[^\s@]+")


@dataclass(frozen=True, slots=True)
class Sample:
    """The first rows of a table, with the line of each, and the few of them that are shown to a person."""

    lines: list[int]
    rows: list[list[str]]
    shown: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Frame:
    """What stands around the figures of a table."""

    names: list[str]
    """The columns' names, each distinct."""
    width: int
    """Cells of most rows with a stamp."""
    time_at: list[int]
    """Positions of the time column, or of the date's and the time's."""
    stamp_kind: str
    """What they hold: "datetime", "date", "split", "unix_s", "unix_ms" or "serial"."""
    has_header: bool
    header_line: int
    """Line of the header, 0 where there is none."""
    units: list[str]
    """Units that stand on a row of their own below the names."""
    groups: list[str]
    """Headings above the names."""
    preamble: str
    """What is written above the table, without sizes and sums."""
    spread: list[list[str]]
    """Some rows with a stamp, from all over the sample."""
    data: list[list[str]]
    """All rows of the sample with a stamp."""

    @property
    def time_names(self) -> tuple[str, ...]:
        """Names of the time columns."""
        return tuple(self.names[at] for at in self.time_at)

    def holds_days(self) -> bool:
        """Say whether the stamps are days; a spreadsheet's dates come with a midnight behind them.

        Returns
        -------
        bool
            True for dates, and for stamps which are all midnights.
        """
        return self.stamp_kind == "date" or (
            self.stamp_kind == "datetime" and all(at_midnight(row, self.time_at[0]) for row in self.spread)
        )


def find_frame(sample: Sample, name: str, splits: bool) -> Frame:
    """Find what stands around the figures of a table.

    Parameters
    ----------
    sample
        The table's first rows.
    name
        The file as a person knows it.
    splits
        Whether a decimal comma would cut a figure in two.

    Returns
    -------
    Frame
        The time columns, the header and the rows of readings.

    Raises
    ------
    ReadError
        When no column holds stamps, or decimal commas cannot be told from those between the columns.
    """
    rows = filled_down(sample.rows)
    body = stamped_rows(rows)
    if not body:
        raise ReadError(_no_stamps(name, sample))
    width = Counter(len(rows[i]) for i in body).most_common(1)[0][0]
    spread = [rows[i] for i in body[:: max(1, len(body) // SPREAD_ROWS)]]
    time_at, stamp_kind = find_time_columns(spread, width, [rows[i] for i in body[:SPREAD_ROWS]])
    first = next((i for i in range(len(rows)) if is_data(rows[i], time_at, stamp_kind)), -1)
    if first < 0:
        raise ReadError(_no_stamps(name, sample))
    header_at, units = _find_header_row(rows, first, width)
    header = rows[header_at] if header_at is not None else None
    if header is not None and len(header) < width:
        if splits:
            _refuse_split_figures(name, spread, len(header), width)
        if any(is_figure(cell) for row in spread for cell in row[len(header) :]):
            header_at = header = None  # the last line above the table, as "Size, 5" is, names none of its columns
    names = column_names(header, width)
    if not time_at:
        time_at, stamp_kind = serial_column(spread, names)
    if not time_at:
        raise ReadError(_no_stamps(name, sample))
    titles = " ".join(" ".join(row) for row in rows[: header_at if header_at is not None else first])[:5000]
    return Frame(
        names=names,
        width=width,
        time_at=time_at,
        stamp_kind=stamp_kind,
        has_header=header is not None,
        header_line=sample.lines[header_at] if header_at is not None else 0,
        units=units,
        groups=_headings_above(rows, header_at, time_at, len(names)),
        preamble=words.AMOUNT.sub(" ", titles),
        spread=spread,
        data=[rows[i] for i in body if i >= first],
    )


def _refuse_split_figures(name: str, spread: list[list[str]], header: int, width: int) -> None:
    """Refuse a file whose decimal commas cannot be told from the commas between its columns."""
    longer = [row for row in spread if len(row) == width]
    if longer and all(cell.strip().isdecimal() for row in longer for cell in row[header:]):
        raise ReadError(
            f"{name} has {header} columns in its header and {width} on its lines: its figures have a decimal comma, "
            "and commas also stand between the columns. Export it with semicolons or tabs between the columns, or as a "
            "spreadsheet, and send that."
        )


def _headings_above(rows: list[list[str]], header_at: int | None, time_at: list[int], width: int) -> list[str]:
    """Return the heading above each column's own one, as merged cells have it."""
    groups = [""] * width
    above = [cell.strip() for cell in rows[header_at - 1]] if header_at else []
    filled = [at for at, cell in enumerate(above) if cell]
    if not filled or any(at in filled for at in time_at) or any(is_figure(above[at]) for at in filled):
        return groups
    for at in range(filled[0], width):
        groups[at] = above[at] if at in filled else "" if at in time_at else groups[at - 1]
    return groups


def _no_stamps(name: str, sample: Sample) -> str:
    """Say what stands where dates are expected, and what to do about it."""
    start = " / ".join(cell for row in sample.shown[:3] for cell in row if cell.strip())[:120]
    cells = [(line, cell.strip()) for line, row in zip(sample.lines, sample.rows, strict=True) for cell in row[:30]]
    coarse = [text for _, text in cells if _COARSE.match(text)] or [text for _, text in cells if _YEAR.fullmatch(text)]
    stamped = [(line, text) for line, text in cells if _STAMPED.search(text) and not is_figure(text)]
    mail = next((text for _, text in cells if _MAIL.fullmatch(text)), "")
    if len(set(coarse)) > 1:
        first, second = list(dict.fromkeys(coarse))[:2]
        return (
            f"{name} has weeks, months or years where dates are expected (“{first[:30]}”, “{second[:30]}”). Such "
            "totals are too coarse to see dirt in: days at least are needed. Export daily totals, or better the "
            "readings of each 15 minutes or hour."
        )
    if mail and not any(":" in text for _, text in stamped):
        return (
            f"{name} looks like a table of customers: it has “{mail[:60]}” in it, and no dates. Here only readings are "
            "taken in."
        )
    across = next((line for line, count in Counter(line for line, _ in stamped).items() if count > FEWEST_ACROSS), 0)
    if across:
        return (
            f"{name}, line {across}: the dates stand side by side, not below each other. Turn the table, or export the "
            "readings with a time stamp on each line, or a date on each line and the times in the header."
        )
    if stamped and all(_TIME_ALONE.fullmatch(text) for _, text in stamped):
        line, text = stamped[0]
        return f"{name}, line {line}: “{text}” is a time without a day. Export the readings with a date on each line."
    if stamped:
        line, text = stamped[0]
        return (
            f"{name}, line {line}: “{text[:40]}” is no date from {EARLIEST_YEAR} on that can be read. Expected is one "
            "such as “2026-06-15 14:30”. Export the readings with a time stamp on each line, or a date on each line "
            "and the times in the header."
        )
    filled = [count for row in sample.rows if (count := sum(bool(cell.strip()) for cell in row))]
    if len(filled) == 1 and filled[0] > 1:
        return (
            f"{name} has nothing but one line (“{start}”): no readings stand below it. Export the readings with a time "
            "stamp on each line, or a date on each line and the times in the header."
        )
    found = f" It starts with “{start}”." if start else ""
    return (
        f"{name} has no column with dates and times that can be read.{found} Export the readings with a time stamp on "
        "each line, or a date on each line and the times in the header."
    )


def _find_header_row(rows: list[list[str]], first: int, width: int) -> tuple[int | None, list[str]]:
    """Return the header's position and the units written below it."""
    units: list[str] = []
    for at in range(first - 1, max(-1, first - HEADER_LINES), -1):
        cells = [cell.strip() for cell in rows[at]]
        filled = [cell for cell in cells if cell]
        if not filled:
            continue
        is_units = all(map(words.UNIT_CELL.fullmatch, filled)) and any(words.UNIT.search(cell) for cell in filled)
        if is_units and not units and at > 0 and any(cell.strip() for cell in rows[at - 1]) and len(rows[at - 1]) > 1:
            units = cells
            continue
        if len(filled) >= max(2, NAMED * width) and not all(map(is_figure, filled)):
            return at, units
        if units and len(filled) >= 1:
            return at, units
        return None, units
    return None, units


def units_of(frame: Frame, numeric: list[int]) -> list[str]:
    """Return each column's unit, as it stands below its name or behind the figures themselves.

    Parameters
    ----------
    frame
        The table's frame.
    numeric
        Positions of the columns of figures.

    Returns
    -------
    list of str
        One text a column, "" where nothing is written.
    """
    found = (frame.units + [""] * len(frame.names))[: len(frame.names)]
    for at in numeric:
        if not found[at] and unit_in(frame.names[at]) is None:
            cells = (row[at] for row in frame.spread if at < len(row))
            found[at] = next((cell.strip(" \t.,0123456789-") for cell in cells if unit_in(cell)), "")
    return found


def clock_in_names(names: Sequence[str], tz: str) -> tuple[StampClock, bool]:
    """Return the clock that the names of the time columns tell.

    Parameters
    ----------
    names
        Names of the time columns.
    tz
        The site's zone, by its name in the IANA database.

    Returns
    -------
    clock : StampClock
        Local wall time and starts of intervals, unless the names say otherwise.
    label_known : bool
        Whether the names say that stamps mark starts, or ends.

    Examples
    --------
    >>> clock_in_names(["Period ending (UTC)"], "Europe/Berlin")
    (StampClock(tz='Europe/Berlin', kind='utc', label='end'), True)
    """
    text = " ".join(names)
    utc = words.IN_UTC.search(text)
    ends, starts = words.END_WORD.search(text), words.START_WORD.search(text)
    label: Label = "end" if ends and not starts else "start"
    return StampClock(tz, "utc" if utc else "wall", label), bool(ends) != bool(starts)


def numeric_columns(frame: Frame) -> list[int]:
    """Return the columns that hold figures.

    Parameters
    ----------
    frame
        The table's frame.

    Returns
    -------
    list of int
        Their positions, from the left.
    """
    found = []
    for at in range(frame.width):
        if at in frame.time_at:
            continue
        cells = [row[at].strip() for row in frame.spread if at < len(row)]
        filled = [cell for cell in cells if cell.strip("\"'").strip().lower() not in BLANKS]
        if filled and sum(map(is_figure, filled)) >= FIGURES * len(filled) and not _holds_times(filled):
            found.append(at)
    return found


def _holds_times(filled: list[str]) -> bool:
    """Say whether cells that look like figures are stamps instead."""
    near = filled[:50]
    kinds = Counter(kind_of_stamp(cell) for cell in near)
    if kinds["datetime"] + kinds["time"] >= 0.5 * len(near):
        return True
    return kinds["date"] >= DATES * len(near) and len(set(filled)) > 1 and any(sep in filled[0] for sep in "-/")
