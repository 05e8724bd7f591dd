"""One date, one time of day, one stamp, as files write them."""

from __future__ import annotations

import re
from datetime import date
from typing import Literal

from portal.readers.figures import LONGEST_CELL
from portal.readers.mapping import DateOrder
from portal.readers.months import month_number
from portal.readers.weeks import day_of_week

EARLIEST_YEAR = 1990
LATEST_YEAR = 2099
"""Years within which a date is one of a reading: no roof has interval data from before. Common practice, no source."""
NO_OFFSET = -(2**19)
"""Seconds that stand for a stamp without an offset of its own; no zone has as many, by definition."""
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
    r"(\d{1,2}|[^\W\d_]+\.?)\s*[-/., ]\s*(?:de\s+)?(\d{1,4})\.?"
    r"|([^\W\d_]+)\.?\s+(\d{1,2})(?:st|nd|rd|th)?,?\s+(\d{4}))$"
)
_TIME = re.compile(
    r"^(\d{1,2})\s*(?:[:.hH]\s*(\d{2}))?(?:[:.]\s*(\d{2})(?:[.,](\d+))?)?\s*(?:([aApP])\.?\s?[mM]\.?)?"
    r"\s*(?:(?:UTC|GMT)?\s*([+\-−]\d{1,2}(?::?\d{2})?)|\(?([A-Za-z]{1,5})\)?)?"
    r"(?:\s*\([A-Za-z ]{2,30}\))?(?:\s*(?:-|–|—|/|to|bis|until|à|a)\s*\d+[-/.:h].*)?$"
)
RANGE = re.compile(r"^(\d{1,2}[:.]\d{2})\s*[-–—]\s*\d{1,2}[:.]\d{2}$")
"""The begin and the end of an interval."""
_PLAIN = str.maketrans(
    dict.fromkeys("\u00a0\u202f\u2009\u2007\u3000日秒", " ")
    | dict.fromkeys("年月", "-")
    | dict.fromkeys("时時点點", ":")
)
"""Blanks of other widths, and the marks for year, month, day, hour and second in Chinese and Japanese."""
_MINUTE = re.compile(r"分(\d?)")
_REIGN = re.compile(r"令和\s?(\d{1,2})年")
"""A year of the present Japanese reign, which began in 2019."""
_HALVES = {"am": "오전|上午|午前|πμ|π\\.μ\\.|ص", "pm": "오후|下午|午後|μμ|μ\\.μ\\.|م"}
_HALF = [
    (re.compile(rf"(?:{words})\s?(\d{{1,2}}:\d{{2}}(?::\d{{2}})?)|(?<=\d)\s?(?:{words})\s*$"), half)
    for half, words in _HALVES.items()
]
"""Before and after noon, as written before the time or behind it."""
BUDDHIST = 543
"""Years by which the Thai calendar is ahead, by definition."""
_WORDS = r"(?:à|às|as|a las|alle ore|alle|ore|um|at|kl\.?|klo|om|o)"
_WORD_BEFORE, _WORD_AFTER = re.compile(rf"\s+{_WORDS}$", re.I), re.compile(rf"^{_WORDS}\s+", re.I)
"""What people write between a date and a time."""
_UNIX_FRACTION = re.compile(r"^\d{10}\.\d{1,9}$")
_COMPACT_TIME = re.compile(r"^T?(\d{2})(\d{2})(\d{2})?(Z|[+-]\d{2}:?\d{2})?$")
_TIME_FIRST = re.compile(r"^(\d{1,2}:\d{2}(?::\d{2})?(?:\.\d+)?(?:\s*[aApP]\.?[mM]\.?)?)[\s,]+(\d.*|[A-Za-z].*\d{4})$")
DateParts = tuple[int, int, int, Literal["ymd", "dmy", "either"]]


