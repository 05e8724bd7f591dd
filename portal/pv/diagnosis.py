"""Dirt, or something a wash will not mend: strings gone, inverter off, shade, snow.

Dirt grows slowly, dims the whole day alike and goes with rain or a wash. A string gone is a step down from one day to
the next that stays, the same all day. A tree takes a loss at one end of the day, low sun only, that grows over seasons.
An inverter off or snow reads as (almost) nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from portal.pv.arrays import Floats, Ints
from portal.pv.clear import SUN_BANDS
from portal.pv.daily import Daily
from portal.pv.expected import climatological_temperature
from portal.pv.quality import DEAD_SHARE, DECLARED_DEAD
from portal.pv.sun import DAY_S

SMALLEST_STEP = 0.16
"""Log step that dirt does not make from one day to the next (droppings reach some 0.04). No source; on a made
fleet (16 roofs alone, 8 in a town) a fifth less moves nothing, with a fifth more the mean error of the loss grows by
0.9 points and one roof that is clean or faulty is told "soiling"."""
LEAST_STEP_DAYS = 6
"""Clear days on the new level from which a step is told: smoke and dust in the air last some days too. Common
practice, no source."""
WINDOW = 7
"""Clear days on each side of a day that are compared. Tuned on planted sites: longer ones blur a step with dirt."""
LEAST_BEFORE, LEAST_AFTER = 3, 2
"""Clear days before and from a day on, without which it is not looked at. No source."""
UNSEEN_DIRT = 0.001
"""Log soiling a day [1/day] that may have gathered while no clear day was seen. No source; a fifth either way
moves nothing on the same 24 roofs."""

QUARTERS = (0.25, 0.75)
"""Quantiles of the days on each side between which a step leaves a gap. No source."""
STEP_SCATTERS = 4.0
"""Scatters of a day, in standard deviations, that a step must exceed. Common practice, no source."""
NEARLY, STEP_GAP = 0.9, 0.4
"""Ratio of a fall, and of the gap it leaves, to the smallest step from which it is looked at. No source."""
REPAIRED, REPAIR_GAP = 0.7, 0.25
"""Ratio of a rise to the fall before it, and of its gap to the smallest step, from which it is a repair. No source."""
LONG_DAY = 0.2
"""Expected energy of a day over the record's best below which it tells too little of a step. No source."""
HARDLY_SHADED = 0.85
"""Ratio of low sun to the day's clear hours above which there is no shade. No source."""
BETTER = 0.7
"""Quantile of the days' low sun that shows what stands there: clouds near the horizon spoil many. No source."""
SNOW_LIES = 4.0
"""Usual air temperature at noon [°C] below which snow may lie. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class LevelStep:
    """A change of level from one day to the next; ``last`` is None while it lasts."""

    first: int
    """Index of the first day on the new level."""
    last: int | None
    size: float
    """Log change, negative for a loss."""

    @property
    def lost(self) -> float:
        """Share of the output that went with it."""
        return -float(np.expm1(self.size))


@dataclass(frozen=True, slots=True)
class Shade:
    """A loss of the low sun at one end of the day."""

    evening: bool
    height: float
    """Sun elevation below which light is missing now [degrees]."""
    first: int
    """Index of the day from which it shows."""


def _jump(y: Floats) -> tuple[Ints, Floats, Floats]:
    """Median of the clear days from each clear day on minus that before, and how cleanly they part.

    Returns positions (days), sizes, and gap: the distance between the nearer quartiles of both sides; zero where fewer
    than three clear days lie before or two from there on. Windows of :data:`WINDOW` clear days slide over the record;
    those that reach beyond its ends are shorter, which NaN at both ends and quantiles of what is left make of them.
    """
    at = np.flatnonzero(np.isfinite(y))
    sizes, gaps = np.zeros(at.size), np.zeros(at.size)
    if at.size < LEAST_BEFORE + LEAST_AFTER:
        return at, sizes, gaps
    padded = np.concatenate([np.full(WINDOW, np.nan), y[at], np.full(WINDOW, np.nan)])
    windows = np.sort(np.lib.stride_tricks.sliding_window_view(padded, WINDOW), axis=1)  # NaN last
    inside = slice(LEAST_BEFORE, at.size - LEAST_AFTER + 1)
    before, after = windows[: at.size][inside], windows[WINDOW : WINDOW + at.size][inside]
    down = _window_quantile(after, 0.5) - _window_quantile(before, 0.5)
    fell = _window_quantile(before, QUARTERS[0]) - _window_quantile(after, QUARTERS[1])
    rose = _window_quantile(after, QUARTERS[0]) - _window_quantile(before, QUARTERS[1])
    sizes[inside] = down
    gaps[inside] = np.where(down < 0, fell, rose)
    return at, sizes, gaps


def _window_quantile(ordered: Floats, q: float) -> Floats:
    """Quantile of each row, linear between values as numpy's; rows are sorted, NaN last, with one value at least."""
    place = q * (np.isfinite(ordered).sum(axis=1) - 1)
    low = np.floor(place).astype(np.int64)
    row = np.arange(len(ordered))
    below, above = ordered[row, low], ordered[row, np.ceil(place).astype(np.int64)]
    return np.asarray(below + (above - below) * (place - low))


