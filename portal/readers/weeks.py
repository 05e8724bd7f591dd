"""Days as ISO 8601 writes them by their week."""

from __future__ import annotations

import re
from datetime import date

_DAY = re.compile(r"(\d{4})-?W(\d{2})-?([1-7])", re.ASCII)


def day_of_week(text: str) -> date | None:
    """Return the day that its year, its week and its place in the week tell.

    Parameters
    ----------
    text
        The day.

    Returns
    -------
    date or None
        None for another text, and for a week that the year does not have.

    Examples
    --------
    >>> day_of_week("2024-W18-3"), day_of_week("2024W99-1")
    (datetime.date(2024, 5, 1), None)
    """
    found = _DAY.fullmatch(text)
    try:
        return date.fromisocalendar(*map(int, found.groups())) if found else None
    except ValueError:
        return None
