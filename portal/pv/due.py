"""When a cleaning is due: forecast of the loss, the date on which a wash pays, and the calendar where readings fail."""

from __future__ import annotations

import calendar
from datetime import date, timedelta


def calendar_due(last: date, *, every_months: int) -> date:
    """Add ``every_months`` calendar months to the last cleaning.

    Parameters
    ----------
    last : date
        Day of the last known cleaning, or of the installation.
    every_months : int
        The business's rule. Once or twice a year is common practice, no source.

    Returns
    -------
    date
        The same day of the later month; its last day where the month is shorter.

    Raises
    ------
    ValueError
        When ``every_months`` is below 1.

    Examples
    --------
    >>> calendar_due(date(2025, 8, 31), every_months=6)
    datetime.date(2026, 2, 28)
    """
    if every_months < 1:
        raise ValueError(f"every_months is {every_months}; a calendar rule needs at least 1")
    year, month = divmod(last.year * 12 + last.month - 1 + every_months, 12)
    return date(year, month + 1, min(last.day, calendar.monthrange(year, month + 1)[1]))


DUE_LOSS = 0.05
"""Loss at which a cleaning is due; common practice, no source."""


def clean_due(as_of: date, present_loss: float, rate_per_day: float) -> date | None:
    """Day on which the loss reaches :data:`DUE_LOSS` if no rain washes before; None when that is over a year away.

    Examples
    --------
    >>> clean_due(date(2024, 5, 1), 0.02, 0.001)
    datetime.date(2024, 5, 31)
    """
    if present_loss >= DUE_LOSS:
        return as_of
    if rate_per_day <= 0:
        return None
    days = round((DUE_LOSS - present_loss) / rate_per_day)
    return as_of + timedelta(days=days) if days <= 365 else None
