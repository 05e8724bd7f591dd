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
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from portal.readers.figures import LONGEST
from portal.readers.mapping import DateOrder

EARLIEST_YEAR = 1990
LATEST_YEAR = 2099
NO_STAMP = np.iinfo(np.int64).min
NO_OFFSET = -(2**19)
_SHIFT = 2**20
_DAY_S = 86_400

_MONTHS = (
    "jan januar january janvier janv enero ene gennaio gen januari janeiro|"
    "feb februar february février fevrier févr fevr fév febrero febbraio februari fevereiro fev|"
    "mar märz maerz mrz march mars marzo maart mrt março marco|"
    "apr april avril avr abril abr aprile|"
    "may mai mayo maggio mag mei maio|"
    "jun juni june juin junio giugno giu junho|"
    "jul juli july juillet juil julio luglio lug julho|"
    "aug august août aout agosto ago augustus ago|"
    "sep sept september septembre septiembre settembre set setembro|"
    "oct okt oktober october octobre octubre ottobre ott outubro out|"
    "nov november novembre noviembre novembro|"
    "dec dez dezember december décembre decembre déc diciembre dic dicembre dezembro"
)
MONTHS = {name: number for number, names in enumerate(_MONTHS.split("|"), 1) for name in names.split()}
# The standard abbreviations of the zones most files use; a stamp with one carries its own offset.
_ZONES = {
    "z": 0,
    "utc": 0,
    "gmt": 0,
    "wet": 0,
    "west": 60,
    "bst": 60,
    "cet": 60,
    "mez": 60,
    "cest": 120,
    "mesz": 120,
    "eet": 120,
    "eest": 180,
    "est": -300,
    "edt": -240,
    "cst": -360,
    "cdt": -300,
    "mst": -420,
    "mdt": -360,
    "pst": -480,
    "pdt": -420,
    "aest": 600,
    "aedt": 660,
    "acst": 570,
    "acdt": 630,
    "awst": 480,
    "nzst": 720,
    "nzdt": 780,
    "sast": 120,
    "jst": 540,
}
_DATE = re.compile(
    r"^(?:[^\W\d]+\.?,?\s+)?(?:(\d{4})[-/. ]?(\d{2})[-/. ]?(\d{2})|(\d{1,4})\s*[-/. ]\s*(?:de\s+)?"
    r"(\d{1,2}|[^\W\d_]+\.?)\s*[-/., ]\s*(?:de\s+)?(\d{2,4})\.?"
    r"|([^\W\d_]+)\.?\s+(\d{1,2})(?:st|nd|rd|th)?,?\s+(\d{4}))$"
)
_TIME = re.compile(
    r"^(\d{1,2})\s*(?:[:.hH]\s*(\d{2}))?(?:[:.]\s*(\d{2})(?:[.,](\d+))?)?\s*(?:([aApP])\.?\s?[mM]\.?)?"
    r"\s*(?:(?:UTC|GMT)?\s*([+\-−]\d{1,2}(?::?\d{2})?)|\(?([A-Za-z]{1,5})\)?)?"
    r"(?:\s*\([A-Za-z ]{2,30}\))?(?:\s*(?:-|–|—|/|to|bis|until|à|a)\s*\d+[-/.:h].*)?$"
)
_UNIX_FRACTION = re.compile(r"^\d{10}\.\d{1,9}$")
_COMPACT_TIME = re.compile(r"^T?(\d{2})(\d{2})(\d{2})?(Z|[+-]\d{2}:?\d{2})?$")
_TIME_FIRST = re.compile(r"^(\d{1,2}:\d{2}(?::\d{2})?(?:\.\d+)?(?:\s*[aApP]\.?[mM]\.?)?)[\s,]+(\d.*|[A-Za-z].*\d{4})$")

DateParts = tuple[int, int, int, Literal["ymd", "dmy", "either"]]


def read_date_parts(text: str) -> DateParts | None:
    """Split a date into its three numbers; the last element says what order the text itself shows."""
    match = _DATE.match(text) if len(text) <= LONGEST else None
    if match is None:
        return None
    y4, m2, d2, first, middle, last, name, name_day, name_year = match.groups()
    if any(year and len(year) == 4 and int(year) < 100 for year in (y4, first, last, name_year)):
        return None
    if y4:
        return int(y4), int(m2), int(d2), "ymd"
    if name:
        month = MONTHS.get(name.lower())
        return (int(name_year), month, int(name_day), "ymd") if month else None
    if middle[0].isdigit():
        if len(first) > 2:
            return (int(first), int(middle), int(last), "ymd") if len(last) == 2 and len(first) == 4 else None
        return (int(first), int(middle), int(last), "either") if len(last) != 3 else None
    month = MONTHS.get(middle.rstrip(".").lower())
    if month is None:
        return None
    if len(first) == 4:
        return int(first), month, int(last), "ymd"
    return int(last) if len(last) == 4 else 2000 + int(last), month, int(first), "ymd"


