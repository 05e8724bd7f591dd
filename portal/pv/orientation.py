"""Slope and direction of the modules as their own readings show them.

Owners guess a tilt and a direction, and a guess wrong by ten or thirty degrees dims the low sun against the
expectation, which passes for a tree, or swings the index through the year, which passes for dirt. The shape of a clear
day tells both without a sensor: each day has a scale of its own here, so dirt, ageing and size fall out; haze, which
also dims a low sun more than a high one, is fitted beside them (Bouguer's law), and so is how much the top of a day is
flatter than the model's, as hot modules and part loads of an inverter make it; the low sun itself, where trees stand,
is left out. Several planes keep their relation and move together. What was told counts as a first guess.

That the shape of clear days tells the orientation is known (Haghdadi et al. 2017, Renewable Energy 108; from memory).
The search is Levenberg's and Marquardt's (Nocedal and Wright 2006, Numerical Optimization, section 10.3) with Cauchy
weights.

How much the days' own scales scatter counts beside their shapes: eight degrees of tilt move winter against summer by a
tenth. Haze and horizons that no model knows bend a day's shape too; where they, and no wrong fact, ask for another
slope, winter and summer part. Dirt and long hazes move those scales as well, so that they count for few days only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from portal.pv.array import Array
from portal.pv.arrays import Floats, Ints
from portal.pv.clear import BEST_DAYS
from portal.pv.expected import Sky, clear_sky, inverter_ac, plane_dc
from portal.pv.grid import MeteredDays, join_intervals

LEAST_SMOOTH_DAYS, MOST_CLEAR_DAYS = 12, 60
"""Clear days below which nothing is said, and those that are looked at: the smoothest of each part of the record.
Tuned on planted sites told wrong by 10 to 30 degrees."""
LEAST_HIGH, LEAST_HIGH_MINUTES = 4, 180
"""Intervals of high sun, and minutes of it, that a day needs to show its shape. Common practice, no source."""
SHAPE_MINUTES = 15
"""Minutes that shorter intervals are taken together to: a meter's step must not look like a cloud. No source."""
TILT_SD, TURN_SD = 10.0, 16.0
"""How far what was told may be wrong, standard deviations [degrees]. Common practice, no source."""
HAZE_SD = 0.06
"""How far the haze may be from the climatology's, standard deviation [optical depth]: that of monthly means of Linke
turbidity about their map (Remund et al. 2003, from memory), as optical depth."""
FLATTER_SD = 0.15
"""How much less than the model full power may be made, standard deviation [log at the rating]: a real system makes a
quarter less. Tuned on 304 lone roofs of three makers, told right and wrong by 10 to 30 degrees: with 0, 0.12, 0.15,
0.18 and 0.3 there are turned 268, 259, 252, 249 and 247 of those told wrong and 102, 51, 40, 37 and 33 of those told
right."""
SHAPE_SD = 0.02
"""Error of a clear day's shape over its highest interval. Tuned on planted sites: a fifth moves the seen slope by less
than a degree."""
LEAST_GAIN = 30.0
"""Gain of log posterior, a clear day counting as one observation, from which the seen slope is taken for the told one.
Tuned on the same roofs: with 20, 24, 30, 36 and 40 there are turned 278, 267, 252, 236 and 229 of 304 told wrong, and
83, 65, 40, 23 and 18 of 304 told right."""
SCALES_COUNT = 20.0
"""Days that all of the days' scales count for, since what moves them lasts. Tuned on the same roofs and a real one
known to stand at 45 degrees: with 1, 10, 20, 40 and 80 the mean error of the slope seen of those told wrong is 5.1,
4.8, 4.7, 4.8 and 4.9 degrees, 36, 37, 40, 48 and 59 of those told right are turned, and the real one is seen at 41, 43,
44, 47 and 50."""
LEAST_TILT, LEAST_TURN = 5.0, 5.0
"""Degrees under which a correction is not worth making: owners round to five. Common practice, no source."""
HIGHEST_TILT = 80.0
"""Degrees: steeper is a wall, not a roof. Common practice, no source."""
LONGEST_STEP = 12.0
"""Degrees that one step of the search may go. No source."""
ROUNDS = 14
"""Steps of the search at most; most end after five. No source."""

WHOLE_DAY = 0.95
"""Share of a day's intervals that must be read for its shape. No source."""
NEAR_BEST = (0.92, 1.3)
"""Ratios to the best days of the month between which a day may be clear. No source."""
ONE_HUMP = 1.06
"""Path that a clear day's power goes up and down over twice its highest: 1 goes up and down once. No source."""
HIGH_SUN, HIGH_SHARE = 18.0, 0.4
"""Sun elevation [degrees], and as a share of the day's highest, above which shade and haze spoil no shape. No
source."""
BELOW_LIMIT, LIMIT_QUANTILE = 0.96, 0.999
"""Share of this quantile of the readings above which an interval may be clipped. No source."""
LOWEST_ZENITH = 80.0
"""Degrees from which on air mass is held: 1/cos is right to 1 % above it (by definition of a flat atmosphere)."""
NUDGE = (2.0, 2.0, 0.02, 0.02)
"""Steps by which slopes are found: tilt and turn [degrees], haze [optical depth], flatter [log]. No source."""
DAMPING = 0.001
"""Damping that the search begins with, a share of the normal matrix (Marquardt 1963, doi:10.1137/0111030)."""
FAR_SCALE = 0.3
"""Log scale from the days' middle beyond which it counts no further: a string was lost. No source."""
CLOSE_ENOUGH = 0.3
"""Step [degrees] under which the search ends. No source."""


