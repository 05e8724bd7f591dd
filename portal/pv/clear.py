"""Clear sky found in the production itself, and what its low sun tells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from portal.pv.arrays import Bools, Floats, Floats32
from portal.pv.grid import MeteredDays

SUN_BANDS = np.array([8.0, 12.0, 16.0, 20.0, 25.0, 31.0])
"""Edges of the bands of sun elevation [degrees] in which shade is looked for: those in which houses and trees stand.
Common practice, no source."""
STEPS_TOLD = 5
"""Steps of the meter's count that a band's expected energy must hold to tell of shade. Tuned on planted sites: with
fewer a meter that counts in kWh reads as a tree."""
JUMP_ALLOWED = ((15, 30, 60), (0.04, 0.05, 0.07))
"""Change of the ratio from one interval to the next that a clear sky makes, as a share of the level, at interval
lengths [minutes] and between them: low sun, haze and a slope told a little wrong move it too. Tuned on planted
sites."""
CLEAR_BAND = (0.72, 1.3)
"""Share of the level around a day within which clear intervals lie: haze dims by a quarter at most. Tuned on planted
sites."""
SMOOTH_MINUTES = 45
"""Minutes on both sides of an interval that must be smooth for it to count as clear. Tuned on planted sites."""

BEST_DAYS = 0.85
"""Quantile of the days around a day that stands for clear ones: one day in seven is clear nearly everywhere, and the
very best are slips of a meter. No source."""
CALM_STEP, CALM_SHARE = 0.06, 0.85
"""Change of the ratio from one interval to the next over the day's middle, and the share of the day's expected energy
that must change no more, for a day to be clear whatever its level. Tuned on planted sites that lose a string."""
AGREE = 0.16
"""Spread of five such days over their mean within which they agree. Tuned on planted sites that lose a string."""
CALM_DAYS, FEWEST_CALM = 5, 3
"""Calm days in a row whose median is the level, and in a short record. Tuned on planted sites that lose a string."""
LEAST_OUTPUT = 0.02
"""Production over expectation below which there is none to speak of, and at which its log is cut. No source."""
LEAST_LIGHT = 0.01
"""Expected energy of an interval over the record's highest below which shade is not looked for. No source."""


@dataclass(frozen=True)
class ClearSky:
    """Production over expectation, in which a clear sky is looked for; arrays of shape (days, slots)."""

    ratio: Floats
    """NaN where not usable."""
    usable: Bools
    interval_minutes: int
    rounding: Floats
    """Step of the meter's count as a ratio."""


