"""When a cleaning is due: the loss ahead as a band, the day on which a wash pays, and the calendar where readings fail.

The question is one of upkeep: dirt costs a little more every day, a wash costs its price, and rain may wash for nothing
tomorrow. Three steps answer it.

1. What this roof's own record says of the year: how fast dirt gathers in each season, how often something like rain
   takes it off, and how much of it (``read_year``).
2. The loss at which washing becomes cheaper than waiting, for each time of the year: backward induction over the year,
   again and again until it no longer changes (``best_routine``).
3. Many possible futures from today's loss, with its uncertainty and the rate's (``forecast``): their spread is the
   band, and the day by which half of them have reached the loss of step 2 is the day on which a cleaning is due.
"""

from __future__ import annotations

import calendar
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.sentences import percent

Floats = npt.NDArray[np.float64]

STEP_DAYS = 5
STEPS = 73
"""A year in steps of five days."""
YEAR_DAYS = 365
MOST_LOSS = 0.5
"""Loss above which dirt is not followed further; roofs that dirty are due whatever the model says."""
FUTURES = 240
SAVED_STEPS = 2 * STEPS
HORIZON = STEPS + SAVED_STEPS
LEAST_RECORD_DAYS = 90
WIDEST_LOSS = 0.12
"""Where the present loss is less sure than this, from its lowest to its highest quantile, both ends are asked: only if
they give the same answer can the readings say."""
SAME_DAY = timedelta(days=60)
"""Two due dates no further apart than this are the same answer."""
SEASON_HALF_WIDTH = 45
"""Days either side of a day of the year whose record speaks for it."""
DIRTY = 0.015
"""Loss from which on a recovery could have been seen at all."""
PRIOR_RAIN_PER_DAY = 1 / 90
PRIOR_RAIN_DAYS = 30.0
PRIOR_KEPT = 0.4
"""Where the record is silent: a wash by rain every three months that leaves two fifths of the dirt, weighing as much as
30 days of record. Common practice, no source."""


def best_interval_days(rate_per_day: float, value_per_day: float, price: float) -> float:
    r"""Interval between cleanings that costs least in the long run, for steady soiling and no rain.

    Parameters
    ----------
    rate_per_day : float
        Soiling rate r: loss gathered a day [1/day].
    value_per_day : float
        Value V of a day's clean yield [money/day].
    price : float
        Price C of one cleaning [money].

    Returns
    -------
    float
        Interval T [days]; infinite when nothing is gathered or lost.

    Raises
    ------
    ValueError
        When an argument is negative.

    Notes
    -----
    After a wash the loss grows as r t, so the value lost over an interval T is the integral of r t V from 0 to T, which
    is r V T² / 2. Each interval also costs one wash, so the cost per day is

        g(T) = C / T + r V T / 2.

    Its slope −C / T² + r V / 2 vanishes at T = √(2 C / (r V)), and there it has its only minimum, since the second
    derivative 2 C / T³ is positive. At the minimum both halves are equal, g = √(2 C r V), and the value lost on the
    last day, r T V, is the same figure: wash when a day's loss costs what a day costs on average. This is the
    economic order quantity (F. W. Harris, "How many parts to make at once", 1913) with dirt in the place of stock.

    Examples
    --------
    0.1 % a day, 10 kWh a day at 0.30, a wash at 150: √(300 / 0.003) days.

    >>> round(best_interval_days(0.001, 3.0, 150.0), 1)
    316.2
    """
    if rate_per_day < 0 or value_per_day < 0 or price < 0:
        raise ValueError("rate, value and price cannot be negative")
    if rate_per_day == 0 or value_per_day == 0:
        return math.inf
    return math.sqrt(2 * price / (rate_per_day * value_per_day))


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


@dataclass(frozen=True)
class SoilingYear:
    """What a year does to a roof, in steps of five days from 1 January.

    Parameters
    ----------
    rate_per_day : array, shape (73,)
        Loss gathered a day [1/day].
    rain_per_day : array, shape (73,)
        Chance a day that something like rain takes dirt off.
    kept : array, shape (k,)
        Shares of the dirt that such rains leave, equally likely.
    """

    rate_per_day: Floats
    rain_per_day: Floats
    kept: Floats


