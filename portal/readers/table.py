"""Rows of cells and a mapping to raw series: stamps and figures, with the line each came from.

Text and spreadsheets both come here as rows of text. Nothing is decided about intervals yet.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from numpy.typing import NDArray

from portal.readers.delimited import MAX_COLUMNS, Chunk
from portal.readers.figures import NumberStyle, read_column
from portal.readers.mapping import FILES, Mapping
from portal.readers.reading import REJECTED_KEPT, ReadError, Rejected
from portal.readers.stamps import NO_STAMP, StampColumn, Stamps, read_time

MAX_READINGS = 3_000_000
MAX_BAD = 200_000
FILE_SHIFT = 32
LINE_MASK = (1 << FILE_SHIFT) - 1
HEADER_SEARCH_ROWS = 500


@dataclass(frozen=True, slots=True)
class Table:
    """One sheet or text file as rows; ``chunks`` starts over at each call."""

    name: str
    chunks: Callable[[], Iterator[Chunk]]


@dataclass(slots=True)
class Loaded:
    """What a pass over the tables found. All arrays have one element a reading, in file order."""

    stamps: Stamps
    elapsed_s: NDArray[np.int64] | None
    """For a wide table with counted columns: seconds since the stamp's midnight; else None."""
    columns: list[NDArray[np.float64]]
    signs: list[int]
    lines: NDArray[np.int64]
    """File number × 2**32 + line."""
    meters: list[str] = field(default_factory=list)
    meter_ids: NDArray[np.int32] | None = None
    lengths_s: NDArray[np.int64] | None = None
    """Seconds each reading covers, where the file says so."""
    quality: NDArray[np.str_] | None = None
    unreadable: int = 0
    """Readings blanked because their cell is no number."""
    bad: list[tuple[int, str]] = field(default_factory=list)
    """Lines not taken in (file × 2**32 + line) and why."""

    def keep(self, mask: NDArray[np.bool_]) -> None:
        """Drop the readings outside ``mask``."""
        stamps = self.stamps
        self.stamps = Stamps(
            stamps.naive_s[mask],
            None if stamps.offset_s is None else stamps.offset_s[mask],
            stamps.date_order,
            stamps.certain,
        )
        self.elapsed_s = None if self.elapsed_s is None else self.elapsed_s[mask]
        self.columns = [column[mask] for column in self.columns]
        self.lines = self.lines[mask]
        self.meter_ids = None if self.meter_ids is None else self.meter_ids[mask]
        self.lengths_s = None if self.lengths_s is None else self.lengths_s[mask]
        self.quality = None if self.quality is None else self.quality[mask]


def column_names(header: Sequence[str] | None, width: int) -> list[str]:
    """Return one distinct name for each column."""
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
    """Return the columns' names and the line of the header (0 for none), wherever the preamble of this file ends."""
    wanted = {*mapping.time_columns, *mapping.value_columns, *mapping.minus_columns}
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
    """Say whether a table has the columns a mapping names."""
    try:
        find_header(table, mapping)
    except ReadError:
        return False
    return True


def look(table: Table, mapping: Mapping) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return a table's column names under a mapping, and its first rows."""
    names, _ = find_header(table, mapping)
    first = next(iter(table.chunks()), None)
    rows = first.rows[:12] if first else []
    return tuple(names), tuple(tuple(cell[:60] for cell in row[:30]) for row in rows)


def _highest_number(names: set[str]) -> int:
    return max((int(m[1]) for name in names if (m := re.fullmatch(r"column (\d{1,4})", name))), default=0)


def too_wide(name: str, line: int, width: int) -> ReadError:
    return ReadError(
        f"{name}, line {line}, has {width:,} columns; no table of readings has more than {MAX_COLUMNS:,}. "
        "Check that the columns are set apart by the right character, or export one day a line."
    )


