"""When the next cleaning is due."""

from __future__ import annotations

from datetime import date, timedelta

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
