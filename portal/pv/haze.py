"""Haze that the shape of a clear day shows, and how much of it is taken out of the index.

Haze dims the beam and brightens the sky about it, so it takes more from a low sun than from a high one, and nothing
from modules that see no sun; dirt takes from all alike. What more haze does to a roof in each interval follows from the
clear-sky model, its planes, and where the sun stands. A clear day is a mixture of that response and of a level: the
part of the response, times its mean over the day, is what the haze took from the day's index.

A day's shape errs by more than most hazes do, so only a part of what it shows is believed (regression on what errs
dilutes: Fuller 1987, Measurement Error Models, doi:10.1002/9780470316665, from memory). How much, each roof's own days
teach: from each day against those around it, in which season, age and dirt cancel.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from portal.pv.array import Array
from portal.pv.arrays import Bools, Floats
from portal.pv.expected import energy_in, light_in
from portal.pv.grid import MeteredDays

MORE_TURBID = 0.5
"""Linke turbidity by which more haze is tried: the response hardly changes with it. No source; a fifth either way moves
the middle interval of a year by 0.3 % and one in twenty by more than 1.1 %."""
EVERY_DAYS = 8
"""Days between those on which the response is reckoned: the sun's height moves by three degrees at most. No source."""
LEAST_CLEAR = 5
"""Clear intervals of a day that tell of its haze at least. Common practice, no source."""
LEAST_SPREAD = 0.05
"""Spread of the response over a day's clear intervals, as a share of its mean, that tells of haze. No source; twice of
it leaves out summers on steep roofs, and moves the mean errors of 384 made roofs by 0.05 points at most."""

AROUND_DAYS, FEWEST_AROUND = 21, 5
"""Days about a day to which it is compared, and how many of them must count. No source; on 8 made roofs alone a fifth
less of the first raises the mean errors of loss and gain by 0.03 points, a fifth more lowers them by 0.02 and 0.09."""
OUTLIER = 0.25
"""Log distance from the days around beyond which a day teaches nothing of haze. No source; a fifth either way moves the
mean error of the loss of 8 made roofs by 0.01 points at most."""
LEAST_HAZE_DAYS = 25
"""Days without which nothing is learned of haze. No source; a fifth either way moves nothing on 8 made roofs."""
FAR_HAZE = 4.0
"""Robust standard deviations beyond which a day's haze counts as no further. No source; a fifth either way moves
mean errors of 8 made roofs by 0.02 points at most."""
NORMAL_MAD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation, by definition."""
PRIOR_GAIN_SD = 0.5
"""Standard deviation of the gain before the record speaks, about none [ratio]. No source; a fifth either way moves
nothing on 8 made roofs."""
MOST_GAIN = 1.2
"""Most that the index may lose, over what the shape tells [ratio]; the least is none. No source: 1 by the model."""


@dataclass(frozen=True)
class Haze:
    """What a record teaches of its haze."""

    gain: float = 0.0
    """Index [log] over what the shape of days tells [log]."""
    level: float = 0.0
    """Dimming of the median day [log], to which days are brought."""
    spread: float = 0.0
    """Robust standard deviation of a day's about those around it [log]."""


def haze_response(array: Array, days: MeteredDays) -> Floats:
    """What a unit of Linke turbidity takes from each interval under a clear sky.

    Parameters
    ----------
    array : Array
        The site's facts.
    days : MeteredDays
        The readings, shorter than daily totals.

    Returns
    -------
    ndarray (days, slots)
        [log], positive where haze dims; 0 without sun.
    """
    count = len(days.start_unix)
    some = np.unique(np.append(np.arange(0, count, EVERY_DAYS), count - 1))
    free = replace(array, ac_kw=10 * array.dc_kw)  # an inverter at its limit hides the haze of that interval alone
    at = days.start_unix[some]
    usual, hazy = (
        energy_in(light_in(array.latitude, array.longitude, at.ravel(), days.interval_minutes, more), free).energy_wh
        for more in (0.0, MORE_TURBID)
    )
    lit = np.minimum(usual, hazy) > 0
    ratio = np.divide(usual, hazy, out=np.ones_like(usual), where=lit)
    response = (np.log(ratio) / MORE_TURBID).reshape(at.shape)
    if count == 1:
        return response
    after = np.clip(np.searchsorted(some, np.arange(count)), 1, len(some) - 1)
    share = ((np.arange(count) - some[after - 1]) / (some[after] - some[after - 1]))[:, None]
    return np.asarray((1 - share) * response[after - 1] + share * response[after])