def to_day_number(parts: DateParts, order: DateOrder) -> int | None:
    """Return days since 1970-01-01, None when there is no such date under ``order`` or the year is out of reach."""
    a, b, c, shown = parts
    if shown == "ymd" or order == "ymd":
        year, month, day = a, b, c
    elif order == "mdy":
        month, day, year = a, b, c
    else:
        day, month, year = a, b, c
    if year < 100:
        year += 2000
    if not EARLIEST_YEAR <= year <= LATEST_YEAR:
        return None
    try:
        return date(year, month, day).toordinal() - 719_163
    except ValueError:
        return None


def read_time(text: str) -> tuple[int, int] | None:
    """Return seconds since midnight (24:00 is 86,400) and the stamp's own offset in seconds, or ``NO_OFFSET``."""
    text = text.strip().removesuffix("Uhr").rstrip()
    if not text:
        return 0, NO_OFFSET
    if len(text) > LONGEST:
        return None
    match = _TIME.match(text)
    if match is None:
        compact = _COMPACT_TIME.match(text)
        if compact is None:
            return None
        hour, minute, second, zone = (compact[1], compact[2], compact[3], compact[4])
        half, name = None, zone if zone == "Z" else None
        zone = None if zone == "Z" else zone
    else:
        hour, minute, second, _, half, zone, name = match.groups()
        if minute is None and half is None:
            # A lone number: "7" is seven o'clock, "0715" was no match for the pattern above.
            if name or zone:
                return None
            minute = "00"
        elif minute is None:
            minute = "00"
    h, m, s = int(hour), int(minute), int(second or 0)
    if half:
        if not 1 <= h <= 12:
            return None
        h = h % 12 + (12 if half in "pP" else 0)
    offset = NO_OFFSET
    if zone:
        digits = zone[1:].replace(":", "")
        minutes = (
            int(digits[:2]) * 60 + int(digits[2:] or 0) if len(digits) != 3 else int(digits[0]) * 60 + int(digits[1:])
        )
        if minutes > 14 * 60:
            return None
        offset = minutes * 60 * (1 if zone[0] == "+" else -1)
    elif name:
        if name.lower() not in _ZONES:
            return None
        offset = _ZONES[name.lower()] * 60
    if h > 24 or m > 59 or s > 60 or (h == 24 and (m or s)):
        return None
    return h * 3600 + m * 60 + s, offset


def split_stamp(text: str) -> tuple[str, str]:
    """Split a stamp into its date and its time."""
    text = text.strip()
    if len(text) > LONGEST:
        return text, ""
    colon = text.find(":")
    if colon > 2:
        cut = colon - 2 if text[colon - 2].isdigit() else colon - 1
        return text[:cut].rstrip(" T,;_-"), text[cut:]
    if 0 < colon <= 2:
        match = _TIME_FIRST.match(text)
        return (match[2].strip(), match[1]) if match else (text, "")
    if len(text) in (12, 14) and text.isdigit():
        return text[:8], text[8:]
    if len(text) > 9 and text[:8].isdigit() and text[8] in "T ":
        return text[:8], text[9:]
    if read_date_parts(text) is None:
        head, _, tail = text.partition(" ")
        if tail and read_date_parts(head) is not None:
            return head, tail
    return text, ""


StampKind = Literal["datetime", "date", "time", "unix_s", "unix_ms", "serial"]


def kind_of(text: str) -> StampKind | None:
    """Say what kind of stamp a cell looks like, None when it is no stamp."""
    text = text.strip()
    if not text or not any(ch.isdigit() for ch in text) or len(text) > LONGEST:
        return None
    if text.isdigit():
        if len(text) in (8, 12, 14) and text[:2] in ("19", "20"):
            head, tail = split_stamp(text)
            parts = read_date_parts(head)
            if parts and to_day_number(parts, "ymd") is not None and read_time(tail) is not None:
                return "datetime" if tail else "date"
        if len(text) == 10 and "0631152000" <= text < "4102444800":
            return "unix_s"
        if len(text) == 13 and "0631152000000" <= text < "4102444800000":
            return "unix_ms"
        return None
    if _UNIX_FRACTION.match(text) and "0631152000" <= text[:10] < "4102444800":
        return "unix_s"
    head, tail = split_stamp(text)
    parts = read_date_parts(head)
    if parts is not None:
        orders: tuple[DateOrder, ...] = ("ymd",) if parts[3] == "ymd" else ("dmy", "mdy", "ymd")
        if all(to_day_number(parts, order) is None for order in orders):
            return None
        if parts[3] == "either" and "." in head and not tail and len(head.split(".")[-1]) < 2:
            return None
        return None if read_time(tail) is None else "datetime" if tail else "date"
    if re.match(r"^\d{1,2}(?:[:h]\d{2})", text) and read_time(text) is not None:
        return "time"
    return None