@dataclass(frozen=True, slots=True)
class Seen:
    """How the readings see the modules against what was told."""

    tilt: float
    """Degrees steeper than told."""
    turn: float
    """Degrees clockwise from the direction told."""


@dataclass(frozen=True)
class _Shapes:
    """High-sun intervals of clear days; arrays of shape (n,)."""

    made: Floats
    """Energy over the day's highest interval."""
    day: Ints
    """Which of the days."""
    mass: Floats
    """Air mass less the day's mean."""
    sky: Sky
    top: Floats
    """Energy of each day's highest interval [Wh], shape (days,)."""


def as_seen(array: Array, seen: Seen | None) -> Array:
    """An array with all planes as the readings see them.

    Parameters
    ----------
    array : Array
        As told.
    seen : Seen or None
        None leaves it as it is.

    Returns
    -------
    Array
        Tilts end at 0 and :data:`HIGHEST_TILT`.

    Examples
    --------
    >>> from portal.pv.array import Plane
    >>> told = Array(52.0, 8.0, "Europe/Berlin", (Plane(10, 350, 5.0),), 4.6)
    >>> as_seen(told, Seen(-15, 20)).planes[0]
    Plane(tilt=0.0, azimuth=10, dc_kw=5.0)
    """
    return array if seen is None else _turned(array, seen.tilt, seen.turn)


def _turned(array: Array, tilt: float, turn: float) -> Array:
    planes = tuple(
        replace(
            plane,
            tilt=min(max(plane.tilt + tilt, 0.0), max(HIGHEST_TILT, plane.tilt)),
            azimuth=(plane.azimuth + turn) % 360,
        )
        for plane in array.planes
    )
    return replace(array, planes=planes)


def seen_orientation(array: Array, days: MeteredDays) -> Seen | None:
    """Slope and direction that the clear days ask for, where they explain them clearly better than those told.

    Parameters
    ----------
    array : Array
        As told.
    days : MeteredDays
        In one unit and on the right clock.

    Returns
    -------
    Seen or None
        None where what was told fits, and where too few clear days or only daily totals cannot tell.
    """
    shapes = _clear_shapes(array, days)
    if shapes is None:
        return None
    search = _Search(array, shapes)
    told, _ = search.descend([2, 3])
    best, at = search.descend([0, 1, 2, 3])
    tilt, turn = float(at[0]), float(at[1])
    if told - best < LEAST_GAIN or (abs(tilt) < LEAST_TILT and abs(turn) < LEAST_TURN):
        return None
    return Seen(tilt, turn)