def dimming_shown(log_ratio: Floats, clear: Bools, days: MeteredDays, response: Floats) -> Floats:
    """Log of what haze makes of each day's index, by the day's own shape.

    A weighted least-squares line in the response with a term in hour angle, which takes up an azimuth told wrong; as a
    Langley plot, with the response in the place of air mass.

    Parameters
    ----------
    log_ratio : ndarray (days, slots)
        Log of production over expectation; anything finite where not clear.
    clear : ndarray of bool (days, slots)
        Intervals under a clear sky.
    days : MeteredDays
        The readings.
    response : ndarray (days, slots)
        :func:`haze_response`.

    Returns
    -------
    ndarray (days,)
        [log], negative under more haze than expected; NaN where the day's clear intervals are too alike to tell.
    """
    # What modules get from a sun beside or behind them is the sky's light, of which clear-sky models know least.
    clear = clear & (response > 0)
    turn = np.where(clear, days.hour_angle / 60, 0.0)
    answer = np.where(clear, response, 0.0)
    weight = np.where(clear, days.expected_wh, 0.0)
    total = np.maximum(weight.sum(axis=1), 1e-9)

    def mean(values: Floats) -> Floats:
        return np.asarray((weight * values).sum(axis=1) / total)

    r, h, y = mean(answer), mean(turn), mean(log_ratio)
    rr, hh, rh = mean(answer * answer) - r * r, mean(turn * turn) - h * h, mean(answer * turn) - r * h
    ry, hy = mean(answer * log_ratio) - r * y, mean(turn * log_ratio) - h * y
    hh = np.maximum(hh, 1e-6)
    spread = rr - rh * rh / hh
    told = (clear.sum(axis=1) >= LEAST_CLEAR) & (spread > (LEAST_SPREAD * r) ** 2) & (r > 0)
    slope = np.divide(ry - rh * hy / hh, spread, out=np.full(len(r), np.nan), where=told)
    return np.asarray(slope * r)


def learn_haze(log_index: Floats, shown: Floats) -> Haze:
    """What a record teaches of its haze.

    Parameters
    ----------
    log_index : ndarray (days,)
        Log of the daily index, the haze in it; NaN on refused days.
    shown : ndarray (days,)
        :func:`dimming_shown`; NaN where it cannot be told.

    Returns
    -------
    Haze
        All zero where fewer than :data:`LEAST_HAZE_DAYS` tell.
    """
    off_index, off = log_index - _around(log_index), shown - _around(shown)
    good = np.isfinite(off_index) & np.isfinite(off) & (np.abs(off_index) < OUTLIER)
    if good.sum() < LEAST_HAZE_DAYS:
        return Haze()
    spread = max(NORMAL_MAD * float(np.median(np.abs(off[good]))), 1e-4)
    y, x = off_index[good], np.clip(off[good], -FAR_HAZE * spread, FAR_HAZE * spread)
    # A few days tell little: shrink towards none.
    gain = float(x @ y) / (float(x @ x) + float(np.var(y)) / PRIOR_GAIN_SD**2)
    return Haze(float(np.clip(gain, 0, MOST_GAIN)), float(np.nanmedian(shown)), spread)


def without_haze(log_index: Floats, shown: Floats, haze: Haze, *, in_town: bool = False) -> Floats:
    """Log index less what haze takes, as far as the shape of the days and of those around tells.

    Parameters
    ----------
    log_index, shown
        As for :func:`learn_haze`.
    haze : Haze
        What the record taught.
    in_town : bool
        Leave what the weeks have in common: neighbours tell that better than one roof's shapes, whose errors are its
        own.

    Returns
    -------
    ndarray (days,)
        NaN where ``log_index`` is.
    """
    if not haze.gain:
        return log_index
    # Where a day's haze cannot be told, the weeks around it are the best guess.
    around = np.nan_to_num(_around(shown), nan=haze.level)
    off = np.clip(np.nan_to_num(shown - around), -FAR_HAZE * haze.spread, FAR_HAZE * haze.spread)
    return np.asarray(log_index - haze.gain * (off if in_town else around + off - haze.level))


def _around(values: Floats) -> Floats:
    """Median of the days around each day; NaN only where none has any."""
    days = pd.Series(values).rolling(AROUND_DAYS, center=True, min_periods=FEWEST_AROUND)
    return np.asarray(days.median().interpolate(limit_direction="both").to_numpy())
