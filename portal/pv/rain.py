"""Whether rain may have washed the modules, day by day."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from portal.pv.arrays import Floats
from portal.pv.daily import DEAD, Daily
from portal.pv.readings import SiteReadings
from portal.pv.spells import LIKELY

DRY_SPELLS = 0.12
"""Share of long dark spells in which it never rains: fog, stratus, smoke. No source; more than the doubt that the word
"clean" allows, so that a roof that was dirty before such a spell is not told clean after it."""
BRIGHT_DAYS = 3
"""Bright days one after the other from which a dark spell is over, and the roof's own days tell what it washed.
Days; no source."""

SKY_WINDOW = (61, 9, 0.9)
"""Days about a day whose brightness it is held against, how many of them have to be known, and which quantile of them
is a clear sky's. Days, days, share; no source."""
SKY_UNSEEN = 0.55
"""Share of a clear sky's light that a day is taken for whose light nobody saw. No source: a day of broken cloud."""
LIGHT_SHARES = (0.0, 0.4, 0.55, 0.7, 0.85, 1.0)
RAIN_BY_LIGHT = (0.42, 0.40, 0.16, 0.06, 0.02, 0.006)
"""Chance that it rained enough to wash on a day with that share of a clear sky's light. Common practice, no source."""
LIGHT_MM = (0.0, 1.0, 3.0, 5.0, 8.0, 13.0)
LIGHT_CHANCE = (0.0, 0.1, 0.5, 0.55, 0.2, 0.03)
HEAVY_MM = (0.0, 2.0, 4.0, 7.0, 12.0)
HEAVY_CHANCE = (0.0, 0.05, 0.25, 0.72, 0.96)
"""Chance of a light and of a heavy wash by the day's rain [mm] at a gauge: on half of the days with 3 mm a light
one, from some 5 to 8 mm a heavy one. Published thresholds lie between 1 mm (Coello and Boyle 2019,
doi:10.1109/JPHOTOV.2019.2919628, from memory) and 3 to 10 mm (Kimber et al. 2006); the curves between them have no
source. Tuned on made towns of two makers: with a light wash nearly sure from 1.5 mm on, roofs that gather dirt through
a dark month of drizzle are told clean (error of the second maker's usual ones 1.16 points instead of 0.85; 10 of 19
found instead of 14); a millimetre more moves the error by 0.03 points."""
HEAVY_SHARE = 0.55
"""Share of the rains without a gauge that wash heavily. No source."""
GAUGE_MISSES = 0.12
"""Chance that a gauge misses what the sky tells of: a shower between it and the roof. No source."""


def to_the_end(chance: Floats) -> Floats:
    """Chance of a wash on each day, where the record ends in a dark spell.

    What a dark spell in the past washed is told by the clear days after it. After the last one there are none, and
    dark days taken each for itself would leave no chance that it stayed dry: 0.6 to the power of twelve days is two in
    a thousand. But days of a spell are alike: a front rains on most of them, a lid of fog on none. So
    :data:`DRY_SPELLS` of spells are taken for dry altogether. What lies on the modules now depends on how long ago the
    last rain fell, so it is told from the record's end backwards: with D the share of dry spells and Q the chance that
    a wet one has not washed since, no rain fell since with D + (1 - D) Q (Bayes), just as here. The last day keeps its
    chance; the further back, the likelier that a spell which has not washed since is dry.

    Parameters
    ----------
    chance : ndarray (days,)
        Of a wash on each day, judged by its own darkness alone.

    Returns
    -------
    ndarray (days,)
        The same up to the last :data:`BRIGHT_DAYS` bright days in a row, and no more than that after them.

    Examples
    --------
    >>> dark = to_the_end(np.concatenate([[0.4, 0.0, 0.0, 0.0], np.full(12, 0.4)]))
    >>> dark[[0, 4, 15]].round(2).tolist(), round(float(np.prod(1 - dark[4:])), 2)
    ([0.4, 0.0, 0.4], 0.12)
    """
    out = chance.copy()
    bright = np.convolve(chance <= LIKELY, np.ones(BRIGHT_DAYS), "full")[: len(chance)] >= BRIGHT_DAYS
    unwashed = 1.0
    begun = int(np.flatnonzero(bright)[-1]) + 1 if bright.any() else 0
    for day in range(len(chance) - 1, begun - 1, -1):
        wet = (1 - DRY_SPELLS) * unwashed
        if_wet = min(float(chance[day]) / (1 - DRY_SPELLS), 1.0)
        out[day] = if_wet * wet / (DRY_SPELLS + wet)
        unwashed *= 1 - if_wet
    return out


def town_rain(sites: Sequence[SiteReadings]) -> pd.Series[float] | None:
    """One rain record for a town.

    Parameters
    ----------
    sites : sequence of SiteReadings
        Each with its gauge or none.

    Returns
    -------
    pd.Series or None
        Daily rain [mm] by local date: the mean of the gauges; None without any.
    """
    records = [site.rain_mm for site in sites if site.rain_mm is not None and len(site.rain_mm)]
    if not records:
        return None
    together = pd.concat(records)
    return together.groupby(level=0).mean()


def wash_chance(daily: Daily, rain_mm: pd.Series[float] | None) -> Floats:
    """Chance of a light and of a heavy wash by rain on each day.

    From a rain gauge where there is one: below 1 mm rarely, from some 3 mm as likely as not a light wash, from about 5
    to 8 mm a heavy one. Without a gauge from the sky: it does not rain from a
    clear one, and rains on some four in ten of the darkest days (common practice, no source), but see
    :func:`to_the_end`.

    Parameters
    ----------
    daily : Daily
        Days, whose brightness tells of the sky.
    rain_mm : pd.Series or None
        Daily rain [mm] by local date; days that are missing or NaN are judged by the sky.

    Returns
    -------
    ndarray (days, 2)
        Chances, 0 to 1.
    """
    dead = daily["flag"] == DEAD  # a system that is off tells nothing of the sky
    bright = pd.Series(np.where(dead, np.nan, daily["bright"]))
    days, known_days, clear = SKY_WINDOW
    top = bright.rolling(days, center=True, min_periods=known_days).quantile(clear).to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.nan_to_num(bright.to_numpy() / top, nan=SKY_UNSEEN)
    dark = np.interp(share, LIGHT_SHARES, RAIN_BY_LIGHT)
    dark = np.where(dead, dark, to_the_end(np.where(dead, 0.0, dark)))
    unknown = np.stack([(1 - HEAVY_SHARE) * dark, HEAVY_SHARE * dark], axis=1)
    if rain_mm is None or not len(rain_mm):
        return unknown
    gauge = pd.Series(rain_mm.to_numpy(dtype=np.float64), index=list(rain_mm.index))
    mm = gauge[~gauge.index.duplicated()].reindex(daily.dates()).to_numpy(dtype=np.float64)
    light = np.interp(mm, LIGHT_MM, LIGHT_CHANCE)
    heavy = np.interp(mm, HEAVY_MM, HEAVY_CHANCE)
    known = np.stack([light, heavy], axis=1)
    known = np.maximum(known, GAUGE_MISSES * unknown)
    return np.where(np.isfinite(mm)[:, None], known, unknown)
