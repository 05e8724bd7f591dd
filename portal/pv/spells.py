"""A site's record cut into spells, the steps of the chain: dry ones, and those in which it may have rained."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LONGEST = 6
"""Days in the longest step of the chain."""
LIKELY = 0.08
"""Chance of a wash from which a day is a step of its own or with its neighbours of like kind."""

LIGHT, HEAVY = 0, 1
"""A light rain takes off 10 to 60 % of the dirt, a heavy one 80 to 100 % (thresholds 5 to 10 mm in the literature)."""


@dataclass(frozen=True)
class Steps:
    """A site's record cut into the steps of the chain; arrays of shape (n,) unless said."""

    first: Ints
    """First day (index into the daily arrays) of each step."""
    days: Ints
    y: Floats
    """Mean log index of the step; NaN without clear days."""
    variance: Floats
    light: Floats
    heavy: Floats
    """Chance that a light, a heavy wash happened in the step."""
    visit: Bools
    """A known cleaning just before the step."""
    design: Floats
    """Smooth terms and steps of level (n, p)."""


def cut_steps(
    log_index: Floats,
    scatter: float | Floats,
    wash: Floats,
    visits: Ints,
    design: Floats,
    autocorrelation: float = 0.4,
    lasting: float = 0.0,
) -> Steps:
    """Cut days into steps of at most :data:`LONGEST` days, dry ones apart from those in which it may have rained.

    Parameters
    ----------
    log_index : ndarray (days,)
        NaN on refused days.
    scatter : float or ndarray (days,)
        Standard deviation of a day.
    wash : ndarray (days, 2)
        Chance of a light and a heavy wash on each day.
    visits : ndarray of int
        Days of known cleanings.
    design : ndarray (days, p)
    autocorrelation : float
        Of errors from one day to the next.
    lasting : float
        Standard deviation of an error that lasts for weeks: haze of a season, in a site alone.
    """
    count = len(log_index)
    wet = wash.sum(axis=1) > LIKELY
    # On a day of rain the loss is neither the one before nor the one after.
    good = np.isfinite(log_index) & (wash.sum(axis=1) < 0.3)
    visit_next = np.zeros(count + 1, dtype=bool)
    visit_next[np.clip(np.asarray(visits, dtype=np.int64) + 1, 0, count)] = True
    if len(visits):
        good[np.clip(visits, 0, count - 1)] = False
    first_days = [0]
    for day in range(1, count):
        length = day - first_days[-1]
        # Wet days with readings stand alone; those without join.
        apart = wet[day] != wet[day - 1] or (wet[day] and (good[day] or good[day - 1]))
        if visit_next[day] or apart or length >= LONGEST:
            first_days.append(day)
    first = np.array(first_days, dtype=np.int64)
    days = np.append(first[1:], count) - first
    owner = np.repeat(np.arange(len(first)), days)
    number = np.bincount(owner[good], minlength=len(first)).astype(float)
    precision = np.broadcast_to(1 / np.square(scatter), (count,))
    known = np.bincount(owner[good], weights=precision[good], minlength=len(first))
    total = np.bincount(owner[good], weights=(precision * np.where(good, log_index, 0.0))[good], minlength=len(first))
    y = np.where(number > 0, total / np.where(number > 0, known, 1.0), np.nan)
    # Haze lasts: neighbouring days repeat each other, within a step and from step to step.
    day_variance = np.where(number > 0, number / np.where(number > 0, known, 1.0), 1.0)
    rho = autocorrelation
    within = 1 + 2 * sum(rho**lag * np.clip(1 - lag / np.maximum(number, 1), 0, None) for lag in (1, 2, 3))
    variance = day_variance * within / np.maximum(number, 1) * (1 + rho / 2) + lasting**2
    dry = np.ones((len(first), 2))
    for kind in (LIGHT, HEAVY):
        np.multiply.at(dry[:, kind], owner, 1 - wash[:, kind])
    rows = np.stack([np.bincount(owner, weights=column, minlength=len(first)) / days for column in design.T], axis=1)
    return Steps(first, days, y, variance, 1 - dry[:, LIGHT], 1 - dry[:, HEAVY], visit_next[first], rows)