def _plain(text: str) -> str:
    """Write the marks and words of other scripts in a stamp as Latin ones."""
    if text.isascii():
        return text
    text = _REIGN.sub(lambda year: f"{2018 + int(year[1])}年", text).translate(_PLAIN)
    text = _MINUTE.sub(lambda behind: f":{behind[1]}" if behind[1] else " ", text)
    for pattern, half in _HALF:
        text = pattern.sub(rf"\g<1> {half}", text)
    return text.strip()


def read_date_parts(text: str) -> DateParts | None:
    """Split a date into its three numbers; the last element says what order the text itself shows.

    Parameters
    ----------
    text
        The date.

    Returns
    -------
    tuple or None
        Three numbers, and "ymd" when they are year, month and day, "either" when their order is open.

    Examples
    --------
    >>> read_date_parts("3. Mai 2024"), read_date_parts("3/4/2024")
    ((2024, 5, 3, 'ymd'), (3, 4, 2024, 'either'))
    >>> read_date_parts("2024/5/1")
    (2024, 5, 1, 'ymd')
    """
    text = _plain(text).strip() if len(text) <= LONGEST_CELL else ""
    if by_week := day_of_week(text):
        return by_week.year, by_week.month, by_week.day, "ymd"
    match = _DATE.match(text)
    if match is None:
        return None
    y4, m2, d2, first, middle, last, name, name_day, name_year = match.groups()
    if any(year and len(year) == 4 and int(year) < 100 for year in (y4, first, last, name_year)):
        return None
    if y4:
        return int(y4), int(m2), int(d2), "ymd"
    if name:
        month = month_number(name)
        return (int(name_year), month, int(name_day), "ymd") if month else None
    if middle[0].isdigit():
        if len(first) > 2:
            return (int(first), int(middle), int(last), "ymd") if len(last) <= 2 and len(first) == 4 else None
        return (int(first), int(middle), int(last), "either") if len(last) in (2, 4) else None
    month = month_number(middle)
    if month is None:
        return None
    if len(first) == 4:
        return (int(first), month, int(last), "ymd") if len(last) <= 2 else None
    if len(last) not in (2, 4):
        return None
    return int(last) if len(last) == 4 else 2000 + int(last), month, int(first), "ymd"


def to_day_number(parts: DateParts, order: DateOrder) -> int | None:
    """Return days since 1970-01-01, None when there is no such date under ``order`` or the year is out of reach.

    Parameters
    ----------
    parts
        What ``read_date_parts`` gave.
    order
        Order of day, month and year where the parts leave it open.

    Returns
    -------
    int or None
        Days since 1970.

    Examples
    --------
    >>> to_day_number((3, 4, 2024, "either"), "dmy") - to_day_number((3, 4, 2024, "either"), "mdy")
    30
    """
    a, b, c, shown = parts
    if shown == "ymd" or order == "ymd":
        year, month, day = a, b, c
    elif order == "mdy":
        month, day, year = a, b, c
    else:
        day, month, year = a, b, c
    if year < 100:
        year += 2000
    if EARLIEST_YEAR <= year - BUDDHIST <= LATEST_YEAR:
        year -= BUDDHIST
    if not EARLIEST_YEAR <= year <= LATEST_YEAR:
        return None
    try:
        return date(year, month, day).toordinal() - 719_163
    except ValueError:
        return None


def read_time(text: str) -> tuple[int, int] | None:
    """Return seconds since midnight (24:00 is 86,400) and the stamp's own offset in seconds, or ``NO_OFFSET``.

    Parameters
    ----------
    text
        The time of day; "" is midnight.

    Returns
    -------
    tuple or None
        Seconds since midnight, and the offset from UTC [s].

    Examples
    --------
    >>> read_time("12:15+02:00"), read_time("noon")
    ((44100, 7200), None)
    """
    text = _plain(text.strip()).removesuffix("Uhr").rstrip()
    if not text:
        return 0, NO_OFFSET
    if len(text) > LONGEST_CELL:
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
    offset = _offset_s(zone, name)
    if offset is None:
        if not RANGE.match(text):
            return None
        offset = NO_OFFSET
    if h > 24 or m > 59 or s > 60 or (h == 24 and (m or s)):
        return None
    return h * 3600 + m * 60 + s, offset