def _split(values: Floats, about: int, reach: int = 8) -> int:
    """Position near ``about`` at which two levels part best: least absolute deviations from their medians."""
    low, high = max(0, about - 2 * reach), min(len(values), about + 2 * reach)
    cost = {
        i: float(
            np.abs(values[low:i] - np.median(values[low:i])).sum()
            + np.abs(values[i:high] - np.median(values[i:high])).sum()
        )
        for i in range(max(low + 2, about - reach), min(high - 1, about + reach + 1))
    }
    return min(cost, key=cost.__getitem__, default=about)


LEAST_SEASON_DAYS = 4
"""Clear days either side of the same day of another year that tell whether its season falls too. Common practice, no
source."""
EDGE_DAYS = 15
"""Clear days on either side of a step whose median is its level. No source; on sixteen made roofs alone and a town of
eight a fifth fewer took the error of the present loss from 2.02 to 2.14 points, a fifth more to 1.97; either told eight
of them something else, with as many dirty roofs and faults found."""
REPAIR_DAYS = 7
"""Clear days after a step up that must hold its level, and among which the largest is the repair. No source; a fifth
either way changed nothing on the same roofs."""
LASTING_DAYS = 60
"""Clear days after a fall from which on their whole median, and not the first weeks, says whether it lasted. No source;
a fifth either way changed nothing on the same roofs."""


def any_between(days: Ints | None, first: int, last: int) -> bool:
    """Whether one of some days lies between two.

    Parameters
    ----------
    days : ndarray of int or None
        Positions.
    first, last : int
        From ``first`` on and before ``last``.

    Returns
    -------
    bool
        False of no days at all.

    Examples
    --------
    >>> any_between(np.array([3, 9]), 3, 9), any_between(np.array([3, 9]), 4, 9), any_between(None, 0, 9)
    (True, False, False)
    """
    return days is not None and bool(((days >= first) & (days < last)).any())