def load(tables: Sequence[Table], mapping: Mapping, today: date, date_order_known: bool) -> Loaded:
    """Read all rows of all tables by the mapping."""
    reader = _Wide(mapping, date_order_known) if mapping.layout == "wide" else _Tall(mapping, date_order_known)
    for number, table in enumerate(tables):
        try:
            names, header_line = find_header(table, mapping)
        except ReadError as error:
            if not number:
                raise
            raise ReadError(
                f"{table.name} is not built like {tables[0].name}, so the two cannot be read as one. "
                "Leave it out, or send it by itself."
            ) from error
        reader.start(table, number, names)
        for chunk in table.chunks():
            lines, rows = chunk.lines, chunk.rows
            if header_line and lines[0] <= header_line:
                after = next((i for i, line in enumerate(lines) if line > header_line), len(rows))
                lines, rows = lines[after:], rows[after:]
            if rows:
                reader.take(lines, rows)
    return reader.finish(today)


class _Reader:
    """What the tall and the wide layout have in common."""

    def __init__(self, mapping: Mapping, date_order_known: bool) -> None:
        self.mapping = mapping
        fixed = mapping.date_order in ("unix_s", "unix_ms", "serial")
        self.stamps = StampColumn(mapping.date_order if date_order_known or fixed else None)
        self.style = NumberStyle(mapping.decimal, mapping.thousands)
        self.lines: list[NDArray[np.int64]] = []
        self.meters: dict[str, int] = {}
        self.meter_ids: list[NDArray[np.int32]] = []
        self.bad: list[tuple[int, str]] = []
        self.count = 0
        self.latest_date = ""
        self.by_hour = False
        """True when the second time column holds the number of the hour."""
        self.hours: list[NDArray[np.int64]] = []

    def start(self, table: Table, number: int, names: list[str]) -> None:
        self.table, self.names = table, names
        self.base = number << FILE_SHIFT
        at = {name: i for i, name in enumerate(names)}
        self.time_at = [at[name] for name in self.mapping.time_columns]
        self.value_names = [*self.mapping.value_columns, *self.mapping.minus_columns]
        self.value_at = [at[name] for name in self.value_names]
        self.meter_at = at.get(self.mapping.meter_column)

    def _regular(self, lines: Sequence[int], rows: list[list[str]]) -> tuple[Sequence[int], list[list[str]]]:
        """Set aside rows that are blank, too short or too long."""
        width = len(self.names)
        lengths = set(map(len, rows))
        if lengths == {width}:
            return lines, rows
        if max(lengths) > MAX_COLUMNS:
            at = next(i for i, row in enumerate(rows) if len(row) > MAX_COLUMNS)
            raise too_wide(self.table.name, lines[at], len(rows[at]))
        need = 1 + max([*self.time_at, *self.value_at, self.meter_at or 0])
        if self.mapping.layout == "wide":
            need = 1 + max(self.time_at)
        kept_lines, kept = [], []
        for line, row in zip(lines, rows, strict=True):
            if len(row) == width:
                pass
            elif len(row) > width and any(cell.strip() for cell in row[width:]):
                self._set_aside([self.base + line], f"the line has {len(row)} fields where the header has {width}")
                continue
            elif len(row) < need:
                if any(cell.strip() for cell in row):
                    self._set_aside([self.base + line], f"the line ends after {len(row)} of {width} fields")
                continue
            elif len(row) < width:
                row = row + [""] * (width - len(row))
            kept_lines.append(line)
            kept.append(row)
        return kept_lines, kept

    def _set_aside(self, lines: Sequence[int] | NDArray[np.int64], reason: str) -> None:
        if len(self.bad) + len(lines) > MAX_BAD:
            raise ReadError(
                f"More than {MAX_BAD:,} lines of {self.table.name} cannot be read, most of them because: {reason}. "
                "Check which columns are chosen, the order of day and month, and the decimal mark."
            )
        self.bad += [(int(line), reason) for line in lines]

    def _take_stamps(self, rows: list[list[str]]) -> None:
        if len(self.time_at) == 2:
            first, second = self.time_at
            dates, times = self._fill_down([row[first] for row in rows], [row[second] for row in rows])
            if not self.stamps.distinct_dates:
                self.by_hour = sum(map(_is_hour, times)) > 0.9 * len(times)
            if self.by_hour:
                self.hours.append(np.array([int(cell) if _is_hour(cell) else -1 for cell in times], dtype=np.int64))
                times = ["00:00"] * len(times)
            self.stamps.add_split(dates, times)
        else:
            only = self.time_at[0]
            self.stamps.add([row[only] for row in rows])
        if self.stamps.distinct_dates > 60_000:
            raise ReadError(
                f"{self.table.name}: the column “{self.mapping.time_columns[0]}” does not hold dates "
                "(too many different ones). Choose the column with the time stamps."
            )

    def _fill_down(self, dates: list[str], times: list[str]) -> tuple[list[str], list[str]]:
        """Carry a date that stands only on the first line of its day, as merged cells do, down to the others."""
        if "" in dates:
            for i, cell in enumerate(dates):
                if cell.strip():
                    self.latest_date = cell
                elif times[i].strip():
                    dates[i] = self.latest_date
        if dates and dates[-1].strip():
            self.latest_date = dates[-1]
        return dates, times

    def _take_meters(self, rows: list[list[str]]) -> None:
        known = self.meters
        if self.mapping.meter_column == FILES:
            number = known.setdefault(self.table.name, len(known))
            self.meter_ids.append(np.full(len(rows), number, dtype=np.int32))
        if self.meter_at is None:
            return
        ids = np.empty(len(rows), dtype=np.int32)
        for i, row in enumerate(rows):
            ids[i] = known.setdefault(row[self.meter_at].strip(), len(known))
        if len(known) > 5_000:
            raise ReadError(
                f"{self.table.name}: the column “{self.mapping.meter_column}” has more than 5,000 different values, so "
                "it does not tell meters apart. Choose another column or none."
            )
        self.meter_ids.append(ids)

    def _count(self, more: int) -> None:
        self.count += more
        if self.count > MAX_READINGS:
            raise ReadError(
                f"{self.table.name} holds more than {MAX_READINGS:,} readings, which is more than 28 years of "
                "5-minute readings. Export a shorter span."
            )

    def take(self, lines: Sequence[int], rows: list[list[str]]) -> None:
        raise NotImplementedError

    def finish(self, today: date) -> Loaded:
        raise NotImplementedError