def _offset_s(zone: str | None, name: str | None) -> int | None:
    """Return the offset that a stamp shows as figures or as a zone's name, None where there is no such offset."""
    if zone:
        digits = zone[1:].replace(":", "")
        hours = digits[:1] if len(digits) == 3 else digits[:2]
        minutes = int(hours) * 60 + int(digits[len(hours) :] or 0)
        return minutes * 60 * (1 if zone[0] == "+" else -1) if minutes <= 14 * 60 else None
    if name:
        of_zone = _ZONES.get(name.lower())
        return None if of_zone is None else of_zone * 60
    return NO_OFFSET


def split_stamp(text: str) -> tuple[str, str]:
    """Split a stamp into its date and its time.

    Parameters
    ----------
    text
        The stamp.

    Returns
    -------
    date : str
        What tells the day.
    time : str
        What tells the time of day, "" for none.

    Examples
    --------
    >>> split_stamp("2024-05-03T12:15:00Z")
    ('2024-05-03', '12:15:00Z')
    >>> split_stamp("01/05/2024 à 14:30")
    ('01/05/2024', '14:30')
    """
    text = text.strip()
    if len(text) > LONGEST_CELL:
        return text, ""
    text = _plain(text)
    colon = text.find(":")
    if colon > 2:
        cut = colon - 2 if text[colon - 2].isdigit() else colon - 1
        head = text[:cut].rstrip(" T,;_-")
        return (_WORD_BEFORE.sub("", head) if head[-1:].isalpha() or head[-1:] == "." else head), text[cut:]
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
            return head, _WORD_AFTER.sub("", tail) if tail[0].isalpha() else tail
    return text, ""


_OFFSET = re.compile(r"(?:UTC|GMT)?\s*([+\-−]\d{1,2}(?::?\d{2})?)(?:\s*h)?|UTC|GMT|Z", re.I)


def is_offset(cell: str) -> bool:
    """Say whether a cell tells how far a stamp is ahead of UTC.

    Parameters
    ----------
    cell
        The cell.

    Returns
    -------
    bool
        True for hours with a sign, or the name of UTC.

    Examples
    --------
    >>> is_offset("UTC+02:00"), is_offset("-5"), is_offset("2.5")
    (True, True, False)
    """
    return len(cell) <= LONGEST_CELL and _OFFSET.fullmatch(cell.strip()) is not None


def with_offset(stamp: str, cell: str) -> str:
    """Return a stamp with the offset of another cell behind it.

    Parameters
    ----------
    stamp
        The stamp, or its time of day.
    cell
        The offset.

    Returns
    -------
    str
        One text.

    Examples
    --------
    >>> with_offset("12:15", "UTC+2")
    '12:15 +2'
    """
    found = _OFFSET.fullmatch(cell.strip()) if len(cell) <= LONGEST_CELL else None
    return f"{stamp.strip()} {(found[1] or '+00:00') if found else cell}" if stamp.strip() else stamp


StampKind = Literal["datetime", "date", "time", "unix_s", "unix_ms", "serial"]


def kind_of_stamp(text: str) -> StampKind | None:
    """Say what kind of stamp a cell looks like, None when it is no stamp.

    Parameters
    ----------
    text
        The cell.

    Returns
    -------
    StampKind or None
        "datetime", "date", "time", "unix_s" or "unix_ms".

    Examples
    --------
    >>> [kind_of_stamp(text) for text in ("3/4/2024 12:15", "2024-04-03", "12:15", "1720000000", "0.125")]
    ['datetime', 'date', 'time', 'unix_s', None]
    """
    text = text.strip()
    if not text or not any(ch.isdigit() for ch in text) or len(text) > LONGEST_CELL:
        return None
    text = _plain(text)
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
