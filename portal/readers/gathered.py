"""Dates that do not stand in one column: in columns for year, month and day, or in the file's name."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import islice, pairwise

from portal.readers.dates import kind_of_stamp, read_time
from portal.readers.delimited import Chunk
from portal.readers.months import month_number
from portal.readers.table import Table

DATED_ROWS = 60
"""Rows from which it is told where the dates stand. Common practice, no source."""
TIMED = 0.7
"""Share of them that must hold a time of day in one column for a date to be sought in the file's name. Common practice,
no source."""
FEWEST_TIMES_TO_DATE = 4
"""Rows with a time of day at least, for that. Common practice, no source."""
_PARTS = (
    {"year", "jahr", "año", "ano", "année", "annee", "anno", "jaar", "rok", "år", "yyyy", "yr", "年"},
    {"month", "monat", "mes", "mês", "mois", "mese", "maand", "miesiąc", "månad", "mm", "mon", "月"},
    {"day", "tag", "día", "dia", "jour", "giorno", "dag", "dzień", "dd", "日"},
)
_YEAR_FIRST = re.compile(r"(?<!\d)((?:19|20)\d\d)([-_. ]?)(\d\d)\2(\d\d)(?!\d)")
_YEAR_LAST = re.compile(r"(?<!\d)(\d{1,2})([-_. ])(\d{1,2})\2((?:19|20)\d\d)(?!\d)")
IN_NAME = "Date (in the file's name)"


@dataclass(frozen=True, slots=True)
class _Columns:
    """Columns for year, month and day; ``names`` is how the header calls them."""

    at: tuple[int, int, int]
    names: tuple[str, str, str]


def with_dates(table: Table) -> Table:
    """Return a table whose dates stand in one column, also where the file has them elsewhere.

    Parameters
    ----------
    table
        The table as it came.

    Returns
    -------
    Table
        The same where a column holds dates already, or none can be found; else one with a column more, or two less.
    """
    rows = [row for chunk in islice(table.chunks(), 1) for row in chunk.rows[:DATED_ROWS]]
    if any(kind_of_stamp(cell) in ("date", "datetime", "unix_s", "unix_ms") for row in rows for cell in row[:40]):
        return table
    columns = _date_columns(rows)
    if columns is not None:
        return replace(table, chunks=lambda: _gathered(table, columns))
    at = _time_column(rows)
    found = _date_in(table.name)
    if at is None or not found:
        return table
    return replace(table, chunks=lambda: _dated(table, at, found))


def _date_columns(rows: list[list[str]]) -> _Columns | None:
    for header, below in pairwise(rows):
        names = [re.sub(r"[\s.:()]+", "", cell).lower() for cell in header]
        at = [next((i for i, name in enumerate(names) if name in words), -1) for words in _PARTS]
        if min(at) >= 0 and len(below) > max(at) and _day_of([below[i] for i in at]):
            year, month, day = at
            return _Columns((year, month, day), (header[year].strip(), header[month].strip(), header[day].strip()))
    return None


def _day_of(cells: list[str]) -> str:
    """Return the ISO date of three cells, "" where they are none."""
    year, month, day = (cell.strip().removesuffix(".0") for cell in cells)
    number = int(month) if month.isdecimal() else month_number(month) or 0
    if not (year.isdecimal() and day.isdecimal() and len(year) in (2, 4)):
        return ""
    try:
        return date(int(year) + (2000 if len(year) == 2 else 0), number, int(day)).isoformat()
    except ValueError:
        return ""


def _gathered(table: Table, columns: _Columns) -> Iterator[Chunk]:
    year, month, day = columns.at
    name = f"Date ({', '.join(columns.names)})"
    for chunk in table.chunks():
        rows = []
        for row in chunk.rows:
            if len(row) > max(columns.at):
                cells = [row[at] for at in columns.at]
                own = name if tuple(cell.strip() for cell in cells) == columns.names else _day_of(cells)
                row = [own if at == year else cell for at, cell in enumerate(row) if at not in (month, day)]
            rows.append(row)
        yield Chunk(chunk.lines, rows)


def _time_column(rows: list[list[str]]) -> int | None:
    width = max(map(len, rows), default=0)
    for at in range(min(width, 40)):
        timed = sum(len(row) > at and kind_of_stamp(row[at]) == "time" for row in rows)
        if timed >= max(FEWEST_TIMES_TO_DATE, TIMED * len(rows)):
            return at
    return None


def _date_in(name: str) -> str:
    """Return the date in a file's name: ISO where the year comes first, with slashes where day and month are open."""
    if found := _YEAR_FIRST.search(name):
        return _day_of([found[1], found[3], found[4]])
    found = _YEAR_LAST.search(name)
    return f"{found[1]}/{found[3]}/{found[4]}" if found else ""


def _dated(table: Table, at: int, written: str) -> Iterator[Chunk]:
    """Put the date before each row; past midnight it is the next one, where it is known which that is."""
    before, days = 0, 0
    for chunk in table.chunks():
        rows = []
        for row in chunk.rows:
            told = read_time(row[at]) if len(row) > at and kind_of_stamp(row[at]) == "time" else None
            if told is None:
                rows.append([IN_NAME, *row])
                continue
            days += told[0] < before
            before = told[0]
            day = written if "/" in written else (date.fromisoformat(written) + timedelta(days=days)).isoformat()
            rows.append([day, *row])
        yield Chunk(chunk.lines, rows)
