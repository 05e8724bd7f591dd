"""Dates and times as files write them, read column by column.

A file of five years has some 1,800 different dates and 96 different times of day, so each text is split into the
two and every distinct half is read once. That is quicker than reading 175,000 stamps, and the order of day and month
can be decided from all dates together after the last line has been read.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import pairwise
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from portal.pv.arrays import Floats, Ints
from portal.pv.sun import DAY_S
from portal.readers.dates import (
    EARLIEST_YEAR,
    LATEST_YEAR,
    NO_OFFSET,
    RANGE,
    DateParts,
    read_date_parts,
    read_time,
    split_stamp,
    to_day_number,
)
from portal.readers.mapping import DateOrder
from portal.readers.reading import ReadError

NO_STAMP = np.iinfo(np.int64).min
_SHIFT = 2**20
"""Room for a stamp's own offset [seconds] beside the time of day in one number; by definition of time zones, offsets
are below 15 hours."""
MONTHS_OF_A_YEAR = 12
"""Months of a year, by definition: a larger number in a date is its day."""
MOST_OFFSETS = 4
"""Offsets from UTC that a file's stamps have at most: those of two zones, in summer and in winter. Common practice, no
source."""
TIMES_KEPT = 200_000
"""Different times of day that are remembered: more than the seconds of a day. A bound on memory, no source."""
LONGEST_TIME = 14
"""Characters of a time of day with its offset, such as 23:45:00+01:00; longer cells hold a date too. By definition (ISO
8601)."""
ORDER_ERRORS = 0.05
"""Share of the dates that may contradict the order of day and month which most of them show. Tuned on the made files of
the tests: a fifth more or less changes none."""


@dataclass(frozen=True, slots=True)
class Stamps:
    """A column of stamps as written: seconds since 1970 on the file's own clock, ``NO_STAMP`` where unreadable."""

    naive_s: Ints
    offset_s: NDArray[np.int32] | None
    """Each stamp's own offset, None when none has one."""
    date_order: DateOrder
    certain: bool
    """False when day-first and month-first both fit all dates and say different days."""
    shown: DateOrder = ""
    """The order that the dates themselves show, "" where they leave it open or have none to show."""


class _Times(dict[str, int]):
    """Each distinct time of day as one number: seconds × 2**20 + offset; -1 when it cannot be read."""

    def __missing__(self, text: str) -> int:
        read = read_time(text)
        packed = -1 if read is None else read[0] * _SHIFT + read[1] + _SHIFT // 2
        if len(self) < TIMES_KEPT:
            self[text] = packed
        return packed


class _Heads(dict[str, int]):
    """Numbers each distinct date as it comes."""

    def __missing__(self, text: str) -> int:
        number = self[text] = len(self)
        return number


