"""Which columns of a table hold the time, and which rows have one."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Callable

from portal.readers import words
from portal.readers.dates import kind_of_stamp

ROWS_LOOKED_AT = 400
COLUMNS_LOOKED_AT = 40
"""Rows, spread over the sample, and first columns in which stamps are sought. Bounds on the work, no source."""
FEWEST_TIMED = 8
"""Rows with a time of day, more than which show that a date stands for all rows below it. Common practice, no
source."""
FEWEST_DIFFERENT = 3
"""Different cells, more than which a column of times has. Common practice, no source."""
STAMPED = 0.7
"""Share of the rows whose cell must be a stamp for a column to be the time column; totals and notes stand between.
Tuned on the made files of the tests: a fifth more or less changes none."""
DIFFERENT = 0.95
"""Share of the pairs of day and time that must be different: a clock change has some twice. Common practice, no
source."""
SERIALS = 0.8
"""Share of the cells that must look like a spreadsheet's days for a column to be one of times. Common practice, no
source."""

_TWO_FIGURES = re.compile(r"\d{1,2}")


def stamped_rows(rows: list[list[str]]) -> list[int]:
    """Return the positions of rows that have a stamp.

    Parameters
    ----------
    rows
        The table's first rows.

    Returns
    -------
    list of int
        The positions.
    """
    found = []
    columns = Counter[int]()
    step = max(1, len(rows) // ROWS_LOOKED_AT)
    for i in range(0, len(rows), step):
        for at, cell in enumerate(rows[i][:COLUMNS_LOOKED_AT]):
            kind = kind_of_stamp(cell)
            if kind in ("datetime", "date", "unix_s", "unix_ms"):
                columns[at] += 1
                break
    if not columns:
        # Perhaps spreadsheet serials.
        return [i for i, row in enumerate(rows) if any(_serial(cell) for cell in row[:3])]
    main = columns.most_common(1)[0][0]
    for i, row in enumerate(rows):
        if len(row) > main and row[main] and (row[main].strip()[:1].isdigit() or kind_of_stamp(row[main]) is not None):
            found.append(i)
    return found


def filled_down(rows: list[list[str]]) -> list[list[str]]:
    """Carry dates that stand only on the first line of their day down to the times below them.

    Parameters
    ----------
    rows
        The table's first rows.

    Returns
    -------
    list of list of str
        The rows, with the date on each.

    Examples
    --------
    >>> rows = [["1/6/2025" if hour == 0 else "", f"{hour}:00", "0.4"] for hour in range(24)]
    >>> filled_down(rows)[23]
    ['1/6/2025', '23:00', '0.4']
    """
    near = rows[:ROWS_LOOKED_AT]
    for at in range(3):
        timed = [row for row in near if len(row) > at + 1 and kind_of_stamp(row[at + 1]) == "time"]
        dated = [row for row in timed if row[at].strip()]
        if (
            len(timed) > FEWEST_TIMED
            and 0 < len(dated) < 0.5 * len(timed)
            and all(kind_of_stamp(row[at]) for row in dated)
        ):
            latest = ""
            filled = list(rows)
            for i, row in enumerate(rows):
                if len(row) <= at + 1:
                    continue
                if row[at].strip():
                    latest = row[at]
                elif row[at + 1].strip():
                    filled[i] = [*row[:at], latest, *row[at + 1 :]]
            return filled
    return rows


def _serial(cell: str) -> bool:
    return re.fullmatch(r"[34]\d{4}(?:[.,]\d+)?", cell.strip()) is not None


def find_time_columns(spread: list[list[str]], width: int, near: list[list[str]]) -> tuple[list[int], str]:
    """Find the columns that hold the time.

    Parameters
    ----------
    spread
        Rows with a stamp, from all over the sample.
    width
        Their cells.
    near
        The first rows with a stamp.

    Returns
    -------
    positions : list of int
        Of the time column, or of the date's and the time's, and behind them of the one that says before or after noon,
        or the minutes of the hour; none where there is no such column.
    kind : str
        What they hold: "datetime", "date", "split", "unix_s", "unix_ms" or "".
    """
    found, kind = _date_and_time(spread, width, near)
    if kind in ("datetime", "split"):
        halves = [at for at in range(width) if at not in found and _each(spread, at, is_half)]
        return [*found, *halves[:1]], kind
    if kind == "date" and (counted := _hour_and_minute(near, width, found[0])):
        return [*found, *counted], "split"
    return found, kind


def is_half(cell: str) -> bool:
    """Say whether a cell tells that a time is before or after noon.

    Parameters
    ----------
    cell
        The cell.

    Returns
    -------
    bool
        True for AM and PM.

    Examples
    --------
    >>> is_half("p.m."), is_half("m")
    (True, False)
    """
    return re.fullmatch(r"\s*[ap]\.?\s?m\.?\s*", cell, re.IGNORECASE) is not None


def in_two(rows: list[list[str]], time_at: list[int]) -> tuple[list[list[str]], list[int]]:
    """Put the part of a time that stands in a column of its own, its half of the day or its minutes, behind it.

    Parameters
    ----------
    rows
        Rows of the table.
    time_at
        Positions of the time columns.

    Returns
    -------
    rows : list of list of str
        The rows, each with a time that is whole.
    positions : list of int
        Of the stamp's column, or of the date's and the time's.

    Examples
    --------
    >>> in_two([["5/1/2024", "7:15", "PM"]], [0, 1, 2])
    ([['5/1/2024', '7:15 PM', 'PM']], [0, 1])
    """
    *others, last = time_at
    alone = len(others) == 1 and any(is_half(row[last]) for row in rows)
    if not alone and len(others) < 2:
        return rows, time_at
    at = others[-1]
    return [[*row[:at], _one_time(row[at].strip(), row[last].strip()), *row[at + 1 :]] for row in rows], others


def _one_time(time: str, more: str) -> str:
    if not more.isdigit():
        return f"{time} {more}".strip()
    return f"{time}:{more:0>2}"


def _each(rows: list[list[str]], at: int, holds: Callable[[str], bool]) -> bool:
    cells = [row[at] for row in rows if at < len(row) and row[at].strip()]
    return len(cells) > FEWEST_DIFFERENT and all(map(holds, cells))


def _hour_and_minute(rows: list[list[str]], width: int, date_at: int) -> list[int]:
    """Return the columns of the hour and of its minutes: no day has both twice, and the minutes part an hour evenly."""
    for hour_at, minute_at in itertools.pairwise(at for at in range(width) if at != date_at):
        cells = [(row[date_at], row[hour_at].strip(), row[minute_at].strip()) for row in rows if len(row) == width]
        if not all(_TWO_FIGURES.fullmatch(hour) and _TWO_FIGURES.fullmatch(minute) for _, hour, minute in cells):
            continue
        hours, minutes = ({int(row[part]) for row in cells} for part in (1, 2))
        evenly = len(minutes) > 1 and minutes == set(range(0, 60, 60 // len(minutes)))
        if evenly and len(hours) > FEWEST_DIFFERENT and max(hours) < 24 and len(set(cells)) >= DIFFERENT * len(cells):
            return [hour_at, minute_at]
    return []


def _date_and_time(spread: list[list[str]], width: int, near: list[list[str]]) -> tuple[list[int], str]:
    """Return the column of stamps, or those of dates and of times, and what they hold."""
    kinds: list[Counter[str | None]] = [Counter() for _ in range(width)]
    for row in spread:
        for at in range(min(width, len(row), 60)):
            kinds[at][kind_of_stamp(row[at])] += 1
    enough = STAMPED * len(spread)
    by_kind = {
        kind: [at for at in range(width) if kinds[at][kind] >= enough]
        for kind in ("datetime", "date", "time", "unix_s", "unix_ms")
    }
    # A column of dates that all carry a midnight is a date column beside a time column.
    if by_kind["datetime"] and by_kind["time"]:
        at = by_kind["datetime"][0]
        if all(at_midnight(row, at) for row in spread):
            return [at, by_kind["time"][0]], "split"
    if by_kind["datetime"]:
        return by_kind["datetime"][:1], "datetime"
    mixed = [at for at in range(width) if kinds[at]["datetime"] + kinds[at]["date"] >= enough]
    if mixed and not by_kind["date"]:
        return mixed[:1], "datetime"  # some programs drop the time at midnight
    if by_kind["date"]:
        if by_kind["time"]:
            return [by_kind["date"][0], by_kind["time"][0]], "split"
        clock = [
            at
            for at in range(width)
            if at not in by_kind["date"]
            and (_compact_times(spread, at) or _times_of_days(near, by_kind["date"][0], at))
        ]
        if clock:
            return [by_kind["date"][0], clock[0]], "split"
        return by_kind["date"][:1], "date"
    for kind in ("unix_s", "unix_ms"):
        if by_kind[kind]:
            return by_kind[kind][:1], kind
    return [], ""


def at_midnight(row: list[str], at: int) -> bool:
    """Say whether a cell holds midnight; a row without the cell says nothing against it.

    Parameters
    ----------
    row
        The row.
    at
        Position of the cell.

    Returns
    -------
    bool
        True for a stamp with a time of 0:00.

    Examples
    --------
    >>> at_midnight(["2024-05-03 00:00:00"], 0)
    True
    """
    return at >= len(row) or re.search(r"\b0{1,2}:00(?::00)?(?:\.0+)?$", row[at].strip()) is not None


def _compact_times(spread: list[list[str]], at: int) -> bool:
    """Say whether a column holds times of day written 0015, 0030 …"""
    cells = [row[at].strip() for row in spread if at < len(row)]
    return (
        len(cells) > FEWEST_DIFFERENT
        and all(re.fullmatch(r"(?:[01]\d|2[0-4])[0-5]\d(?:[0-5]\d)?", cell) for cell in cells)
        and len(set(cells)) > FEWEST_DIFFERENT
    )


def _times_of_days(rows: list[list[str]], date_at: int, at: int) -> bool:
    """Say whether a column holds times with a dot (13.45), or counts a day's hours or their halves or quarters.

    No day has one of them twice; counts of halves and quarters begin with 1 on each day.
    """
    pairs = [(row[date_at], row[at].strip()) for row in rows if max(date_at, at) < len(row)]
    cells = {cell for _, cell in pairs}
    days = Counter(day for day, _ in pairs)
    known = len(cells) > FEWEST_DIFFERENT and len(days) * 3 < len(pairs) and len(set(pairs)) >= DIFFERENT * len(pairs)
    if known and all(re.fullmatch(r"(?:[01]?\d|2[0-5])(?:\.[0-5]\d)?", cell) for cell in cells):
        return True
    counts = {int(cell) for cell in cells if re.fullmatch(r"\d{1,3}", cell)}
    most = max(days.values(), default=0)
    return known and most in (48, 50, 96, 100) and counts == set(range(1, most + 1)) and len(counts) == len(cells)


def serial_column(spread: list[list[str]], names: list[str]) -> tuple[list[int], str]:
    """Find the column that holds times as a spreadsheet counts them: days since 1900.

    Parameters
    ----------
    spread
        Rows with a stamp, from all over the sample.
    names
        The columns' names.

    Returns
    -------
    positions : list of int
        Of the column, none where there is no such column.
    kind : str
        "serial" or "".

    Examples
    --------
    >>> serial_column([["45809.25", "0.4"], ["45809.5", "1.1"]], ["Time", "kWh"])
    ([0], 'serial')
    """
    for at, name in enumerate(names):
        cells = [row[at] for row in spread if at < len(row)]
        if cells and sum(map(_serial, cells)) >= SERIALS * len(cells) and (words.TIME_WORD.search(name) or at == 0):
            return [at], "serial"
    return [], ""


def is_data(row: list[str], time_at: list[int], kind: str) -> bool:
    """Say whether a row is one of readings.

    Parameters
    ----------
    row
        The row.
    time_at
        Positions of the time columns, none where they are not known.
    kind
        What they hold.

    Returns
    -------
    bool
        True where the time column holds a stamp.

    Examples
    --------
    >>> [is_data(row, [0], "datetime") for row in (["1/6/2025 0:15", "0.4"], ["Total", "12.3"], [])]
    [True, False, False]
    """
    if not time_at:
        return any(_serial(cell) for cell in row[:3])
    return len(row) > max(time_at) and kind_of_stamp(row[time_at[0]]) is not None
