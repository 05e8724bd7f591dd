"""Clear sky found in the production itself, and what the shape of a clear day tells: its haze, its low sun."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.ndimage import maximum_filter1d

from portal.pv.arrays import Bools, Floats

SUN_BANDS = np.array([8.0, 12.0, 16.0, 20.0, 25.0, 31.0])
"""Edges of the bands of sun elevation [degrees] in which shade is looked for."""


def clear_intervals(ratio: Floats, usable: Bools, top: Floats, interval_minutes: int, rounding: Floats) -> Bools:
    """Intervals under a clear sky, found from the production's own shape.

    Under a clear sky the ratio of production to the clear-sky expectation moves slowly; clouds make it jump or pull
    it far down. The idea is that of Reno and Hansen 2016 (doi:10.1016/j.renene.2015.12.031), for averaged data as in
    Jordan and Hansen 2023 (doi:10.1016/j.renene.2023.04.035); here the window and the step allowed follow the
    interval.

    Parameters
    ----------
    ratio : ndarray (days, slots)
        Production over expectation, NaN where not usable.
    usable : ndarray of bool (days, slots)
    top : ndarray (days,)
        Level of clear intervals around each day.
    rounding : ndarray (days, slots)
        Step of the meter's count as a ratio.
    """
    step = np.nan_to_num(np.abs(np.diff(ratio, axis=1)))
    allowed = {5: 0.04, 10: 0.04, 15: 0.04, 30: 0.05}.get(interval_minutes, 0.07)
    window = max(1, 45 // interval_minutes) + 1
    before = np.pad(step, ((0, 0), (1, 0)))
    after = np.pad(step, ((0, 0), (0, 1)))
    rough = np.maximum(maximum_filter1d(before, window, axis=1), maximum_filter1d(after, window, axis=1))
    level = top[:, None]
    with np.errstate(invalid="ignore"):
        return np.asarray(
            usable & (rough < allowed * level + rounding) & (ratio > 0.72 * level) & (ratio < 1.3 * level)
        )


def level_ahead(ratio: Floats, usable: Bools, expected: Floats, top: Floats) -> Floats:
    """Level of clear intervals from each day on, where it is lower than around the day: after a string is lost.

    Days whose ratio moves smoothly all day long, and agree with one another for five such days, are clear whatever
    their level; overcast days are seldom smooth and never agree.
    """
    anywhere = np.full(len(top), np.nan)
    smooth = np.isfinite(ratio) & usable
    step = np.nan_to_num(np.abs(np.diff(ratio, axis=1)))
    middle = np.nan_to_num(row_quantile(ratio, 0.5))
    calm = smooth & (np.pad(step, ((0, 0), (1, 0))) < 0.06 * middle[:, None])
    could = np.where(smooth, expected, 0.0).sum(axis=1)
    held = np.where(calm, expected, 0.0).sum(axis=1)
    made = np.where(calm, ratio * expected, 0.0).sum(axis=1)
    value = made / np.maximum(held, 1e-9)
    at = np.flatnonzero((held > 0.85 * could) & (could > 0) & (value > 0.02))
    if at.size < 3:
        return top
    count = 5 if at.size >= 5 else 3
    windows = np.lib.stride_tricks.sliding_window_view(value[at], count)
    agree = (windows.max(axis=1) - windows.min(axis=1)) < 0.16 * windows.mean(axis=1)
    level = np.where(agree, np.median(windows, axis=1), np.nan)
    anywhere[at[: len(level)]] = level
    # The last few smooth days have no full window ahead of them: they take the last one's.
    anywhere[at[len(level) :]] = level[-1]
    filled = pd.Series(anywhere).bfill(limit=10).to_numpy()
    return np.where(np.isfinite(filled), np.minimum(filled, top), top)


def haze_slope(
    log_ratio: Floats, clear: Bools, expected: Floats, elevation: Floats, hour_angle: Floats
) -> tuple[Floats, Floats]:
    """Slope of a day's log ratio against air mass: haze dims a low sun more than a high one, dirt does not.

    A weighted least-squares line in 1/sin(elevation) with a term in hour angle, which takes up an azimuth told wrong
    (Bouguer's law, as in a Langley plot). NaN where the day's clear intervals span too little air mass.

    Returns
    -------
    slope, weight : ndarray (days,)
        ``weight`` is the weighted variance of air mass left after the hour-angle term.
    """
    mass = np.where(clear, 1 / np.sin(np.radians(np.clip(elevation, 5, 90))), 0.0)
    turn = np.where(clear, hour_angle / 60, 0.0)
    weight = np.where(clear, np.sqrt(expected), 0.0)
    total = np.maximum(weight.sum(axis=1), 1e-9)

    def mean(values: Floats) -> Floats:
        return np.asarray((weight * values).sum(axis=1) / total)

    m, h, y = mean(mass), mean(turn), mean(log_ratio)
    mm, hh, mh = mean(mass * mass) - m * m, mean(turn * turn) - h * h, mean(mass * turn) - m * h
    my, hy = mean(mass * log_ratio) - m * y, mean(turn * log_ratio) - h * y
    information = mm - mh * mh / np.maximum(hh, 1e-6)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = (my - mh * hy / np.maximum(hh, 1e-6)) / information
    told = (clear.sum(axis=1) >= 5) & (information > 0.02)
    return np.where(told, slope, np.nan), np.where(told, information, 0.0)


def low_sun(
    energy: Floats,
    expected: Floats,
    elevation: Floats,
    hour_angle: Floats,
    usable: Bools,
    noon: Floats,
    index: Floats,
) -> Floats:
    """Log ratio of production to expectation in bands of low sun, over that of the day's clear hours.

    Returns
    -------
    ndarray (days, 2, bands)
        Morning and evening, NaN where the sun does not pass or the day is not clear. Clouds near the horizon pull
        single values down; shade pulls all of them down.
    """
    out = np.full((len(energy), 2, len(SUN_BANDS) - 1), np.nan)
    level = np.where(np.isfinite(noon), noon, np.log(np.where(index > 0, index, np.nan)))
    usable = usable & (expected > 0.01 * expected.max())
    for side in (0, 1):
        half = usable & ((hour_angle < 0) if side == 0 else (hour_angle > 0))
        for band in range(len(SUN_BANDS) - 1):
            inside = half & (elevation >= SUN_BANDS[band]) & (elevation < SUN_BANDS[band + 1])
            could = np.where(inside, expected, 0.0).sum(axis=1)
            made = np.where(inside, energy, 0.0).sum(axis=1)
            ratio = np.where(could > 0, made / np.where(could > 0, could, 1.0), np.nan)
            out[:, side, band] = np.log(np.maximum(ratio, 0.02)) - level
    return out


def row_quantile(values: Floats, q: float) -> Floats:
    """Row-wise quantile that skips NaN, far faster than ``np.nanquantile``; NaN for an empty row."""
    ordered = np.sort(values, axis=1)  # NaN last
    count = np.isfinite(values).sum(axis=1)
    place = np.clip(np.rint(q * (count - 1)).astype(int), 0, None)
    return np.where(count > 0, ordered[np.arange(len(values)), place], np.nan)