class StampColumn:
    """Takes a column of stamps chunk by chunk and reads it when the last line is known."""

    def __init__(self, order: DateOrder | None) -> None:
        self.order = order
        self._heads = _Heads()
        self._times = _Times()
        self._head_ids: list[NDArray[np.int32]] = []
        self._tails: list[Ints] = []
        self._numbers: list[Floats] = []

    @property
    def distinct_dates(self) -> int:
        """Count the different dates met so far."""
        return len(self._heads)

    def add(self, texts: Sequence[str]) -> None:
        """Take the cells of one column that hold date and time, or only a date.

        Parameters
        ----------
        texts
            The cells.
        """
        if self.order in ("unix_s", "unix_ms", "serial"):
            self._numbers.append(_numbers(texts))
            return
        if not texts:
            return
        # A stamp to go by: the chunk may begin with a row of units.
        first = next((text for text in texts[:50] if split_stamp(text)[1]), texts[0])
        head, tail = split_stamp(first)
        cut = first.rfind(tail) if tail else -1
        if tail and first.startswith(head) and ":" in tail and len(set(map(len, texts))) == 1:
            # Stamps of one length with their marks at the same places, as most files have them.
            marks = [i for i, char in enumerate(first) if not char.isalnum()]
            if all(len(set(map(itemgetter(i), texts))) == 1 for i in marks):
                self._add(
                    map(itemgetter(slice(0, len(head))), texts), map(itemgetter(slice(cut, None)), texts), len(texts)
                )
                return
        if tail and first.partition(" ")[::2] == (head, tail):
            halves = [text.partition(" ") for text in texts]
            if all(half[1] or ":" not in half[0] for half in halves):
                self._add(map(itemgetter(0), halves), map(itemgetter(2), halves), len(texts))
                return
        split = [split_stamp(text) for text in texts]
        self._add(map(itemgetter(0), split), map(itemgetter(1), split), len(texts))

    def add_split(self, dates: Sequence[str], times: Sequence[str]) -> None:
        """Take the cells of two columns.

        Parameters
        ----------
        dates
            The dates.
        times
            The times of day.
        """
        # A spreadsheet or a database often writes a midnight behind the date …
        heads = [split_stamp(text)[0] for text in dates] if dates and ":" in dates[0] else [d.strip() for d in dates]
        # … and an empty day before the time.
        tails = (
            [split_stamp(text)[1] for text in times] if times and len(times[0].strip()) > LONGEST_TIME else list(times)
        )
        self._add(heads, tails, len(heads))

    def _add(self, heads: Iterable[str], tails: Iterable[str], count: int) -> None:
        self._head_ids.append(np.fromiter(map(self._heads.__getitem__, heads), dtype=np.int32, count=count))
        self._tails.append(np.fromiter(map(self._times.__getitem__, tails), dtype=np.int64, count=count))

    def finish(self, today: date) -> Stamps:
        """Read all dates together; with no order given, decide it from them.

        Parameters
        ----------
        today
            No date lies ahead of it.

        Returns
        -------
        Stamps
            All stamps.
        """
        if self.order in ("unix_s", "unix_ms", "serial"):
            numbers = np.concatenate(self._numbers) if self._numbers else np.zeros(0)
            scale = {"unix_s": 1.0, "unix_ms": 1 / 1000, "serial": float(DAY_S)}[self.order]
            with np.errstate(invalid="ignore", over="ignore"):
                seconds = np.round(numbers * scale - (25_569 * DAY_S if self.order == "serial" else 0))
                good = (seconds >= _YEAR_START) & (seconds < _YEAR_END)
            naive = np.where(good, np.where(good, seconds, 0).astype(np.int64), NO_STAMP)
            offsets = None if self.order == "serial" else np.zeros(len(naive), dtype=np.int32)
            return Stamps(naive, offsets, self.order, True)
        parts = [read_date_parts(head) for head in self._heads]
        own, certain = decide_order(parts, today, whole_days=len(self._times) <= 1)
        shown: DateOrder = own if certain and any(p and p[3] == "either" for p in parts) else ""
        if not self.order:
            _refuse_contradictions(self._heads, parts)
        order, certain = (self.order, True) if self.order else (own, certain)
        numbers_ = [None if p is None else to_day_number(p, order) for p in parts]
        # An order settled by a person or by most dates may still meet a date which only fits the other way round;
        # such a line is rejected, never silently turned.
        days = np.array([NO_STAMP if n is None else n for n in numbers_], dtype=np.int64)
        ids = np.concatenate(self._head_ids) if self._head_ids else np.zeros(0, dtype=np.int32)
        tails = np.concatenate(self._tails) if self._tails else np.zeros(0, dtype=np.int64)
        if not len(ids):
            return Stamps(np.zeros(0, dtype=np.int64), None, order, certain, shown)
        day = days[ids]
        good = (day != NO_STAMP) & (tails >= 0)
        naive = np.where(good, np.where(good, day, 0) * DAY_S + tails // _SHIFT, NO_STAMP)
        offset = (tails % _SHIFT - _SHIFT // 2).astype(np.int32)
        has = offset != NO_OFFSET
        if not has[good].any() or self._are_ranges():
            return Stamps(naive, None, order, certain, shown)
        naive[~has] = NO_STAMP
        return Stamps(naive, offset, order, certain, shown)

    def _are_ranges(self) -> bool:
        """Say whether what looks like offsets ("12:00-12:15") are the ends of intervals: no file has so many zones."""
        ends = {text.partition("-")[2] for text in self._times if RANGE.match(text)}
        return len(ends) > MOST_OFFSETS


def _refuse_contradictions(heads: Iterable[str], parts: Sequence[DateParts | None]) -> None:
    """Refuse dates of which some can only have the day first and others only the month, so that the rest may be either.

    So it is too where a spreadsheet took text for dates of its own, with day and month the other way round: it can do
    so up to the 12th of a month, and leaves all later ones as they were.
    """
    only: dict[DateOrder, list[str]] = {"dmy": [], "mdy": []}
    own: list[DateParts] = []
    for head, part in zip(heads, parts, strict=True):
        if part is None:
            continue
        if part[3] != "either":
            own.append(part)
        elif min(part[:2]) <= MONTHS_OF_A_YEAR < max(part[:2]) and to_day_number(part, "ymd") is None:
            only["dmy" if part[0] > MONTHS_OF_A_YEAR else "mdy"].append(head)
    count = sum(part is not None for part in parts)
    if min(map(len, only.values())) > ORDER_ERRORS * count:
        raise ReadError(
            f"“{only['dmy'][0][:20]}” can only have the day first and “{only['mdy'][0][:20]}” only the month, so the "
            "days of the other lines cannot be told. Export the file again with all dates written alike, best with "
            "the year first."
        )
    turned = own and all(part[2] <= MONTHS_OF_A_YEAR for part in own) and len(set(own)) > 1
    if turned and max(map(len, only.values())) > 1 and sum(map(len, only.values())) + len(own) == count:
        later = max(only.values(), key=len)[0][:20]
        raise ReadError(
            f"Days up to the 12th are dates of the spreadsheet here and all later ones are text (“{later}”): a "
            "spreadsheet has taken day for month when it opened the export. Send the export as it was before."
        )


_YEAR_START = datetime(EARLIEST_YEAR, 1, 1).toordinal() * DAY_S - 719_163 * DAY_S  # noqa: DTZ001 (a day number)
_YEAR_END = (date(LATEST_YEAR, 12, 31).toordinal() + 1 - 719_163) * DAY_S


def _numbers(texts: Sequence[str]) -> Floats:
    try:
        return np.array([float(text) for text in texts], dtype=np.float64)
    except ValueError:
        plain = (text.replace(",", ".") for text in texts)
        return np.array([float(t) if re.fullmatch(r"\s*\d+(?:\.\d+)?\s*", t) else np.nan for t in plain])


def _first_of_months(parts: Sequence[tuple[int, int, int, str]]) -> DateOrder | None:
    """Return the order in which all dates are the first of a month, None where there is none or both are."""
    first, second = {p[0] for p in parts} == {1}, {p[1] for p in parts} == {1}
    return None if first == second else "dmy" if first else "mdy"


def decide_order(parts: Sequence[DateParts | None], today: date, *, whole_days: bool = False) -> tuple[DateOrder, bool]:
    """Decide the order of day, month and year from all dates of a column, and say whether that is certain.

    First by which order gives real dates that are not ahead of ``today``; then by which one makes the days follow
    each other, because a file of readings goes through days and not through months.

    Parameters
    ----------
    parts
        What ``read_date_parts`` gave for each distinct date, in the order of the file.
    today
        No date lies ahead of it.
    whole_days
        Whether no time stands with the dates, so that they may be those of months.

    Returns
    -------
    order : DateOrder
        The likeliest order, "" where the dates say the same days in every order.
    certain : bool
        False when another fits as well.

    Examples
    --------
    >>> decide_order([(day, 4, 2024, "either") for day in range(1, 20)], date(2024, 12, 31))
    ('dmy', True)
    """
    open_ = [p for p in parts if p is not None and p[3] == "either"]
    if not open_:
        return "ymd", True
    last_day = today.toordinal() - 719_163 + 1
    found: list[tuple[int, float, DateOrder]] = []
    orders: tuple[DateOrder, ...] = ("dmy", "mdy") if max(p[2] for p in open_) > 99 else ("dmy", "mdy", "ymd")
    seen: dict[DateOrder, list[int | None]] = {}
    for order in orders:
        days = [to_day_number(p, order) for p in open_]
        seen[order] = days
        bad = sum(day is None or day > last_day for day in days)
        real = [day for day in days if day is not None]
        steps = [abs(b - a) for a, b in pairwise(real)]
        follow = sum(step == 1 for step in steps) / len(steps) if steps else 0.0
        found.append((bad, -follow, order))
    found.sort(key=lambda item: item[:2])
    best, second = found[0], found[1]
    if seen[best[2]] == seen[second[2]]:
        return "", True  # 5/5: which of them it was is not to be remembered
    monthly = whole_days and len(open_) > 2 and _first_of_months(open_)
    if monthly and best[2] != monthly:
        # 1/1, 1/2 … 1/12: the days of a January, or the firsts of a year's months; no January comes twice in a row
        return (monthly, True) if len({p[2] for p in open_}) > 1 else (best[2], False)
    if best[0] != second[0]:
        return best[2], best[0] <= ORDER_ERRORS * len(open_)
    return best[2], best[1] < second[1]
