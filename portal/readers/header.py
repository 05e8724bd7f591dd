"""The frame of a table: where its rows begin, which columns hold the time, what the header says."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from portal.readers import words
from portal.readers.clock import Clock
from portal.readers.dates import kind_of
from portal.readers.figures import BLANKS, is_figure
from portal.readers.reading import ReadError
from portal.readers.words import unit_in


def refuse_split_figures(name: str, spread: list[list[str]], header: int, width: int) -> None:
    """Refuse a file whose decimal commas cannot be told from the commas between its columns."""
    longer = [row for row in spread if len(row) == width]
    if longer and all(cell.strip().isdecimal() for row in longer for cell in row[header:]):
        raise ReadError(
            f"{name} has {header} columns in its header and {width} on its lines: its figures have a decimal comma, "
            "and commas also stand between the columns. Export it with semicolons or tabs between the columns, or as a "
            "spreadsheet, and send that."
        )


def headings_above(rows: list[list[str]], header_at: int | None, time_at: list[int], width: int) -> list[str]:
    """Return the heading above each column's own one, as merged cells have it."""
    groups = [""] * width
    above = [cell.strip() for cell in rows[header_at - 1]] if header_at else []
    filled = [at for at, cell in enumerate(above) if cell]
    if not filled or any(at in filled for at in time_at) or any(is_figure(above[at]) for at in filled):
        return groups
    for at in range(filled[0], width):
        groups[at] = above[at] if at in filled else "" if at in time_at else groups[at - 1]
    return groups


def no_stamps(name: str, sample: Sequence[Sequence[str]]) -> str:
    start = " / ".join(cell for row in sample[:3] for cell in row if cell.strip())[:120]
    found = f" It starts with “{start}”." if start else ""
    return (
        f"{name} has no column with dates and times that can be read.{found} Export the readings with a time stamp on "
        "each line, or a date on each line and the times in the header."
    )


