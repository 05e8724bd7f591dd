"""The loss ahead as a band, and the loss from which on a wash is cheaper than waiting."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.arrays import Floats
from portal.pv.year import STEP_DAYS, STEPS, YEAR_DAYS, SoilingYear, step_of

MOST_LOSS = 0.5
"""Loss above which dirt is not followed further; roofs that dirty are due whatever the model says. [fraction of clean
yield] No source; a fifth more, which makes the grid of losses coarser, moves due dates of the made fleet by 7 days
on average."""
FUTURES = 240
"""Futures drawn; no source. A fifth either way, which draws others, moves due dates of the made fleet by 4 to 6 days
on average and changes the advice for 1 roof of 24."""
SAVED_STEPS = 2 * STEPS
HORIZON = STEPS + SAVED_STEPS


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


def best_routine(year: SoilingYear, value_per_day: Floats, price: float) -> Floats:
    """Loss from which on a wash is cheaper than waiting, for each step of the year.

    Parameters
    ----------
    year : SoilingYear
        What each time of the year does to the roof.
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
        The band, the day on which a wash pays, and what it keeps.

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
    """Value of a day's clean yield in each step of the year.

    Parameters
    ----------
    clean_energy_wh : pd.Series
        Clean yield of a day [Wh] by date, every day of a year or some.
    price_per_kwh : float
        [money]

    Returns
    -------
    ndarray (73,)
        [money/day], linear between the days given.

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


def all_known(clean_energy_wh: pd.Series[float]) -> bool:
    """Whether every yield is there and finite.

    Parameters
    ----------
    clean_energy_wh : pd.Series
        Clean yield of a day [Wh] by date.

    Returns
    -------
    bool
        False when it is empty.
    """
    return bool(len(clean_energy_wh) and np.isfinite(clean_energy_wh.to_numpy(dtype=np.float64)).all())