def _clear_shapes(array: Array, days: MeteredDays) -> _Shapes | None:
    """The smoothest clear days of each part of the record, high sun only; None where they are too few.

    Clear without any expectation: near the best of the month around, and up and down once.
    """
    if days.interval_minutes > 60:
        return None
    if days.interval_minutes < SHAPE_MINUTES:
        days = join_intervals(days, SHAPE_MINUTES // days.interval_minutes)
    whole = days.read.mean(axis=1) > WHOLE_DAY
    energy = np.where(days.read, days.energy_wh, 0.0)
    total, top = np.where(whole, energy.sum(axis=1), 0.0), energy.max(axis=1)
    lit = pd.Series(np.where(total > 0, total, np.nan)).rolling(31, center=True, min_periods=5)
    best = lit.quantile(BEST_DAYS).to_numpy()
    path = np.abs(np.diff(energy, axis=1)).sum(axis=1) / np.maximum(2 * top, 1e-9)
    rough = np.abs(np.diff(energy, 2, axis=1)).sum(axis=1) / np.maximum(top, 1e-9)
    with np.errstate(invalid="ignore"):
        clear = np.flatnonzero((total > NEAR_BEST[0] * best) & (total < NEAR_BEST[1] * best) & (path < ONE_HUMP))
    if clear.size < LEAST_SMOOTH_DAYS:
        return None
    parts = np.array_split(clear, min(MOST_CLEAR_DAYS, clear.size))
    rows = np.array([part[np.argmin(rough[part])] for part in parts])
    elevation = days.elevation[rows]
    high = elevation > np.maximum(HIGH_SUN, HIGH_SHARE * elevation.max(axis=1, keepdims=True))
    high &= energy[rows] < BELOW_LIMIT * np.quantile(energy[energy > 0], LIMIT_QUANTILE)  # not at the inverter's limit
    high &= high.sum(axis=1, keepdims=True) >= max(LEAST_HIGH, LEAST_HIGH_MINUTES // days.interval_minutes)
    day = np.repeat(np.arange(rows.size), elevation.shape[1])[high.ravel()]
    if np.unique(day).size < LEAST_SMOOTH_DAYS:
        return None
    unix = (days.start_unix[rows] + days.interval_minutes * 30).astype(np.float64)
    sky = clear_sky(unix[high], array.latitude, array.longitude)
    mass = 1 / np.cos(np.radians(np.minimum(sky.zenith, LOWEST_ZENITH)))
    mean = np.bincount(day, mass) / np.maximum(np.bincount(day), 1)
    made = (energy[rows] / np.maximum(top[rows], 1e-9)[:, None])[high]
    return _Shapes(made, day.astype(np.int64), mass - mean[day], sky, top[rows])


class _Search:
    """Robust least squares for tilt, turn [degrees], haze [optical depth] and flatter [log], a scale to each day."""

    def __init__(self, array: Array, shapes: _Shapes) -> None:
        self.array, self.shapes = array, shapes
        self.days = np.unique(shapes.day)
        # A day's intervals err together: a day counts as one.
        self.each = self.days.size / shapes.made.size
        self.prior = np.array([TILT_SD, TURN_SD, HAZE_SD, FLATTER_SD]) ** -2.0

    def rest(self, at: Floats, weight: Floats) -> tuple[Floats, Floats]:
        """What the model leaves of each interval, each day scaled to fit best, and of the scales [log]."""
        shapes = self.shapes
        dc = np.zeros(shapes.made.size)
        for plane in _turned(self.array, float(at[0]), float(at[1])).planes:
            dc += plane_dc(plane, shapes.sky)
        model = np.maximum(inverter_ac(dc, 10 * self.array.dc_kw), 1e-9)
        model *= np.exp(-at[2] * shapes.mass - at[3] * model / (1000 * self.array.dc_kw))
        size = np.bincount(shapes.day, weight * shapes.made * model) / np.maximum(
            np.bincount(shapes.day, weight * model * model), 1e-12
        )
        scale = np.log(np.maximum(size[self.days] * shapes.top[self.days], 1e-9))
        scale = np.clip(scale - np.median(scale), -FAR_SCALE, FAR_SCALE)
        return np.asarray(shapes.made - size[shapes.day] * model), np.asarray(scale - scale.mean())

    def weigh(self, rest: Floats) -> Floats:
        """Cauchy weights: a passing cloud counts for little."""
        return 1 / (1 + (rest / SHAPE_SD) ** 2)

    def cost(self, rest: Floats, scale: Floats, at: Floats) -> float:
        """Negative log posterior; how much the scales scatter is not known before."""
        shape = self.each * np.log1p((rest / SHAPE_SD) ** 2).sum()
        return float(shape + SCALES_COUNT * np.log(scale.std() + 1e-9) + 0.5 * (self.prior * at * at).sum())

    def descend(self, free: list[int]) -> tuple[float, Floats]:
        """Least cost and where it lies; parameters that are not ``free`` stay at zero."""
        at, damp = np.zeros(4), DAMPING
        weight = self.weigh(self.rest(at, np.ones(self.shapes.made.size))[0])
        rest, scale = self.rest(at, weight)
        now = self.cost(rest, scale, at)
        nudge = np.diag(NUDGE)[free]
        for _ in range(ROUNDS):
            there = [self.rest(at + by, weight) for by in nudge]
            slope = np.stack([(one - rest) / by.max() for (one, _), by in zip(there, nudge, strict=True)], axis=1)
            tilts = np.stack([(one - scale) / by.max() for (_, one), by in zip(there, nudge, strict=True)], axis=1)
            scaled = 2 * self.each * weight / SHAPE_SD**2
            each = SCALES_COUNT / (self.days.size * (scale.var() + 1e-9))
            normal = slope.T @ (scaled[:, None] * slope) + each * (tilts.T @ tilts) + np.diag(self.prior[free])
            uphill = slope.T @ (scaled * rest) + each * (tilts.T @ scale) + (self.prior * at)[free]
            step = -np.linalg.solve(normal + damp * np.diag(np.diag(normal)), uphill)
            step *= min(1.0, LONGEST_STEP / max(float(np.abs(step).max()), 1e-9))
            trial = at.copy()
            trial[free] += step
            again, scales = self.rest(trial, weight)
            if self.cost(again, scales, trial) < now:
                at, damp, weight = trial, damp / 3, self.weigh(again)
                rest, scale = self.rest(at, weight)
                now = self.cost(rest, scale, at)
                if np.abs(step).max() < CLOSE_ENOUGH:
                    break
            elif damp > 1e2:
                break
            else:
                damp *= 10
        return now, at