def stamped_rows(rows: list[list[str]]) -> list[int]:
    """Return the positions of rows that have a stamp."""
    found = []
    columns = Counter[int]()
    step = max(1, len(rows) // 400)
    for i in range(0, len(rows), step):
        for at, cell in enumerate(rows[i][:40]):
            kind = kind_of(cell)
            if kind in ("datetime", "date", "unix_s", "unix_ms"):
                columns[at] += 1
                break
    if not columns:
        # Perhaps spreadsheet serials.
        return [i for i, row in enumerate(rows) if any(_serial(cell) for cell in row[:3])]
    main = columns.most_common(1)[0][0]
    for i, row in enumerate(rows):
        if len(row) > main and row[main] and (row[main].strip()[:1].isdigit() or kind_of(row[main]) is not None):
            found.append(i)
    return found


def fill_dates(rows: list[list[str]]) -> None:
    """Carry dates that stand only on the first line of their day down to the times below them."""
    near = rows[:400]
    for at in range(3):
        timed = [row for row in near if len(row) > at + 1 and kind_of(row[at + 1]) == "time"]
        dated = [row for row in timed if row[at].strip()]
        if len(timed) > 8 and 0 < len(dated) < 0.5 * len(timed) and all(kind_of(row[at]) for row in dated):
            latest = ""
            for i, row in enumerate(rows):
                if len(row) <= at + 1:
                    continue
                if row[at].strip():
                    latest = row[at]
                elif row[at + 1].strip():
                    rows[i] = [*row[:at], latest, *row[at + 1 :]]
            return


def _serial(cell: str) -> bool:
    return re.fullmatch(r"[34]\d{4}(?:\.\d+)?", cell.strip()) is not None


def find_time_columns(spread: list[list[str]], width: int, near: list[list[str]]) -> tuple[list[int], str]:
    kinds: list[Counter[str | None]] = [Counter() for _ in range(width)]
    for row in spread:
        for at in range(min(width, len(row), 60)):
            kinds[at][kind_of(row[at])] += 1
    enough = 0.7 * len(spread)
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
    return at >= len(row) or re.search(r"\b0{1,2}:00(?::00)?(?:\.0+)?$", row[at].strip()) is not None


def _compact_times(spread: list[list[str]], at: int) -> bool:
    """Say whether a column holds times of day written 0015, 0030 …"""
    cells = [row[at].strip() for row in spread if at < len(row)]
    return (
        len(cells) > 3
        and all(re.fullmatch(r"(?:[01]\d|2[0-4])[0-5]\d(?:[0-5]\d)?", cell) for cell in cells)
        and len(set(cells)) > 3
    )


def _times_of_days(rows: list[list[str]], date_at: int, at: int) -> bool:
    """Say whether a column holds hours (1 to 24) or times with a dot (13.45): no day has one of them twice."""
    pairs = [(row[date_at], row[at].strip()) for row in rows if max(date_at, at) < len(row)]
    cells = {cell for _, cell in pairs}
    return (
        len(cells) > 3
        and all(re.fullmatch(r"(?:[01]?\d|2[0-5])(?:\.[0-5]\d)?", cell) for cell in cells)
        and len({day for day, _ in pairs}) * 3 < len(pairs)
        and len(set(pairs)) >= 0.95 * len(pairs)
    )


def serial_column(spread: list[list[str]], names: list[str]) -> tuple[list[int], str]:
    for at, name in enumerate(names):
        cells = [row[at] for row in spread if at < len(row)]
        if cells and sum(map(_serial, cells)) >= 0.8 * len(cells) and (words.TIME_WORD.search(name) or at == 0):
            return [at], "serial"
    return [], ""


def is_data(row: list[str], time_at: list[int], kind: str) -> bool:
    if not time_at:
        return any(_serial(cell) for cell in row[:3])
    return len(row) > max(time_at) and kind_of(row[time_at[0]]) is not None


def find_header_row(rows: list[list[str]], first: int, width: int) -> tuple[int | None, list[str]]:
    """Return the header's position and the units written below it."""
    units: list[str] = []
    for at in range(first - 1, max(-1, first - 40), -1):
        cells = [cell.strip() for cell in rows[at]]
        filled = [cell for cell in cells if cell]
        if not filled:
            continue
        is_units = all(map(words.UNIT_CELL.fullmatch, filled)) and any(words.UNIT.search(cell) for cell in filled)
        if is_units and not units and at > 0 and any(cell.strip() for cell in rows[at - 1]) and len(rows[at - 1]) > 1:
            units = cells
            continue
        if len(filled) >= max(2, 0.6 * width) and not all(map(is_figure, filled)):
            return at, units
        if units and len(filled) >= 1:
            return at, units
        return None, units
    return None, units


def units_in_cells(units: list[str], rows: list[list[str]], names: list[str], numeric: list[int]) -> list[str]:
    """Complete the row of units by those written behind the figures themselves."""
    found = (units + [""] * len(names))[: len(names)]
    for at in numeric:
        if not found[at] and unit_in(names[at]) is None:
            cells = (row[at] for row in rows if at < len(row))
            found[at] = next((cell.strip(" \t.,0123456789-") for cell in cells if unit_in(cell)), "")
    return found


def clock_in_names(names: list[str], time_at: list[int], tz: str) -> tuple[Clock, bool]:
    text = " ".join(names[at] for at in time_at)
    kind = "utc" if re.search(r"\b(?:utc|gmt|zulu)\b|_utc|utc_", text, re.I) else "wall"
    ends, starts = words.END_WORD.search(text), words.START_WORD.search(text)
    known = bool(ends) != bool(starts)
    return Clock(tz, kind, "end" if ends and not starts else "start"), known  # type: ignore[arg-type]


def numeric_columns(spread: list[list[str]], width: int, time_at: list[int]) -> list[int]:
    found = []
    for at in range(width):
        if at in time_at:
            continue
        cells = [row[at].strip() for row in spread if at < len(row)]
        filled = [cell for cell in cells if cell.strip("\"'").strip().lower() not in BLANKS]
        if filled and sum(map(is_figure, filled)) >= 0.4 * len(filled):
            kinds = Counter(kind_of(cell) for cell in filled[:50])
            if kinds["datetime"] + kinds["time"] < 0.5 * min(len(filled), 50) and not (
                kinds["date"] >= 0.9 * min(len(filled), 50)
                and len(set(filled)) > 1
                and not words.UNIT.search("")
                and any(sep in filled[0] for sep in "-/")
            ):
                found.append(at)
    return found
