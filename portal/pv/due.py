"""When a cleaning is due: the loss ahead as a band, the day on which a wash pays, and the calendar where readings fail.

The question is one of upkeep: dirt costs a little more every day, a wash costs its price, and rain may wash for nothing
tomorrow. Three questions answer it.

1. What this roof's own record says of the year: how fast dirt gathers in each season, how often something like rain
   takes it off, and how much of it (``read_year``).
2. The loss at which washing becomes cheaper than waiting, for each time of the year: backward induction over the year,
   again and again until it no longer changes (``best_routine``).
3. Many possible futures from today's loss, with its uncertainty and the rate's (``forecast``): their spread is the
   band, and the day by which most of them have reached the loss of the second is the day on which a cleaning is due.
"""

from __future__ import annotations

import calendar
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from enum import StrEnum

import pandas as pd

from portal.pv.forecast import MOST_LOSS, Forecast, Money, PresentLoss, forecast
from portal.pv.said import Code, Said
from portal.pv.worth import value_by_pentad
from portal.pv.year import YEAR_DAYS, SoilingYear, read_year

LEAST_RECORD_DAYS = 90
"""Days of a record below which the calendar speaks: a season. Common practice, no source."""
WIDEST_LOSS = 0.12
"""Where the present loss is less sure than this, from its lowest to its highest quantile, both ends are asked: only if
they give the same answer can the readings say. [fraction of clean yield] No source; a fifth either way changes no
advice on the made fleet."""
SAME_DAY = timedelta(days=60)
"""Two due dates no further apart than this are the same answer. [days] No source; a fifth either way changes no advice
on the made fleet."""
DAYS_A_MONTH = YEAR_DAYS / 12
"""Mean month [days], by definition."""


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


class Basis(StrEnum):
    """Which of the two spoke."""

    READINGS = "readings"
    CALENDAR = "calendar"


@dataclass(frozen=True)
class Due:
    """When the next cleaning is due, who says so, and whether it pays in money."""

    on: date | None
    basis: Basis
    pays: bool | None
    """None where the readings cannot say."""
    reasons: tuple[Said, ...]
    forecast: Forecast | None = field(default=None, repr=False)


@dataclass(frozen=True)
class Calendar:
    """The business's rule, and what it counts from.

    Parameters
    ----------
    every_months : int
        Months between two washes.
    last_cleaned : date or None
        Last known cleaning, or the installation; None where neither is known.
    last_not_due : date or None
        Last earlier day on which the readings could tell and said that no wash was due. They kept watch until then, so
        the calendar counts from it.
    """

    every_months: int
    last_cleaned: date | None
    last_not_due: date | None = None

    @property
    def due(self) -> date | None:
        """Day on which the rule asks for a wash; None where nothing is known that it could count from."""
        known = [day for day in (self.last_cleaned, self.last_not_due) if day is not None]
        return calendar_due(max(known), every_months=self.every_months) if known else None


def when_due(
    present: PresentLoss,
    money: Money,
    rule: Calendar,
    *,
    soiling_ratio: pd.Series[float],
    recoveries: Sequence[tuple[date, float]],
    stands_still: bool,
    currency: str,
) -> Due:
    """Say when the next cleaning is due: from the readings where they can tell, else by the calendar.

    Parameters
    ----------
    present : PresentLoss
        The loss on the last day of the readings, and the soiling rate.
    money : Money
        What output and a wash are worth.
    rule : Calendar
        The business's rule for roofs of which the readings cannot tell.
    soiling_ratio : pd.Series
        Fitted soiling ratio by date.
    recoveries : sequence of (date, float)
        Falls of the loss that nobody paid for, and what each gained.
    stands_still : bool
        Whether the panels make (almost) nothing now: off, or under snow.
    currency : str
        What the money is called in the reasons, such as USD.

    Returns
    -------
    Due
        With ``on`` None no wash is likely to pay within a year by the readings, or the calendar has nothing to count
        from.

    Notes
    -----
    What the readings call the roof is not asked, only how the present loss is distributed: under a string that is off,
    or after weeks without a clear day, it is as well known as its quantiles say.
    """
    if stands_still:
        return Due(None, Basis.READINGS, False, (Said(Code.STANDS_STILL),))
    silent = _cannot_say(present, soiling_ratio, money)
    if silent is None and present.rate_ci is not None:
        rate = max(0.0, (present.rate_ci[0] + present.rate_ci[1]) / 2)
        ahead, silent = _look_ahead(present, read_year(soiling_ratio, recoveries, rate_per_day=rate), money)
        if ahead is not None:
            return _by_readings(ahead, present.as_of, money.wash_price, currency)
    return _by_calendar(rule, present.as_of, money, currency, silent)