class _Tall(_Reader):
    """A row a reading."""

    def __init__(self, mapping: Mapping, date_order_known: bool) -> None:
        super().__init__(mapping, date_order_known)
        self.values: list[list[NDArray[np.float64]]] = [[] for _ in (*mapping.value_columns, *mapping.minus_columns)]

    def take(self, lines: Sequence[int], rows: list[list[str]]) -> None:
        lines, rows = self._regular(lines, rows)
        if not rows:
            return
        self._count(len(rows))
        self._take_stamps(rows)
        self._take_meters(rows)
        for at, chunks in zip(self.value_at, self.values, strict=True):
            chunks.append(read_column([row[at] for row in rows], self.style, self.mapping.unit))
        self.lines.append(np.asarray(lines, dtype=np.int64) + self.base)

    def finish(self, today: date) -> Loaded:
        stamps, elapsed = self.stamps.finish(today), None
        if self.hours:
            stamps, elapsed = _by_hour(stamps, np.concatenate(self.hours))
        columns = [np.concatenate(chunks) if chunks else np.zeros(0) for chunks in self.values]
        lines = np.concatenate(self.lines) if self.lines else np.zeros(0, dtype=np.int64)
        signs = [1] * len(self.mapping.value_columns) + [-1] * len(self.mapping.minus_columns)
        meter_ids = np.concatenate(self.meter_ids) if self.meter_ids else None
        loaded = Loaded(stamps, elapsed, columns, signs, lines, list(self.meters), meter_ids, bad=self.bad)
        wrong = stamps.naive_s == NO_STAMP
        self._set_aside(lines[wrong], NO_STAMP_REASON)
        # A column without a single figure is not in use; elsewhere a blank in one of several columns leaves no sum.
        if len(columns) > 1:
            used = [bool(np.isfinite(column).any()) for column in columns]
            if any(used):
                loaded.columns = [column for column, use in zip(columns, used, strict=True) if use]
                loaded.signs = [sign for sign, use in zip(signs, used, strict=True) if use]
        unreadable = np.zeros(len(lines), dtype=bool)
        for name, column in zip(self.value_names, columns, strict=True):
            bad_cells = np.isposinf(column) & ~wrong
            self._set_aside(lines[bad_cells], f"the cell in “{name}” is no number")
            unreadable |= bad_cells
            # The line keeps its place in time, so that the interval length does not change with it.
            column[np.isposinf(column)] = np.nan
        loaded.unreadable = int(unreadable.sum())
        loaded.keep(~wrong)
        return loaded