@dataclass(frozen=True, slots=True)
class Stamps:
    """A column of stamps as written: seconds since 1970 on the file's own clock, ``NO_STAMP`` where unreadable."""

    naive_s: NDArray[np.int64]
    offset_s: NDArray[np.int32] | None
    """Each stamp's own offset, None when none has one."""
    date_order: DateOrder
    certain: bool
    """False when day-first and month-first both fit all dates."""


class _Times(dict[str, int]):
    """Each distinct time of day as one number: seconds × 2**20 + offset; -1 when it cannot be read."""

    def __missing__(self, text: str) -> int:
        read = read_time(text)
        packed = -1 if read is None else read[0] * _SHIFT + read[1] + _SHIFT // 2
        if len(self) < 200_000:
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
        self._tails: list[NDArray[np.int64]] = []
        self._numbers: list[NDArray[np.float64]] = []

    @property
    def distinct_dates(self) -> int:
        return len(self._heads)

    def add(self, texts: Sequence[str]) -> None:
        """Take the cells of one column that hold date and time, or only a date."""
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
        """Take the cells of two columns."""
        # A spreadsheet or a database often writes a midnight behind the date …
        heads = [split_stamp(text)[0] for text in dates] if dates and ":" in dates[0] else [d.strip() for d in dates]
        # … and an empty day before the time.
        tails = [split_stamp(text)[1] for text in times] if times and len(times[0].strip()) > 14 else list(times)
        self._add(heads, tails, len(heads))

    def _add(self, heads: Iterable[str], tails: Iterable[str], count: int) -> None:
        self._head_ids.append(np.fromiter(map(self._heads.__getitem__, heads), dtype=np.int32, count=count))
        self._tails.append(np.fromiter(map(self._times.__getitem__, tails), dtype=np.int64, count=count))

    def finish(self, today: date) -> Stamps:
        """Read all dates together; with no order given, decide it from them."""
        if self.order in ("unix_s", "unix_ms", "serial"):
            numbers = np.concatenate(self._numbers) if self._numbers else np.zeros(0)
            scale = {"unix_s": 1.0, "unix_ms": 1e-3, "serial": 86_400.0}[self.order]
            with np.errstate(invalid="ignore", over="ignore"):
                seconds = np.round(numbers * scale - (25_569 * _DAY_S if self.order == "serial" else 0))
                good = (seconds >= _YEAR_START) & (seconds < _YEAR_END)
            naive = np.where(good, np.where(good, seconds, 0).astype(np.int64), NO_STAMP)
            offsets = None if self.order == "serial" else np.zeros(len(naive), dtype=np.int32)
            return Stamps(naive, offsets, self.order, True)
        parts = [read_date_parts(head) for head in self._heads]
        order, certain = (self.order, True) if self.order else decide_order(parts, today)
        numbers_ = [None if p is None else to_day_number(p, order) for p in parts]
        # An order settled by a person or by most dates may still meet a date which only fits the other way round;
        # such a line is rejected, never silently turned.
        days = np.array([NO_STAMP if n is None else n for n in numbers_], dtype=np.int64)
        ids = np.concatenate(self._head_ids) if self._head_ids else np.zeros(0, dtype=np.int32)
        tails = np.concatenate(self._tails) if self._tails else np.zeros(0, dtype=np.int64)
        if not len(ids):
            return Stamps(np.zeros(0, dtype=np.int64), None, order, certain)
        day = days[ids]
        good = (day != NO_STAMP) & (tails >= 0)
        naive = np.where(good, np.where(good, day, 0) * _DAY_S + tails // _SHIFT, NO_STAMP)
        offset = (tails % _SHIFT - _SHIFT // 2).astype(np.int32)
        has = offset != NO_OFFSET
        if not has[good].any():
            return Stamps(naive, None, order, certain)
        naive[~has] = NO_STAMP
        return Stamps(naive, offset, order, certain)


_YEAR_START = datetime(EARLIEST_YEAR, 1, 1).toordinal() * _DAY_S - 719_163 * _DAY_S  # noqa: DTZ001 (a day number)
_YEAR_END = (date(LATEST_YEAR, 12, 31).toordinal() + 1 - 719_163) * _DAY_S


def _numbers(texts: Sequence[str]) -> NDArray[np.float64]:
    try:
        return np.array([float(text) for text in texts], dtype=np.float64)
    except ValueError:
        return np.array([float(t) if re.fullmatch(r"\s*\d+(?:\.\d+)?\s*", t) else np.nan for t in texts])


def decide_order(parts: Sequence[DateParts | None], today: date) -> tuple[DateOrder, bool]:
    """Decide the order of day, month and year from all dates of a column, and say whether that is certain.

    First by which order gives real dates that are not ahead of ``today``; then by which one makes the days follow
    each other, because a file of readings goes through days and not through months.
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
        return best[2], True
    if best[0] != second[0]:
        return best[2], best[0] * 20 <= len(open_)
    return best[2], best[1] < second[1]
