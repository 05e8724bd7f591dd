"""A rain gauge's daily series: two columns, a date and millimetres."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from datetime import date

from portal.readers.reading import ReadError, Rejected

MOST_ROWS = 40_000
"""A century of days; more is not a daily series."""
MOST_MM_A_DAY = 2000.0
"""Above the wettest day on record (1,825 mm, Réunion 1966, WMO extremes archive; value from memory)."""


def read_rain(lines: Iterable[str]) -> tuple[dict[date, float], list[Rejected]]:
    """Read ``date,rain_mm`` lines (ISO dates, a header line allowed); a later line for a day wins.

    Raises
    ------
    ReadError
        When no line can be read, or there are far too many.
    """
    rain: dict[date, float] = {}
    rejected: list[Rejected] = []
    for number, row in enumerate(csv.reader(lines), start=1):
        if number > MOST_ROWS:
            raise ReadError(f"The file has more than {MOST_ROWS} lines. Send one line a day: date,rain_mm.")
        text = ",".join(row)
        if not text.strip() or (number == 1 and "date" in text.lower()):
            continue
        try:
            day = date.fromisoformat(row[0].strip())
            millimetres = float(row[1])
        except (ValueError, IndexError):
            rejected.append(Rejected(number, text[:200], "not a date such as 2026-05-31 and a number of millimetres"))
            continue
        if not (math.isfinite(millimetres) and 0 <= millimetres <= MOST_MM_A_DAY):
            rejected.append(Rejected(number, text[:200], "no possible rainfall of a day in millimetres"))
            continue
        rain[day] = millimetres
    if not rain:
        raise ReadError(
            "No line of this file is a day's rain. Send a CSV with the columns date and rain_mm, "
            "for example: 2026-05-31,4.2"
        )
    return rain, rejected