def clear_intervals(sky: ClearSky, level: Floats) -> Bools:
    """Intervals under a clear sky, found from the production's own shape.

    Under a clear sky the ratio of production to the clear-sky expectation moves slowly; clouds make it jump or pull
    it far down. The idea is that of Reno and Hansen 2016 (doi:10.1016/j.renene.2015.12.031), for averaged data as in
    Jordan and Hansen 2023 (doi:10.1016/j.renene.2023.04.035); here the window and the step allowed follow the
    interval.

    Parameters
    ----------
    sky : ClearSky
        Where to look.
    level : ndarray (days,)
        Ratio of clear intervals around each day.

    Returns
    -------
    ndarray of bool (days, slots)
        False where a ratio is NaN.
    """
    from scipy.ndimage import maximum_filter1d  # as pvlib in portal.pv.sun

    ratio, minutes = sky.ratio, sky.interval_minutes
    step = np.nan_to_num(np.abs(np.diff(ratio, axis=1)))
    window = max(1, SMOOTH_MINUTES // minutes) + 1
    before = np.pad(step, ((0, 0), (1, 0)))
    after = np.pad(step, ((0, 0), (0, 1)))
    rough = np.maximum(maximum_filter1d(before, window, axis=1), maximum_filter1d(after, window, axis=1))
    around = level[:, None]
    low, high = CLEAR_BAND
    with np.errstate(invalid="ignore"):
        smooth = rough < np.interp(minutes, *JUMP_ALLOWED) * around + sky.rounding
        return np.asarray(sky.usable & smooth & (ratio > low * around) & (ratio < high * around))


def level_ahead(ratio: Floats, usable: Bools, expected: Floats, top: Floats) -> Floats:
    """Level of clear intervals from each day on, where it is lower than around the day: after a string is lost.

    Days whose ratio moves smoothly all day long, and agree with one another for five such days, are clear whatever
    their level; overcast days are seldom smooth and never agree.

    Parameters
    ----------
    ratio : ndarray (days, slots)
        Production over expectation, NaN where not usable.
    usable : ndarray of bool (days, slots)
        Intervals with a reading and enough sun.
    expected : ndarray (days, slots)
        Expected energy [Wh].
    top : ndarray (days,)
        Level of clear intervals around each day.

    Returns
    -------
    ndarray (days,)
        At most ``top``.
    """
    anywhere = np.full(len(top), np.nan)
    smooth = np.isfinite(ratio) & usable
    step = np.nan_to_num(np.abs(np.diff(ratio, axis=1)))
    middle = np.nan_to_num(row_quantile(ratio, 0.5))
    calm = smooth & (np.pad(step, ((0, 0), (1, 0))) < CALM_STEP * middle[:, None])
    could = np.where(smooth, expected, 0.0).sum(axis=1)
    held = np.where(calm, expected, 0.0).sum(axis=1)
    made = np.where(calm, ratio * expected, 0.0).sum(axis=1)
    value = made / np.maximum(held, 1e-9)
    at = np.flatnonzero((held > CALM_SHARE * could) & (could > 0) & (value > LEAST_OUTPUT))
    if at.size < FEWEST_CALM:
        return top
    count = CALM_DAYS if at.size >= CALM_DAYS else FEWEST_CALM
    windows = np.lib.stride_tricks.sliding_window_view(value[at], count)
    agree = (windows.max(axis=1) - windows.min(axis=1)) < AGREE * windows.mean(axis=1)
    level = np.where(agree, np.median(windows, axis=1), np.nan)
    anywhere[at[: len(level)]] = level
    # The last few smooth days have no full window ahead of them: they take the last one's.
    anywhere[at[len(level) :]] = level[-1]
    filled = pd.Series(anywhere).bfill(limit=10).to_numpy()
    return np.where(np.isfinite(filled), np.minimum(filled, top), top)


def low_sun(
    days: MeteredDays,
    usable: Bools,
    noon: Floats32,
    index: Floats32,
    quantum: float,
) -> Floats:
    """Log ratio of production to expectation in bands of low sun, over that of the day's clear hours.

    Parameters
    ----------
    days : MeteredDays
        The readings.
    usable : ndarray of bool (days, slots)
        Intervals with a reading and enough sun.
    noon : ndarray (days,)
        Mean log ratio of the clear intervals about noon, NaN without.
    index : ndarray (days,)
        The day's index, which stands in for noon.
    quantum : float
        Step in which the meter counts [Wh].

    Returns
    -------
    ndarray (days, 2, bands)
        Morning and evening, NaN where the sun does not pass, the day is not clear, or the band holds fewer than
        :data:`STEPS_TOLD` of the meter's steps. Clouds near the horizon pull single values down; shade pulls all of
        them down.
    """
    expected, elevation = days.expected_wh, days.elevation
    out = np.full((len(expected), 2, len(SUN_BANDS) - 1), np.nan)
    level = np.where(np.isfinite(noon), noon, np.log(np.where(index > 0, index, np.nan)))
    usable = usable & (expected > LEAST_LIGHT * expected.max())
    for side, half in enumerate((usable & (days.hour_angle < 0), usable & (days.hour_angle > 0))):
        for band in range(len(SUN_BANDS) - 1):
            inside = half & (elevation >= SUN_BANDS[band]) & (elevation < SUN_BANDS[band + 1])
            could = np.where(inside, expected, 0.0).sum(axis=1)
            made = np.where(inside, days.energy_wh, 0.0).sum(axis=1)
            ratio = np.where(could > STEPS_TOLD * quantum, made / np.where(could > 0, could, 1.0), np.nan)
            out[:, side, band] = np.log(np.maximum(ratio, LEAST_OUTPUT)) - level
    return out


def row_quantile(values: Floats, q: float) -> Floats:
    """Row-wise quantile that skips NaN, far faster than ``np.nanquantile``.

    Parameters
    ----------
    values : ndarray (n, k)
        NaN where missing.
    q : float
        0 to 1.

    Returns
    -------
    ndarray (n,)
        The nearest value; NaN for a row without any.

    Examples
    --------
    >>> row_quantile(np.array([[3.0, np.nan, 1.0, 2.0]]), 0.5).tolist()
    [2.0]
    """
    ordered = np.sort(values, axis=1)  # NaN last
    count = np.isfinite(values).sum(axis=1)
    place = np.clip(np.rint(q * (count - 1)).astype(int), 0, None)
    return np.where(count > 0, ordered[np.arange(len(values)), place], np.nan)


def part_mean(log_ratio: Floats, weight: Floats, part: Bools) -> Floats:
    """Weighted mean over a part of each day.

    Parameters
    ----------
    log_ratio, weight : ndarray (days, slots)
        ``weight`` is zero where the day is not clear.
    part : ndarray of bool (days, slots)
        Intervals that belong to it.

    Returns
    -------
    ndarray (days,)
        NaN where the part holds no weight.
    """
    inside = np.where(part, weight, 0.0)
    total = inside.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(total > 0, (inside * log_ratio).sum(axis=1) / total, np.nan)
