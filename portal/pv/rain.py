"""Whether rain may have washed the modules, day by day."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from portal.pv.arrays import Floats
from portal.pv.daily import Daily
from portal.pv.readings import SiteReadings


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

    From a rain gauge where there is one: below 1 mm rarely, then a light wash, from about 5 to 8 mm a heavy one
    (thresholds of Kimber et al. 2006 and later, 3 to 10 mm). Without a gauge from the sky: it does not rain from a
    clear one, and rains on some four in ten of the darkest days (common practice, no source).

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
    top = pd.Series(daily["bright"]).rolling(61, center=True, min_periods=9).quantile(0.9).to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.nan_to_num(daily["bright"] / top, nan=0.55)
    dark = np.interp(share, [0, 0.4, 0.55, 0.7, 0.85, 1.0], [0.42, 0.40, 0.16, 0.06, 0.02, 0.006])
    unknown = np.stack([0.45 * dark, 0.55 * dark], axis=1)
    if rain_mm is None or not len(rain_mm):
        return unknown
    gauge = pd.Series(rain_mm.to_numpy(dtype=np.float64), index=list(rain_mm.index))
    mm = gauge[~gauge.index.duplicated()].reindex(daily.dates()).to_numpy(dtype=np.float64)
    light = np.interp(mm, [0.0, 0.4, 1.5, 4.0, 7.0, 12.0], [0.0, 0.1, 0.85, 0.7, 0.25, 0.03])
    heavy = np.interp(mm, [0.0, 2.0, 4.0, 7.0, 12.0], [0.0, 0.05, 0.25, 0.72, 0.96])
    known = np.stack([light, heavy], axis=1)
    # A gauge misses a rain now and then.
    known = np.maximum(known, 0.12 * unknown)
    return np.where(np.isfinite(mm)[:, None], known, unknown)