class _Wide(_Reader):
    """A row a day, a column an interval."""

    def __init__(self, mapping: Mapping, date_order_known: bool) -> None:
        super().__init__(mapping, date_order_known)
        self.cells: list[NDArray[np.float64]] = []

    def start(self, table: Table, number: int, names: list[str]) -> None:
        super().start(table, number, names)
        seconds, self.counted, self.label = interval_columns(self.value_names)
        self.seconds = np.array(seconds, dtype=np.int64)

    def take(self, lines: Sequence[int], rows: list[list[str]]) -> None:
        lines, rows = self._regular(lines, rows)
        if not rows:
            return
        self._count(len(rows) * len(self.value_at))
        self._take_stamps(rows)
        self._take_meters(rows)
        flat = [row[at] for row in rows for at in self.value_at]
        self.cells.append(read_column(flat, self.style, self.mapping.unit).reshape(len(rows), len(self.value_at)))
        self.lines.append(np.asarray(lines, dtype=np.int64) + self.base)

    def finish(self, today: date) -> Loaded:
        days = self.stamps.finish(today)
        width = len(self.mapping.value_columns)
        cells = np.concatenate(self.cells) if self.cells else np.zeros((0, width))
        lines = np.concatenate(self.lines) if self.lines else np.zeros(0, dtype=np.int64)
        wrong = days.naive_s == NO_STAMP
        self._set_aside(lines[wrong], NO_STAMP_REASON)
        unreadable = np.isposinf(cells)
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
        midnights -= midnights % 86_400
        loaded = Loaded(
            Stamps(midnights if self.counted else midnights + steps, offset, days.date_order, days.certain),
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


NO_STAMP_REASON = "no date and time that can be read"


def _is_hour(cell: str) -> bool:
    text = cell.strip()
    return 0 < len(text) <= 2 and text.isdecimal()


def _by_hour(days: Stamps, hours: NDArray[np.int64]) -> tuple[Stamps, NDArray[np.int64] | None]:
    """Put days and numbers of hours together.

    Hours that are counted go to 23 or 25 on the days the clock changes; otherwise they are hours of the wall clock.
    """
    real = (days.naive_s != NO_STAMP) & (hours >= 0)
    _, day, number = np.unique(days.naive_s[real], return_inverse=True, return_counts=True)
    highest = np.zeros(len(number), dtype=np.int64)
    np.maximum.at(highest, day, hours[real])
    counted = bool(((highest == number) & ((number == 23) | (number == 25))).any())
    good = real & (hours <= (25 if counted else 24))
    seconds = np.where(good, hours, 0) * 3600
    naive = np.where(good, days.naive_s if counted else np.where(good, days.naive_s, 0) + seconds, NO_STAMP)
    return Stamps(naive, days.offset_s, days.date_order, days.certain), seconds if counted else None


def interval_columns(names: Sequence[str]) -> tuple[list[int], bool, str]:
    """Return the seconds since midnight of a wide table's columns, whether they are counted, and their label.

    Columns are either named by the time of day or counted (1 to 96, H1 to H24; up to 25 hours' worth).
    """
    seconds: list[int] = []
    for name in names:
        bare = re.sub(r" \(\d+\)$", "", name.strip())
        second = column_time(bare)
        if second is None:
            seconds = []
            break
        seconds.append(second)
    if seconds:
        turned = [i for i in range(1, len(seconds)) if seconds[i] == 0]
        if len(turned) == 1 and turned[0] == len(seconds) - 1 and seconds[0] > 0:
            seconds[-1] = 86_400
        label = "end" if seconds[-1] == 86_400 and seconds[0] > 0 else "start"
        return seconds, False, label
    numbers = [count for name in names if (count := column_count(name)) is not None]
    if len(numbers) != len(names) or sorted(numbers) != list(
        range(min(numbers, default=0), max(numbers, default=0) + 1)
    ):
        raise ReadError(
            "The columns of this table are neither times of day nor counted from 1. Choose one column with the time "
            "stamps and one with the energies."
        )
    first = min(numbers)
    per_day = next((n for n in (24, 48, 96, 144, 288) if n <= len(numbers) <= n * 25 // 24), 0)
    if not per_day:
        raise ReadError(
            f"The table has {len(numbers)} columns a day; a day has 24, 48, 96, 144 or 288 intervals. "
            "Check that the columns of all intervals, and only these, are chosen."
        )
    return [(n - first) * (86_400 // per_day) for n in numbers], True, "start"


def column_time(name: str) -> int | None:
    """Return the time of day a column's name tells, in seconds."""
    if not re.search(r"\d[:.h]\d{2}|^\s*\d{1,2}\s?[aApP]\.?[mM]\b", name):
        return None
    bare = re.sub(r"\s*\[?\(?\b[kKmM]?[wW]h?\b\)?\]?$", "", name).strip()
    read = read_time(bare)
    return None if read is None else read[0]


def column_count(name: str) -> int | None:
    """Return the number a counted column's name tells."""
    match = re.fullmatch(r"[^\W\d]{0,12}[\s_.#-]{0,3}(\d{1,3})(?:\s*\[?\(?[kKmM]?[wW]h\)?\]?)?", name.strip())
    return int(match[1]) if match else None


def explain_bad(
    tables: Sequence[Table], mapping: Mapping, bad: Sequence[tuple[int, str]]
) -> tuple[list[Rejected], int, int]:
    """Return the rejected lines with their text, how many they are, and how many of them have no stamp.

    Lines that are no readings at all (totals, notes, repeated headers) drop out. This is a second pass over the file,
    made only when there are such lines.
    """
    if not bad:
        return [], 0, 0
    by_file: dict[int, dict[int, str]] = {}
    for packed, reason in bad:
        by_file.setdefault(packed >> FILE_SHIFT, {}).setdefault(packed & LINE_MASK, reason)
    kept: list[Rejected] = []
    count = stampless = 0
    for number, reasons in sorted(by_file.items()):
        table = tables[number]
        names, _ = find_header(table, mapping)
        time_at = [names.index(name) for name in mapping.time_columns]
        last = max(reasons)
        for chunk in table.chunks():
            for line, row in zip(chunk.lines, chunk.rows, strict=True):
                why = reasons.get(line)
                if why is None or _is_no_reading(row, time_at, why):
                    continue
                count += 1
                stampless += _has_no_stamp(why)
                if len(kept) < REJECTED_KEPT:
                    text = mapping.delimiter.join(cell[:80] for cell in row[:20])
                    kept.append(Rejected(line, text[:300], why, table.name if len(tables) > 1 else ""))
            if chunk.lines and chunk.lines[-1] >= last:
                break
    return kept, count, stampless


def _has_no_stamp(reason: str) -> bool:
    return reason == NO_STAMP_REASON or reason.startswith("the line ")


def _is_no_reading(row: list[str], time_at: list[int], reason: str) -> bool:
    """Say whether a line without a stamp is no reading at all: blank, a total, a note, a repeated header."""
    cells = [cell.strip() for cell in row]
    if not any(cells):
        return True
    stamp = "".join(cells[at] for at in time_at if at < len(cells))
    if _has_no_stamp(reason):
        if not stamp:
            return any(cell.lstrip("[(")[:1].isalpha() for cell in cells)
        return stamp.lstrip("[(")[:1].isalpha() and not any(char.isdigit() for char in stamp[:12])
    return False


def sum_columns(columns: Sequence[NDArray[np.float64]], signs: Sequence[int]) -> NDArray[np.float64]:
    """Return the production: the sum of the columns, each with its sign."""
    if len(columns) == 1 and signs[0] == 1:
        return columns[0]
    total = np.zeros(len(columns[0]))
    with np.errstate(invalid="ignore"):  # infinite figures are rejected later
        for column, sign in zip(columns, signs, strict=True):
            total = total + sign * column
    return total
