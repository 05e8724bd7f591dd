"""Rows of a table, a reading a row, to stamps and figures with the line each came from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from portal.pv.arrays import Floats, Ints
from portal.pv.sun import DAY_S
from portal.readers.dates import with_offset
from portal.readers.delimited import MAX_COLUMNS
from portal.readers.figures import NumberStyle, read_column
from portal.readers.mapping import FILES, Mapping
from portal.readers.place import place_of
from portal.readers.reading import MAX_READINGS, ReadError
from portal.readers.rejected import MAX_BAD, NO_STAMP_REASON
from portal.readers.stamps import NO_STAMP, StampColumn, Stamps
from portal.readers.table import Loaded, Table, too_wide
from portal.readers.time_columns import in_two

MOST_DATES = 60_000
"""Different dates of a column: more than those of 100 years. A bound on memory, no source."""
MOST_METERS_READ = 5_000
"""Different values of a column that is said to tell meters apart. A bound on memory, no source."""
COUNTED = (24, 48, 96)
"""Intervals of a day that a column may count: hours, halves and quarters of one, by definition."""
HOURS = 0.9
"""Share of the times that must be whole hours for a column to be one of hours. Common practice, no source."""


class RowReader:
    """What the tall and the wide layout have in common."""

    def __init__(self, mapping: Mapping, date_order_known: bool) -> None:
        self.mapping = mapping
        fixed = mapping.date_order in ("unix_s", "unix_ms", "serial")
        self.stamps = StampColumn((mapping.date_order or None) if date_order_known or fixed else None)
        self.style = NumberStyle(mapping.decimal, mapping.thousands)
        self.places: list[Ints] = []
        self.meters: dict[str, int] = {}
        self.meter_ids: list[NDArray[np.int32]] = []
        self.bad: list[tuple[int, str]] = []
        self.count = 0
        self.latest_date = ""
        self.by_hour = False
        """True when the second time column holds the number of the hour."""
        self.hours: list[Ints] = []

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
        """
        self.table, self.names = table, names
        self.number = number
        at = {name: i for i, name in enumerate(names)}
        self.time_at = [at[name] for name in self.mapping.time_columns]
        self.value_names = [*self.mapping.value_columns, *self.mapping.minus_columns]
        self.value_at = [at[name] for name in self.value_names]
        self.meter_at = at.get(self.mapping.meter_column)
        self.offset_at = at.get(self.mapping.offset_column)

    def _regular(self, lines: Sequence[int], rows: list[list[str]]) -> tuple[Sequence[int], list[list[str]]]:
        """Set aside rows that are blank, too short or too long."""
        width = len(self.names)
        lengths = set(map(len, rows))
        if lengths == {width}:
            return lines, rows
        if max(lengths) > MAX_COLUMNS:
            at = next(i for i, row in enumerate(rows) if len(row) > MAX_COLUMNS)
            raise too_wide(self.table.name, lines[at], len(rows[at]))
        need = 1 + max([*self.time_at, *self.value_at, self.meter_at or 0, self.offset_at or 0])
        if self.mapping.layout == "wide":
            need = 1 + max(self.time_at)
        kept_lines, kept = [], []
        for line, row in zip(lines, rows, strict=True):
            if len(row) == width:
                pass
            elif len(row) > width and any(cell.strip() for cell in row[width:]):
                self._set_aside(
                    [place_of(self.number, line)], f"the line has {len(row)} fields where the header has {width}"
                )
                continue
            elif len(row) < need:
                if any(cell.strip() for cell in row):
                    self._set_aside([place_of(self.number, line)], f"the line ends after {len(row)} of {width} fields")
                continue
            elif len(row) < width:
                row = row + [""] * (width - len(row))
            kept_lines.append(line)
            kept.append(row)
        return kept_lines, kept

    def _set_aside(self, lines: Sequence[int] | Ints, reason: str) -> None:
        if len(self.bad) + len(lines) > MAX_BAD:
            raise ReadError(
                f"More than {MAX_BAD:,} lines of {self.table.name} cannot be read, most of them because: {reason}. "
                "Check which columns are chosen, the order of day and month, and the decimal mark."
            )
        self.bad += [(int(line), reason) for line in lines]

    def _take_stamps(self, rows: list[list[str]]) -> None:
        if self.offset_at is not None:  # the offset goes behind the time of day
            last = self.time_at[-1]
            rows = [[*row[:last], with_offset(row[last], row[self.offset_at]), *row[last + 1 :]] for row in rows]
        rows, time_at = in_two(rows, self.time_at)
        if len(time_at) == 2:
            first, second = time_at
            dates, times = self._fill_down([row[first] for row in rows], [row[second] for row in rows])
            if not self.stamps.distinct_dates:
                self.by_hour = sum(map(_is_hour, times)) > HOURS * len(times)
            if self.by_hour:
                self.hours.append(np.array([int(cell) if _is_hour(cell) else -1 for cell in times], dtype=np.int64))
                times = ["00:00"] * len(times)
            self.stamps.add_split(dates, times)
        else:
            only = time_at[0]
            self.stamps.add([row[only] for row in rows])
        if self.stamps.distinct_dates > MOST_DATES:
            raise ReadError(
                f"{self.table.name}: the column “{self.mapping.time_columns[0]}” does not hold dates "
                f"(more than {MOST_DATES:,} different ones). Choose the column with the time stamps."
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
        if len(known) > MOST_METERS_READ:
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
        """Take some rows.

        Parameters
        ----------
        lines
            Their lines.
        rows
            Their cells.

        Raises
        ------
        NotImplementedError
            In the class that both layouts share.
        """
        raise NotImplementedError

    def finish(self, today: date) -> Loaded:
        """Read the stamps, now that all are known.

        Parameters
        ----------
        today
            No stamp lies ahead of it.

        Returns
        -------
        Loaded
            All readings.

        Raises
        ------
        NotImplementedError
            In the class that both layouts share.
        """
        raise NotImplementedError


class Tall(RowReader):
    """A row a reading."""

    def __init__(self, mapping: Mapping, date_order_known: bool) -> None:
        super().__init__(mapping, date_order_known)
        self.values: list[list[Floats]] = [[] for _ in (*mapping.value_columns, *mapping.minus_columns)]

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
        self._count(len(rows))
        self._take_stamps(rows)
        self._take_meters(rows)
        for at, chunks in zip(self.value_at, self.values, strict=True):
            chunks.append(read_column([row[at] for row in rows], self.style, self.mapping.unit))
        self.places.append(place_of(self.number, np.asarray(lines, dtype=np.int64)))

    def finish(self, today: date) -> Loaded:
        """Read the stamps, now that all are known.

        Parameters
        ----------
        today
            No stamp lies ahead of it.

        Returns
        -------
        Loaded
            All readings.
        """
        stamps, elapsed = self.stamps.finish(today), None
        if self.hours:
            stamps, elapsed = _by_hour(stamps, np.concatenate(self.hours))
        columns = [np.concatenate(chunks) if chunks else np.zeros(0) for chunks in self.values]
        lines = np.concatenate(self.places) if self.places else np.zeros(0, dtype=np.int64)
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


def _is_hour(cell: str) -> bool:
    text = cell.strip()
    return 0 < len(text) <= 3 and text.isdecimal()


def _by_hour(days: Stamps, hours: Ints) -> tuple[Stamps, Ints | None]:
    """Put days and numbers of hours, or of half or quarter hours, together.

    Hours that are counted go to 23 or 25 on the days the clock changes; otherwise they are hours of the wall clock.
    Halves and quarters are always counted.
    """
    real = (days.naive_s != NO_STAMP) & (hours >= 0)
    _, day, number = np.unique(days.naive_s[real], return_inverse=True, return_counts=True)
    highest = np.zeros(len(number), dtype=np.int64)
    np.maximum.at(highest, day, hours[real])
    most = float(np.median(highest)) if len(highest) else 0.0
    a_day = next((n for n in COUNTED if most <= n * 25 // 24), 24)
    counted = a_day > 24 or bool(((highest == number) & ((number == 23) | (number == 25))).any())
    good = real & (hours <= (a_day * 25 // 24 if counted else 24))
    seconds = np.where(good, hours, 0) * (DAY_S // a_day)
    naive = np.where(good, days.naive_s if counted else np.where(good, days.naive_s, 0) + seconds, NO_STAMP)
    return replace(days, naive_s=naive), seconds if counted else None