def step_of(day: date) -> int:
    """Index of a day's five-day step of the year.

    Examples
    --------
    >>> step_of(date(2024, 1, 1)), step_of(date(2024, 12, 31))
    (0, 72)
    """
    return min((day.timetuple().tm_yday - 1) // STEP_DAYS, STEPS - 1)


def read_year(
    soiling_ratio: pd.Series[float], recoveries: Sequence[tuple[date, float]], *, rate_per_day: float
) -> SoilingYear:
    """Read from the record what each time of the year does to the roof.

    Parameters
    ----------
    soiling_ratio : pd.Series
        Fitted soiling ratio by date, 1 is clean; NaN days are left out.
    recoveries : sequence of (date, float)
        Falls of the loss that nobody paid for, with the share of the clean yield each gained.
    rate_per_day : float
        The roof's soiling rate [1/day]; the seasons are scaled to it.

    Returns
    -------
    SoilingYear

    Notes
    -----
    A season's figure is the record's within 45 days of it, drawn towards the whole record's: with one year of readings
    every season has been seen once, and once is little. Rain is counted over days on which there was dirt to take off.

    Rains that take little each are not seen one by one. But dirt does not vanish: over a year or more, what gathered
    (the rate times the days) less what is on the roof now, less what paid washes took, went with rain. A chance p a day
    that leaves the share k takes p (1 − k) times the mean loss a day, which gives p. Where rains come evenly spaced the
    loss they meet is twice the mean, so only a count under half of that p is raised to it.
    """
    ratio = soiling_ratio.dropna()
    dates = [pd.Timestamp(day).date() for day in ratio.index]
    of_year = np.array([day.timetuple().tm_yday for day in dates], dtype=np.int64)
    loss = 1.0 - ratio.to_numpy(dtype=np.float64)
    middles: Floats = np.arange(STEPS, dtype=np.float64) * STEP_DAYS + STEP_DAYS / 2
    near = _near(of_year, middles)

    gathered = np.clip(np.diff(loss, prepend=loss[:1]), 0.0, 0.02)
    whole = float(gathered.mean()) if gathered.size else 0.0
    if whole > 0:
        seasonal = (near @ gathered + 60 * whole) / (near.sum(axis=1) + 60)
        rates = rate_per_day * seasonal / seasonal.mean()
    else:
        rates = np.full(STEPS, max(rate_per_day, 0.0))

    at = {day: number for number, day in enumerate(dates)}
    rains = [(at[day], gain) for day, gain in recoveries if day in at and gain > 0]
    before = [max(loss[max(number - 3, 0) : number + 1].max(), gain) for number, gain in rains]
    kept = [PRIOR_KEPT, *(1.0 - min(1.0, gain / dirt) for (_, gain), dirt in zip(rains, before, strict=True))]
    dirty = (loss > DIRTY).astype(np.float64)
    rained = np.zeros(len(dates))
    for (number, _), dirt in zip(rains, before, strict=True):
        rained[number] += dirt > DIRTY
    overall = (rained.sum() + PRIOR_RAIN_PER_DAY * PRIOR_RAIN_DAYS) / (dirty.sum() + PRIOR_RAIN_DAYS)
    chance = (near @ rained + 60 * overall) / (near @ dirty + 60)
    unseen = _rain_by_balance(loss, sum(gain for _, gain in rains), rate_per_day, float(np.mean(kept)))
    chance *= max(1.0, unseen / 2 / overall)
    return SoilingYear(np.maximum(rates, 0.0), np.clip(chance, 0.0, 0.5), np.quantile(kept, np.linspace(0.1, 0.9, 5)))


def _rain_by_balance(loss: npt.NDArray[np.floating], gained: float, rate_per_day: float, kept: float) -> float:
    """Chance of rain a day that makes the dirt of the record add up."""
    if len(loss) < YEAR_DAYS or kept >= 1.0:
        return 0.0
    change = np.diff(loss)
    paid = max(0.0, float(-change[change < 0].sum()) - gained)
    went = rate_per_day * len(change) - float(loss[-1] - loss[0]) - paid
    return max(0.0, went) / len(change) / (max(float(loss.mean()), 0.002) * (1.0 - kept))


def _near(of_year: npt.NDArray[np.int64], middles: Floats) -> Floats:
    """Which days of the record speak for which step, shape (73, days), as 0 and 1."""
    apart = np.abs(middles[:, None] - of_year[None, :])
    near: Floats = (np.minimum(apart, YEAR_DAYS - apart) <= SEASON_HALF_WIDTH).astype(np.float64)
    return near


def best_routine(year: SoilingYear, value_per_day: Floats, price: float) -> Floats:
    """Loss from which on a wash is cheaper than waiting, for each step of the year.

    Parameters
    ----------
    year : SoilingYear
    value_per_day : array, shape (73,)
        Value of a day's clean yield in each step [money/day].
    price : float
        Price of one cleaning [money], above 0.

    Returns
    -------
    array, shape (73,)
        Loss; infinite where no loss is worth a wash.

    Raises
    ------
    ValueError
        When the price is not above 0 or a value is not finite.

    Notes
    -----
    Backward induction (Bellman 1957): with J the least cost from here to the end, at loss x

        J(x) = min(W(x), C + W(0)),
        W(x) = days · V · (x + r · days / 2) + (1 − p) J'(x + r · days) + p · mean over k of J'(k (x + r · days)),

    V the value of a day, r the rate, p the chance of rain in the step, k the share rain leaves, J' the cost one step
    later. Years are added in front until the loss at which both are equal no longer moves in any season.
    """
    if not price > 0:
        raise ValueError(f"price is {price}; a wash must cost something")
    if not np.isfinite(value_per_day).all():
        raise ValueError("value_per_day has gaps; without the value of a day nothing pays or fails to")
    losses = np.linspace(0.0, MOST_LOSS, 101)
    grown = losses + year.rate_per_day[:, None] * STEP_DAYS
    lost = value_per_day[:, None] * STEP_DAYS * (losses + year.rate_per_day[:, None] * STEP_DAYS / 2)
    dry = (1.0 - year.rain_per_day) ** STEP_DAYS
    after_rain = (year.kept[None, :, None] * grown[:, None, :]).reshape(STEPS, -1)
    ahead = np.zeros_like(losses)
    limits = np.full(STEPS, np.inf)
    for _ in range(15):
        previous = limits.copy()
        for step in range(STEPS - 1, -1, -1):
            wet = np.interp(after_rain[step], losses, ahead).reshape(len(year.kept), -1).mean(axis=0)
            wait = lost[step] + dry[step] * np.interp(grown[step], losses, ahead) + (1 - dry[step]) * wet
            washed = price + wait[0]
            dear = wait > washed
            limits[step] = np.interp(washed, wait, losses) if dear[-1] else np.inf
            ahead = np.minimum(wait, washed)
        ahead -= ahead.min()
        moved = np.abs(np.nan_to_num(limits, posinf=1.0) - np.nan_to_num(previous, posinf=1.0)).max()
        if moved < 0.001:
            break
    return limits


@dataclass(frozen=True)
class Forecast:
    """What lies ahead if nobody washes, and when a wash pays.

    ``ahead`` has a row every five days with ``loss_low``, ``loss``, ``loss_high`` (fractions of clean yield) and
    ``value_low``, ``value``, ``value_high`` (money lost a day): the middle, and the band of 9 in 10 futures.
    """

    pays_on: date | None
    """The day by which half of the futures have reached the loss at which a wash is cheaper; None within a year."""
    saved: float
    """Money a wash on that day (or today) keeps in the two years after it, beyond what rain does for nothing."""
    interval_days: float
    """Mean days between washes under the best routine; infinite when none is ever due."""
    ahead: pd.DataFrame = field(repr=False)


def forecast(
    *,
    as_of: date,
    loss_quantiles: Sequence[float],
    rate_ci: tuple[float, float],
    year: SoilingYear,
    clean_energy_wh: pd.Series[float],
    price_per_kwh: float,
    price: float,
    months: int = 6,
    seed: int = 0,
) -> Forecast:
    """Follow many possible futures from today's loss.

    Parameters
    ----------
    as_of : date
        The last day the loss speaks of.
    loss_quantiles : sequence of float
        Quantiles of the present loss at evenly spaced levels (0.05, 0.15 … 0.95 for ten).
    rate_ci : (float, float)
        90 % interval of the soiling rate [1/day].
    year : SoilingYear
        What each time of the year does to the roof; its rates are those of the middle of ``rate_ci``.
    clean_energy_wh : pd.Series
        Clean yield of a day [Wh] by date, over the year after ``as_of``, every day or some days; taken to come again
        each year.
    price_per_kwh, price : float
        Value of a kWh and price of one cleaning [money].
    months : int
        Length of the band.
    seed : int
        The futures are drawn from it: the same input gives the same answer.

    Returns
    -------
    Forecast

    Raises
    ------
    ValueError
        When there are no quantiles, energies are missing, or the price is not above 0.
    """
    if not len(loss_quantiles):
        raise ValueError("there is no estimate of the present loss to start from")
    value = value_by_step(clean_energy_wh, price_per_kwh)
    limits = best_routine(year, value, price)
    draw = np.random.default_rng(seed)
    ahead_days = [as_of + timedelta(days=STEP_DAYS * number) for number in range(1, HORIZON + 1)]
    steps = np.array([step_of(day) for day in ahead_days])
    levels = (np.arange(len(loss_quantiles)) + 0.5) / len(loss_quantiles)
    start = np.interp(draw.uniform(size=FUTURES), levels, np.asarray(loss_quantiles, dtype=np.float64))
    middle, sd = (rate_ci[0] + rate_ci[1]) / 2, (rate_ci[1] - rate_ci[0]) / (2 * 1.645)
    speed = np.clip(draw.normal(1.0, sd / max(middle, 1e-9), FUTURES), 0.0, 3.0)
    kept = _kept(year, steps, draw)

    loss = np.clip(start, 0.0, MOST_LOSS)
    never = HORIZON + 1
    reached = np.where(loss >= limits[step_of(as_of)], 0, never)
    owed, saved = np.where(reached == 0, loss, 0.0), np.zeros(FUTURES)
    owed_today, saved_today = loss.copy(), np.zeros(FUTURES)
    losses = np.empty((HORIZON, FUTURES))
    for number, step in enumerate(steps):
        # the difference a wash made melts with every rain, which would have taken that dirt for nothing
        running = (reached <= number) & (number < reached + SAVED_STEPS)
        saved += np.where(running, owed, 0.0) * value[step] * STEP_DAYS
        if number < SAVED_STEPS:
            saved_today += owed_today * value[step] * STEP_DAYS
        owed *= kept[number]
        owed_today *= kept[number]
        loss = np.minimum(loss + year.rate_per_day[step] * STEP_DAYS * speed, MOST_LOSS) * kept[number]
        losses[number] = loss
        now = (reached == never) & (loss >= limits[step])
        reached[now], owed[now] = number + 1, loss[now]
    half = int(np.sort(reached)[FUTURES // 2])
    pays_on = as_of + timedelta(days=STEP_DAYS * half) if half <= STEPS else None
    length = round(months * STEPS / 12)
    spread = np.quantile(losses[:length], [0.05, 0.5, 0.95], axis=1)
    columns = {"loss_low": spread[0], "loss": spread[1], "loss_high": spread[2]}
    columns |= {name.replace("loss", "value"): column * value[steps[:length]] for name, column in columns.items()}
    return Forecast(
        pays_on,
        float(saved_today.mean() if pays_on is None else saved[reached <= STEPS].mean()),
        _mean_interval(year, limits, draw),
        pd.DataFrame(columns, index=pd.Index(ahead_days[:length], dtype=object)),
    )


def value_by_step(clean_energy_wh: pd.Series[float], price_per_kwh: float) -> Floats:
    """Value of a day's clean yield [money/day] in each step of the year, shape (73,), from some days' yields.

    Raises
    ------
    ValueError
        When a yield is missing.
    """
    energy = clean_energy_wh.to_numpy(dtype=np.float64)
    if not energy.size or not np.isfinite(energy).all():
        raise ValueError("clean_energy_wh is empty or has gaps; without the value of a day nothing pays or fails to")
    at = np.array([pd.Timestamp(day).timetuple().tm_yday for day in clean_energy_wh.index], dtype=np.float64)
    order = np.argsort(at)
    middles = np.arange(STEPS) * STEP_DAYS + (STEP_DAYS + 1) / 2
    by_step: Floats = np.interp(middles, at[order], energy[order], period=YEAR_DAYS + 0.25)
    return by_step / 1000 * price_per_kwh


def _kept(year: SoilingYear, steps: npt.NDArray[np.int64], draw: np.random.Generator) -> Floats:
    """Share of the dirt that stays through each step of each future: 1 where it does not rain."""
    wet = 1.0 - (1.0 - year.rain_per_day[steps]) ** STEP_DAYS
    size = (len(steps), FUTURES)
    drawn: Floats = year.kept[draw.integers(len(year.kept), size=size)]
    return np.where(draw.uniform(size=size) < wet[:, None], drawn, 1.0)


def _mean_interval(year: SoilingYear, limits: Floats, draw: np.random.Generator, *, years: int = 6) -> float:
    """Mean days between washes when the routine is followed, from roofs that start clean."""
    if np.isinf(limits).all():
        return math.inf
    steps = np.arange(years * STEPS) % STEPS
    kept = _kept(year, steps, draw)
    loss, washes, last = np.zeros(FUTURES), np.zeros(FUTURES), np.zeros(FUTURES)
    for number, step in enumerate(steps):
        loss = (loss + year.rate_per_day[step] * STEP_DAYS) * kept[number]
        due = loss >= limits[step]
        washes += due
        last[due] = number + 1
        loss[due] = 0.0
    return float(last.sum() * STEP_DAYS / washes.sum()) if washes.sum() >= FUTURES else math.inf


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


def when_due(
    *,
    as_of: date,
    loss_quantiles: Sequence[float],
    rate_ci: tuple[float, float] | None,
    soiling_ratio: pd.Series[float],
    recoveries: Sequence[tuple[date, float]],
    clean_energy_wh: pd.Series[float],
    price_per_kwh: float,
    price: float,
    last_cleaned: date,
    last_not_due: date | None,
    stands_still: bool,
    every_months: int,
    currency: str,
) -> Due:
    """Say when the next cleaning is due: from the readings where they can tell, else by the calendar.

    Parameters
    ----------
    as_of : date
        The last day of the readings, or today.
    loss_quantiles : sequence of float
        Quantiles of the present loss at evenly spaced levels; empty without an estimate.
    rate_ci : (float, float) or None
        90 % interval of the soiling rate [1/day].
    soiling_ratio : pd.Series
        Fitted soiling ratio by date.
    recoveries : sequence of (date, float)
        Falls of the loss that nobody paid for, and what each gained.
    clean_energy_wh : pd.Series
        Clean yield of a day [Wh] by date over the year ahead; NaN where unknown.
    price_per_kwh, price : float
        Value of a kWh and price of one cleaning [money].
    last_cleaned : date
        Last known cleaning, or the installation.
    last_not_due : date or None
        Last earlier day on which the readings could tell and said that no wash was due. They kept watch until then, so
        the calendar counts from it.
    stands_still : bool
        Whether the panels make (almost) nothing now: off, or under snow.
    every_months : int
        The business's calendar rule.
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
    silent = _cannot_say(loss_quantiles, rate_ci, soiling_ratio, clean_energy_wh)
    if not silent and rate_ci is not None:
        year = read_year(soiling_ratio, recoveries, rate_per_day=max(0.0, (rate_ci[0] + rate_ci[1]) / 2))

        def ahead_of(quantiles: Sequence[float]) -> Forecast:
            return forecast(
                as_of=as_of,
                loss_quantiles=quantiles,
                rate_ci=rate_ci,
                year=year,
                clean_energy_wh=clean_energy_wh,
                price_per_kwh=price_per_kwh,
                price=price,
            )

        low, high = loss_quantiles[0], loss_quantiles[-1]
        if high - low <= WIDEST_LOSS or _agree(ahead_of([low]), ahead_of([high]), price):
            return _by_readings(ahead_of(loss_quantiles), as_of, price, currency)
        silent = f"The loss lies anywhere between {percent(max(low, 0))} and {percent(high)}."
    counts_from = max(last_cleaned, last_not_due or last_cleaned)
    on = calendar_due(counts_from, every_months=every_months)
    rule = {1: "month", 12: "year"}.get(every_months, f"{every_months} months")
    when = f"due since {_day(on)}" if on < as_of else f"next about {_day(on)}"
    pays, money = _by_what_is_known(clean_energy_wh, price_per_kwh, price, currency)
    return Due(
        on,
        Basis.CALENDAR,
        pays,
        f"{silent} So the calendar speaks: one wash every {rule}, {when}. {money}",
    )


def _pays(ahead: Forecast, price: float) -> bool:
    return ahead.pays_on is not None and ahead.saved >= price


def _agree(one: Forecast, other: Forecast, price: float) -> bool:
    """Whether two forecasts give the same advice: no wash in the coming year, or one at about the same time."""
    if one.pays_on is None or other.pays_on is None or not (_pays(one, price) and _pays(other, price)):
        return _pays(one, price) == _pays(other, price)
    return abs(one.pays_on - other.pays_on) <= SAME_DAY


def _by_readings(ahead: Forecast, as_of: date, price: float, currency: str) -> Due:
    when = "today" if ahead.pays_on in (None, as_of) else f"about {_day(ahead.pays_on)}"
    if not _pays(ahead, price):
        reason = (
            f"A wash {when} ({price:.0f} {currency}) would keep about {ahead.saved:.0f} {currency} in two years, "
            "beyond what rain does for nothing: in money alone no wash is likely to pay within the coming year."
        )
        return Due(None, Basis.READINGS, False, reason, ahead)
    often = "" if math.isinf(ahead.interval_days) else f" In the long run, about every {_months(ahead.interval_days)}."
    reason = (
        f"From {when} a wash ({price:.0f} {currency}) is cheaper than waiting: it keeps about {ahead.saved:.0f} "
        f"{currency} in the two years after it, beyond what rain does for nothing.{often}"
    )
    return Due(ahead.pays_on, Basis.READINGS, True, reason, ahead)


def _by_what_is_known(
    clean_energy_wh: pd.Series[float], price_per_kwh: float, price: float, currency: str
) -> tuple[bool | None, str]:
    """Whether a wash pays where the loss is not known: False when hardly any loss could pay for it, else None."""
    if not _all_known(clean_energy_wh):
        return None, "Whether it pays in money is not known."
    year = float(value_by_step(clean_energy_wh, price_per_kwh).mean()) * YEAR_DAYS
    if price >= MOST_LOSS * year:
        return False, (
            f"In money alone it does not pay: it costs {price:.0f} {currency}, and all that the panels make in a year "
            f"is worth about {year:.0f} {currency}."
        )
    return None, (
        f"It pays ({price:.0f} {currency}) if it keeps more than about {percent(price / year)} of a year's output; "
        "whether it does is not known."
    )


def _cannot_say(
    loss_quantiles: Sequence[float],
    rate_ci: tuple[float, float] | None,
    soiling_ratio: pd.Series[float],
    clean_energy_wh: pd.Series[float],
) -> str:
    """What the readings lack to tell when a wash is due; empty when nothing."""
    if not len(loss_quantiles) or rate_ci is None:
        return "The readings give no estimate of the loss."
    if len(soiling_ratio.dropna()) < LEAST_RECORD_DAYS:
        return f"The record is shorter than {LEAST_RECORD_DAYS} days."
    if not _all_known(clean_energy_wh):
        return "The value of a day's output is not known."
    return ""


def _all_known(clean_energy_wh: pd.Series[float]) -> bool:
    return bool(len(clean_energy_wh) and np.isfinite(clean_energy_wh.to_numpy(dtype=np.float64)).all())


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _months(days: float) -> str:
    months = max(1, round(days / 30.4))
    return "month" if months == 1 else f"{months} months"


DUE_LOSS = 0.05
"""Loss at which a cleaning is due where no price is known; common practice, no source."""


def clean_due(as_of: date, present_loss: float, rate_per_day: float) -> date | None:
    """Day on which the loss reaches :data:`DUE_LOSS` if no rain washes before; None when that is over a year away.

    For a site of which neither price nor tariff is known.

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