def _look_ahead(present: PresentLoss, year: SoilingYear, money: Money) -> tuple[Forecast | None, Said | None]:
    """The forecast, or why it cannot say: the loss is so unsure that its two ends give different advice."""
    low, high = present.quantiles[0], present.quantiles[-1]
    if high - low > WIDEST_LOSS:
        cleanest, dirtiest = (forecast(replace(present, quantiles=[end]), year, money) for end in (low, high))
        if not _agree(cleanest, dirtiest, money.wash_price):
            return None, Said(Code.LOSS_ANYWHERE, {"low": max(low, 0.0), "high": high})
    return forecast(present, year, money), None


def _by_calendar(rule: Calendar, as_of: date, money: Money, currency: str, silent: Said | None) -> Due:
    reasons = [silent] if silent else []
    if rule.due is not None:
        when = Code.CALENDAR_DUE_SINCE if rule.due < as_of else Code.CALENDAR_NEXT
        reasons.append(Said(when, {"every_months": rule.every_months, "due": rule.due.isoformat()}))
    pays, said = _by_what_is_known(money, currency)
    return Due(rule.due, Basis.CALENDAR, pays, (*reasons, said))


def _pays(ahead: Forecast, wash_price: float) -> bool:
    return ahead.pays_on is not None and ahead.saved >= wash_price


def _agree(one: Forecast, other: Forecast, wash_price: float) -> bool:
    """Whether two forecasts give the same advice: no wash in the coming year, or one at about the same time."""
    if one.pays_on is None or other.pays_on is None or not (_pays(one, wash_price) and _pays(other, wash_price)):
        return _pays(one, wash_price) == _pays(other, wash_price)
    return abs(one.pays_on - other.pays_on) <= SAME_DAY


def _by_readings(ahead: Forecast, as_of: date, wash_price: float, currency: str) -> Due:
    today = ahead.pays_on in (None, as_of)
    figures: dict[str, float | str] = {"wash_price": wash_price, "saved": ahead.saved, "currency": currency}
    if ahead.pays_on is not None and not today:
        figures["due"] = ahead.pays_on.isoformat()
    if not _pays(ahead, wash_price):
        code = Code.KEEPS_TOO_LITTLE_TODAY if today else Code.KEEPS_TOO_LITTLE
        return Due(None, Basis.READINGS, False, (Said(code, figures),), ahead)
    reasons = [Said(Code.CHEAPER_TODAY if today else Code.CHEAPER_FROM, figures)]
    if not math.isinf(ahead.interval_days):
        months = max(1, round(ahead.interval_days / DAYS_A_MONTH))
        reasons.append(Said(Code.IN_THE_LONG_RUN, {"every_months": months}))
    return Due(ahead.pays_on, Basis.READINGS, True, tuple(reasons), ahead)


def _by_what_is_known(money: Money, currency: str) -> tuple[bool | None, Said]:
    """Whether a wash pays where the loss is not known: False when hardly any loss could pay for it, else None."""
    if not money.known:
        return None, Said(Code.PAYS_UNKNOWN)
    a_year = float(value_by_pentad(money.clean_energy_wh, money.price_per_kwh).mean()) * YEAR_DAYS
    figures: dict[str, float | str] = {"wash_price": money.wash_price, "currency": currency}
    if money.wash_price >= MOST_LOSS * a_year:
        return False, Said(Code.PAYS_NEVER, figures | {"year_value": a_year})
    return None, Said(Code.PAYS_ABOVE, figures | {"loss": money.wash_price / a_year})


def _cannot_say(present: PresentLoss, soiling_ratio: pd.Series[float], money: Money) -> Said | None:
    """What the readings lack to tell when a wash is due; None when nothing."""
    if not present.known:
        return Said(Code.NO_ESTIMATE)
    if len(soiling_ratio.dropna()) < LEAST_RECORD_DAYS:
        return Said(Code.SHORT_RECORD, {"least_days": LEAST_RECORD_DAYS})
    if not money.known:
        return Said(Code.NO_VALUE)
    return None


DUE_LOSS = 0.05
"""Loss at which a cleaning is due where no price is known [fraction of clean yield]; common practice, no source."""


def day_of_due_loss(as_of: date, present_loss: float, rate_per_day: float) -> date | None:
    """Day on which the loss reaches :data:`DUE_LOSS` if no rain washes before; None when that is over a year away.

    For a site of which neither price nor tariff is known.

    Parameters
    ----------
    as_of : date
        The day the loss speaks of.
    present_loss : float
        [fraction of clean yield]
    rate_per_day : float
        Soiling rate [1/day].

    Returns
    -------
    date or None
        ``as_of`` when the loss is there already; None when it comes in over a year or never.

    Examples
    --------
    >>> day_of_due_loss(date(2024, 5, 1), 0.02, 0.001)
    datetime.date(2024, 5, 31)
    """
    if present_loss >= DUE_LOSS:
        return as_of
    if rate_per_day <= 0:
        return None
    days = round((DUE_LOSS - present_loss) / rate_per_day)
    return as_of + timedelta(days=days) if days <= 365 else None