def change_in_other_years(y: Floats, day: int, reach: int = 30) -> float:
    """Change of level about the same day of other years, which is the season's and no fault's.

    Parameters
    ----------
    y : ndarray (days,)
        Log index, NaN on days that do not count.
    day : int
        Position.
    reach : int
        Days on either side.

    Returns
    -------
    float
        Its median over the years [log]; 0 where there is none.
    """
    falls = []
    for year in range(-len(y) // 365, len(y) // 365 + 1):
        about = day + 365 * year
        before, after = y[max(0, about - reach) : max(0, about)], y[max(0, about) : max(0, about + reach)]
        before, after = before[np.isfinite(before)], after[np.isfinite(after)]
        if year and min(before.size, after.size) >= LEAST_SEASON_DAYS:
            falls.append(float(np.median(after) - np.median(before)))
    return float(np.median(falls)) if falls else 0.0


def _repaired(y: Floats, at: Ints, sizes: Floats, gaps: Floats, fall: int, least: float) -> int | None:
    """Position among the clear days of a step up of like size, back to near the level before; None where none is.

    Dirt that a rain takes away is neither.
    """
    size = float(sizes[fall])
    whole = float(np.median(y[at[:fall][-EDGE_DAYS:]]))
    up = np.flatnonzero((np.arange(at.size) > fall + 2) & (sizes > -REPAIRED * size) & (gaps > REPAIR_GAP * least))
    up = np.array([j for j in up if np.median(y[at[j : j + REPAIR_DAYS]]) > whole + 0.5 * size], dtype=np.int64)
    if not up.size:
        return None
    return int(up[0]) + int(np.argmax(sizes[up[0] : up[0] + REPAIR_DAYS]))


def find_steps(
    log_index: Floats, scatter: float, expected_wh: Floats, visit_days: Ints | None = None
) -> list[LevelStep]:
    """Steps of level that last: a string lost, and its repair.

    Parameters
    ----------
    log_index : ndarray (days,)
        NaN on refused days.
    scatter : float
        Day-to-day standard deviation.
    expected_wh : ndarray (days,)
        Days with less than a fifth of the record's best tell too little: the far north's winter.
    visit_days : ndarray of int, optional
        Positions of the days of known cleanings: what comes back at one was dirt, however fast it came.

    Returns
    -------
    list of LevelStep
        In the order of their days.
    """
    washed = np.zeros(len(log_index), dtype=bool)
    y = np.where(expected_wh > LONG_DAY * expected_wh.max(), log_index, np.nan)
    found: list[LevelStep] = []
    least = max(SMALLEST_STEP, STEP_SCATTERS * scatter)
    for _ in range(6):
        at, sizes, gaps = _jump(y)
        if not at.size:
            break
        down = (sizes < -NEARLY * least) & (gaps > STEP_GAP * least) & ~washed[at]
        if not down.any():
            break
        i = _split(y[at], int(np.argmin(np.where(down, sizes, 0))))
        rise = _repaired(y, at, sizes, gaps, i, least)
        last = None if rise is None else int(at[rise]) - 1
        if rise is not None and any_between(visit_days, at[max(i, rise - WINDOW)], at[min(rise + WINDOW, at.size - 1)]):
            washed[at[i] : at[rise]] = True
            continue
        # The size over the weeks on both sides, not just the days at the edge.
        end = last + 1 if last is not None else len(y)
        before, after = at[:i], at[(at >= at[i]) & (at < end)]
        edges = float(np.median(y[after[:EDGE_DAYS]]) - np.median(y[before[-EDGE_DAYS:]]))
        steady = edges - min(0.0, change_in_other_years(y, int(at[i])))
        # In a dark winter nothing is seen for months, in which dirt may have come too.
        waited = int(at[i] - at[i - 1])
        # What has come back by itself since, without a day on which it was repaired, was no fault.
        lasting = float(np.median(y[after]) - np.median(y[before])) if len(after) > LASTING_DAYS else steady
        if steady > -least - UNSEEN_DIRT * waited or lasting > 0.5 * steady:
            y[at[i]] = np.nan
            continue
        step = LevelStep(int(at[i]), last, steady)
        found.append(step)
        y[step.first : end] -= steady
    return sorted(found, key=lambda step: step.first)


SHADED = 0.62
"""Share of the expected low-sun output under which a band of sun elevation counts as shaded: a shaded module still
sees the sky, so some is left; geometry told wrong by a few degrees does not take a third. No source; 0.54
or 0.68 in its place move nothing on a made fleet (16 roofs alone, 8 in a town)."""
GROWN = 0.4
"""Log loss against the same season of an earlier year from which a band counts as shaded. No source; a fifth either
way moves nothing on the same 24 roofs."""
LOWEST_SHADE = 2
"""Number of the first band of :data:`SUN_BANDS` (from 16 degrees up) that counts: lower ones are often shaded on a
healthy roof. Common practice, no source."""

SHADE_DAYS = 75
"""Days whose better ones tell of a band of low sun: ten weeks, in which the sun's path hardly moves. No source; a fifth
either way changed nothing on sixteen made roofs alone and a town of eight."""
LAST_SHADE_DAYS = 300
"""Days for which a tree that showed still stands: in part of the year the low sun hides behind the modules. Common
practice, no source."""
SEASON_DAYS = 40
"""Days either side of the same day of an earlier year whose low sun is compared. No source; a fifth either way changed
nothing on the same roofs."""
LEAST_SHADE_DAYS = 6
"""Days of a band that tell of it at least. Common practice, no source."""
BEGAN_DAYS = 60
"""Days whose better ones show since when a band is shaded. No source; it moves the day that is told, and no verdict."""


def find_shade(daily: Daily) -> Shade | None:
    """A tree or a building that takes the low sun at one end of the day.

    Compares each band of low sun with the same day's noon. A band counts as shaded when even its better days of the
    last ten weeks fall short, of what they should be or of what the same season brought in an earlier year.

    Parameters
    ----------
    daily : Daily
        One row a local day.

    Returns
    -------
    Shade or None
        The end of the day that lacks more; None where neither does.
    """
    bands = daily["low_sun"]
    age = np.arange(len(bands))[::-1]
    found: Shade | None = None
    for side in (0, 1):
        height = 0.0
        for band in range(LOWEST_SHADE, bands.shape[2]):
            # In part of the year the low sun stands behind the modules and hides nothing: a tree that showed in the
            # last ten months still stands.
            for earlier in range(SHADE_DAYS, LAST_SHADE_DAYS, SHADE_DAYS):
                then = _better(bands[(age >= earlier) & (age < earlier + SHADE_DAYS), side, band])
                if then is not None and then < np.log(SHADED):
                    height = float(SUN_BANDS[band + 1])
            now = _better(bands[age < SHADE_DAYS, side, band])
            if now is None or now > np.log(HARDLY_SHADED):
                continue
            before = [
                _better(bands[(np.abs(age - year * 365) < SEASON_DAYS), side, band])
                for year in range(1, len(bands) // 365 + 1)
            ]
            grown = max((past for past in before if past is not None), default=now) - now
            if now < np.log(SHADED) or grown > GROWN:
                height = float(SUN_BANDS[band + 1])
        if height and (found is None or height > found.height):
            band = int(np.searchsorted(SUN_BANDS, height)) - 1
            trail = pd.Series(bands[:, side, LOWEST_SHADE : band + 1].min(axis=1))
            low = trail.rolling(BEGAN_DAYS, min_periods=LEAST_SHADE_DAYS).quantile(BETTER).to_numpy() < np.log(SHADED)
            found = Shade(side == 1, height, int(np.flatnonzero(low)[0]) if low.any() else len(bands) - 1)
    return found


def _better(values: Floats) -> float | None:
    """Quantile BETTER of the finite values; None of fewer than LEAST_SHADE_DAYS."""
    values = np.sort(values[np.isfinite(values)])
    if values.size < LEAST_SHADE_DAYS:
        return None
    # As np.quantile, which takes ten times as long over so few.
    below, part = divmod(BETTER * (values.size - 1), 1)
    low, high = values[int(below)], values[min(int(below) + 1, values.size - 1)]
    return float(low + part * (high - low))


def off_since(daily: Daily) -> int | None:
    """A stretch of (almost) no production that lasts to the record's end.

    Parameters
    ----------
    daily : Daily
        One row a local day.

    Returns
    -------
    int or None
        Index of its first day; None where there is none of two days or more.
    """
    dead = (daily["dead"] > DEAD_SHARE) | (np.nan_to_num(daily["bright"], nan=1.0) < DECLARED_DEAD)
    read = np.isfinite(daily["energy_wh"])
    state = np.where(read, dead, np.nan)
    last = np.flatnonzero(np.isfinite(state))
    if not last.size or not state[last[-1]]:
        return None
    alive = last[state[last] == 0]
    first = int(alive[-1]) + 1 if alive.size else 0
    return first if last[-1] - first >= 1 else None


def is_freezing(daily: Daily, day: int, latitude: float, longitude: float) -> bool:
    """Whether the season at the site is one in which snow lies: rough climatology, common practice, no source.

    Parameters
    ----------
    daily : Daily
        One row a local day.
    day : int
        Index of the day asked of.
    latitude, longitude : float
        Degrees, north and east positive.

    Returns
    -------
    bool
        By the usual air temperature of the date.
    """
    noon = np.array([float(daily.days[day]) * DAY_S + 43_200])
    return bool(climatological_temperature(noon, latitude, longitude)[0] < SNOW_LIES)
