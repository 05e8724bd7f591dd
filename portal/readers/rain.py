"""A rain gauge's daily series: two columns, a date and millimetres."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from datetime import date

from portal.readers.reading import ReadError, Rejected

MOST_ROWS = 40_000
"""Days (rows) of a century; more is not a daily series. A bound on the work, no source."""
MOST_MM_A_DAY = 2000.0
"""Above the wettest day on record (1,825 mm, Réunion 1966, WMO extremes archive; value from memory)."""


def read_rain(lines: Iterable[str]) -> tuple[dict[date, float], list[Rejected]]:
    """Read ``date,rain_mm`` lines (ISO dates, a header line allowed); a later line for a day wins.

    Parameters
    ----------
    lines
        The file's lines.

    Returns
    -------
    rain : dict
        Millimetres by day.
    rejected : list of Rejected
        Lines that are none.

    Raises
    ------
    ReadError
        When no line can be read, or there are far too many.

    Examples
    --------
    >>> read_rain(["date,rain_mm", "2026-05-31,4.2"])[0]
    {datetime.date(2026, 5, 31): 4.2}
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
