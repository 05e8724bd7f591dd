"""What each time of the year does to a roof, read from its own record: dust gathered, rain that takes it off."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.arrays import Floats, Ints

PENTAD_DAYS = 5
PENTADS = 73
"""A year in pentads, as climatology cuts it (WMO): by definition 73 times 5 days are 365."""
YEAR_DAYS = 365
"""Days of a year, by definition (leap days fall into the last pentad)."""

SEASON_HALF_WIDTH = 45
"""Days either side of a day of the year whose record speaks for it. No source; a fifth either way moves due dates of
the made fleet by 12 to 15 days on average and changes the advice for 1 roof of 24."""
DIRTY = 0.015
"""Loss from which on a recovery could have been seen at all. No source; a fifth either way moves the due dates of the
made fleet by 8 to 11 days on average and changes the advice for 1 roof of 24."""
PRIOR_RAIN_PER_DAY = 1 / 90
PRIOR_RAIN_DAYS = 30.0
PRIOR_KEPT = 0.4
"""Where the record is silent: a wash by rain every three months that leaves two fifths of the dirt, weighing as much as
30 days of record. Common practice, no source; a fifth either way moves the due dates of the made fleet by 3 days at
most."""
PRIOR_SEASON_DAYS = 60.0
"""Days of the whole record by which each season's figure is drawn towards it. No source; a fifth either way moves the
due dates of 8 made roofs by 1 to 2 days on average."""
MOST_A_DAY = 0.02
"""Growth of the loss in a day that may be dirt; more is a step. [1/day] No source; a fifth either way moves no due
date of 8 made roofs."""
BEFORE_RAIN_DAYS = 3
"""Days before a rain of which the dirtiest tells what there was to take: the fitted line falls over some days.
No source; a day more or less moves the due dates of 8 made roofs by 2 days on average at most."""
MOST_RAIN = 0.5
"""Highest chance of rain a day. No source; a fifth either way moves no due date of 8 made roofs."""
CLEAN_LOSS = 0.002
"""Least mean loss [fraction of clean yield] by which rain is counted from the dirt that is gone. No source; a
fifth either way moves no due date of 8 made roofs."""

KEPT_LEVELS = (0.1, 0.9)
"""Lowest and highest of the five quantiles that stand for the share a rain leaves: middles of fifths, by definition."""


@dataclass(frozen=True)
class SoilingYear:
    """What a year does to a roof, in pentads (five days) from 1 January.

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


def pentad_of(day: date) -> int:
    """Index of the pentad in which a day of the year lies.

    Parameters
    ----------
    day : date
        Of any year.

    Returns
    -------
    int
        0 to 72.

    Examples
    --------
    >>> pentad_of(date(2024, 1, 1)), pentad_of(date(2024, 12, 31))
    (0, 72)
    """
    return min((day.timetuple().tm_yday - 1) // PENTAD_DAYS, PENTADS - 1)


def day_of_year(days: Iterable[date]) -> Ints:
    """Day of the year of each of some days.

    Parameters
    ----------
    days : iterable of date
        Of any years.

    Returns
    -------
    ndarray (n,) of int
        1 to 366.

    Examples
    --------
    >>> day_of_year([date(2024, 1, 1), date(2024, 12, 31)]).tolist()
    [1, 366]
    """
    at = np.array(list(days), dtype="datetime64[D]")
    return np.asarray((at - at.astype("datetime64[Y]")).astype(np.int64) + 1)


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
        Its seasons scaled to ``rate_per_day``.

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
    dates = ratio.index.tolist()
    of_year = day_of_year(dates)
    loss = 1.0 - ratio.to_numpy(dtype=np.float64)
    middles: Floats = np.arange(PENTADS, dtype=np.float64) * PENTAD_DAYS + PENTAD_DAYS / 2
    near = _near(of_year, middles)

    gathered = np.clip(np.diff(loss, prepend=loss[:1]), 0.0, MOST_A_DAY)
    whole = float(gathered.mean()) if gathered.size else 0.0
    if whole > 0:
        seasonal = (near @ gathered + PRIOR_SEASON_DAYS * whole) / (near.sum(axis=1) + PRIOR_SEASON_DAYS)
        rates = rate_per_day * seasonal / seasonal.mean()
    else:
        rates = np.full(PENTADS, max(rate_per_day, 0.0))

    at = {day: number for number, day in enumerate(dates)}
    rains = [(at[day], gain) for day, gain in recoveries if day in at and gain > 0]
    before = [max(loss[max(number - BEFORE_RAIN_DAYS, 0) : number + 1].max(), gain) for number, gain in rains]
    kept = [PRIOR_KEPT, *(1.0 - min(1.0, gain / dirt) for (_, gain), dirt in zip(rains, before, strict=True))]
    dirty = (loss > DIRTY).astype(np.float64)
    rained = np.zeros(len(dates))
    for (number, _), dirt in zip(rains, before, strict=True):
        rained[number] += dirt > DIRTY
    overall = (rained.sum() + PRIOR_RAIN_PER_DAY * PRIOR_RAIN_DAYS) / (dirty.sum() + PRIOR_RAIN_DAYS)
    chance = (near @ rained + PRIOR_SEASON_DAYS * overall) / (near @ dirty + PRIOR_SEASON_DAYS)
    unseen = _rain_by_balance(loss, sum(gain for _, gain in rains), rate_per_day, float(np.mean(kept)))
    chance *= max(1.0, unseen / 2 / overall)
    return SoilingYear(
        np.maximum(rates, 0.0), np.clip(chance, 0.0, MOST_RAIN), np.quantile(kept, np.linspace(*KEPT_LEVELS, 5))
    )


def _rain_by_balance(loss: npt.NDArray[np.floating], gained: float, rate_per_day: float, kept: float) -> float:
    """Chance of rain a day that makes the dirt of the record add up."""
    if len(loss) < YEAR_DAYS or kept >= 1.0:
        return 0.0
    change = np.diff(loss)
    paid = max(0.0, float(-change[change < 0].sum()) - gained)
    went = rate_per_day * len(change) - float(loss[-1] - loss[0]) - paid
    return max(0.0, went) / len(change) / (max(float(loss.mean()), CLEAN_LOSS) * (1.0 - kept))


def _near(of_year: Ints, middles: Floats) -> Floats:
    """Which days of the record speak for which pentad, shape (73, days), as 0 and 1."""
    apart = np.abs(middles[:, None] - of_year[None, :])
    near: Floats = (np.minimum(apart, YEAR_DAYS - apart) <= SEASON_HALF_WIDTH).astype(np.float64)
    return near
