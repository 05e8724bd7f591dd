"""When a cleaning is due: the loss ahead as a band, the day on which a wash pays, and the calendar where readings fail.

The question is one of upkeep: dirt costs a little more every day, a wash costs its price, and rain may wash for nothing
tomorrow. Three questions answer it.

1. What this roof's own record says of the year: how fast dirt gathers in each season, how often something like rain
   takes it off, and how much of it (``read_year``).
2. The loss at which washing becomes cheaper than waiting, for each time of the year: backward induction over the year,
   again and again until it no longer changes (``best_routine``).
3. Many possible futures from today's loss, with its uncertainty and the rate's (``forecast``): their spread is the
   band, and the day by which half of them have reached the loss of the second is the day on which a cleaning is due.
"""

from __future__ import annotations

import calendar
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from enum import StrEnum

import pandas as pd

from portal.pv.forecast import MOST_LOSS, Forecast, Money, PresentLoss, forecast, value_by_pentad
from portal.pv.sentences import plain_percent
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
    reason: str
    forecast: Forecast | None = field(default=None, repr=False)


@dataclass(frozen=True)
class Calendar:
    """The business's rule, and what it counts from.

    Parameters
    ----------
    every_months : int
        Months between two washes.
    last_cleaned : date
        Last known cleaning, or the installation.
    last_not_due : date or None
        Last earlier day on which the readings could tell and said that no wash was due. They kept watch until then, so
        the calendar counts from it.
    """

    every_months: int
    last_cleaned: date
    last_not_due: date | None = None

    @property
    def due(self) -> date:
        """Day on which the rule asks for a wash."""
        counts_from = max(self.last_cleaned, self.last_not_due or self.last_cleaned)
        return calendar_due(counts_from, every_months=self.every_months)


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
        What the money is called in the reason, such as USD.

    Returns
    -------
    Due
        With ``basis`` readings and ``on`` None, no wash is likely to pay within a year.

    Notes
    -----
    What the readings call the roof is not asked, only how the present loss is distributed: under a string that is off,
    or after weeks without a clear day, it is as well known as its quantiles say.
    """
    if stands_still:
        reason = "The panels make almost nothing now. A wash gains nothing until that is over."
        return Due(None, Basis.READINGS, False, reason)
    silent = _cannot_say(present, soiling_ratio, money)
    if not silent and present.rate_ci is not None:
        rate = max(0.0, (present.rate_ci[0] + present.rate_ci[1]) / 2)
        ahead, silent = _look_ahead(present, read_year(soiling_ratio, recoveries, rate_per_day=rate), money)
        if ahead is not None:
            return _by_readings(ahead, present.as_of, money.wash_price, currency)
    return _by_calendar(rule, present.as_of, money, currency, silent)


def _look_ahead(present: PresentLoss, year: SoilingYear, money: Money) -> tuple[Forecast | None, str]:
    """The forecast, or why it cannot say: the loss is so unsure that its two ends give different advice."""
    low, high = present.quantiles[0], present.quantiles[-1]
    if high - low > WIDEST_LOSS:
        cleanest, dirtiest = (forecast(replace(present, quantiles=[end]), year, money) for end in (low, high))
        if not _agree(cleanest, dirtiest, money.wash_price):
            return None, f"The loss lies anywhere between {plain_percent(max(low, 0))} and {plain_percent(high)}."
    return forecast(present, year, money), ""


def _by_calendar(rule: Calendar, as_of: date, money: Money, currency: str, silent: str) -> Due:
    often = {1: "month", 12: "year"}.get(rule.every_months, f"{rule.every_months} months")
    when = f"due since {_day(rule.due)}" if rule.due < as_of else f"next about {_day(rule.due)}"
    pays, said = _by_what_is_known(money, currency)
    reason = f"{silent} So the calendar speaks: one wash every {often}, {when}. {said}"
    return Due(rule.due, Basis.CALENDAR, pays, reason)


def _pays(ahead: Forecast, wash_price: float) -> bool:
    return ahead.pays_on is not None and ahead.saved >= wash_price


def _agree(one: Forecast, other: Forecast, wash_price: float) -> bool:
    """Whether two forecasts give the same advice: no wash in the coming year, or one at about the same time."""
    if one.pays_on is None or other.pays_on is None or not (_pays(one, wash_price) and _pays(other, wash_price)):
        return _pays(one, wash_price) == _pays(other, wash_price)
    return abs(one.pays_on - other.pays_on) <= SAME_DAY


def _by_readings(ahead: Forecast, as_of: date, wash_price: float, currency: str) -> Due:
    when = "today" if ahead.pays_on in (None, as_of) else f"about {_day(ahead.pays_on)}"
    if not _pays(ahead, wash_price):
        reason = (
            f"A wash {when} ({wash_price:.0f} {currency}) would keep about {ahead.saved:.0f} {currency} in two years, "
            "beyond what rain does for nothing: in money alone no wash is likely to pay within the coming year."
        )
        return Due(None, Basis.READINGS, False, reason, ahead)
    often = "" if math.isinf(ahead.interval_days) else f" In the long run, about every {_months(ahead.interval_days)}."
    reason = (
        f"From {when} a wash ({wash_price:.0f} {currency}) is cheaper than waiting: it keeps about {ahead.saved:.0f} "
        f"{currency} in the two years after it, beyond what rain does for nothing.{often}"
    )
    return Due(ahead.pays_on, Basis.READINGS, True, reason, ahead)


def _by_what_is_known(money: Money, currency: str) -> tuple[bool | None, str]:
    """Whether a wash pays where the loss is not known: False when hardly any loss could pay for it, else None."""
    if not money.known:
        return None, "Whether it pays in money is not known."
    a_year = float(value_by_pentad(money.clean_energy_wh, money.price_per_kwh).mean()) * YEAR_DAYS
    if money.wash_price >= MOST_LOSS * a_year:
        return False, (
            f"In money alone it does not pay: it costs {money.wash_price:.0f} {currency}, and all that the panels make "
            f"in a year is worth about {a_year:.0f} {currency}."
        )
    return None, (
        f"It pays ({money.wash_price:.0f} {currency}) if it keeps more than about "
        f"{plain_percent(money.wash_price / a_year)} of a year's output; whether it does is not known."
    )


def _cannot_say(present: PresentLoss, soiling_ratio: pd.Series[float], money: Money) -> str:
    """What the readings lack to tell when a wash is due; empty when nothing."""
    if not present.known:
        return "The readings give no estimate of the loss."
    if len(soiling_ratio.dropna()) < LEAST_RECORD_DAYS:
        return f"The record is shorter than {LEAST_RECORD_DAYS} days."
    if not money.known:
        return "The value of a day's output is not known."
    return ""


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _months(days: float) -> str:
    months = max(1, round(days / 30.4))
    return "month" if months == 1 else f"{months} months"


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
