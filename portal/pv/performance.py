"""The daily performance index that the soiling fit works on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.arrays import Floats
from portal.pv.daily import Daily


@dataclass(frozen=True)
class Index:
    """Daily performance index of one site; arrays of shape (days,)."""

    log_index: Floats
    """Natural log of the index, the day's haze taken out as far as its shape tells; NaN on refused days."""
    scatter: float
    """Robust standard deviation of a day's log index about the days around it."""
    haze_gain: float
    """Log index per unit of haze slope, as the site's own days show it."""
    haze_level: float
    """Haze slope to which days are brought."""


def performance_index(daily: Daily) -> Index:
    """Daily performance index from clear intervals, corrected for the haze that the day's own shape shows.

    Production over expected energy of the clear intervals (an IEC 61724-1 performance index with a modelled
    expectation), in logarithms. Haze dims a low sun more than a high one, so the slope of a clear day against air
    mass tells its haze. How much a unit of slope costs is learned on this site from differences to the days around
    each day, in which dirt, season and age cancel.

    Parameters
    ----------
    daily : Daily
        One row a local day.

    Returns
    -------
    Index
        By day, and what the record teaches of haze.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        raw = np.log(daily["index"])
    haze = daily["haze"]
    frame = pd.DataFrame({"y": raw, "h": haze, "w": daily["haze_weight"]})
    around = frame[["y", "h"]].rolling(21, center=True, min_periods=5).median()
    dy, dh = (frame.y - around.y).to_numpy(), (frame.h - around.h).to_numpy()
    good = np.isfinite(dy) & np.isfinite(dh) & (np.abs(dy) < 0.25)
    gain = level = 0.0
    corrected = raw.copy()
    if good.sum() >= 25:
        spread = max(1.4826 * float(np.median(np.abs(dh[good]))), 1e-4)
        clipped = np.clip(dh, -4 * spread, 4 * spread)
        # A few days tell little: shrink towards none.
        noise = float(np.var(dy[good])) / 0.5**2
        gain = float((dy[good] * clipped[good]).sum() / ((clipped[good] ** 2).sum() + noise))
        gain = float(np.clip(gain, 0.0, 1.8))
        season = around.h.interpolate(limit_direction="both").to_numpy()
        level = float(np.nanmedian(haze))
        shown = np.where(np.isfinite(haze), np.clip(haze - season, -4 * spread, 4 * spread) + season - level, np.nan)
        # Where a day's haze cannot be told, the weeks around it are the best guess.
        corrected = raw - gain * np.where(np.isfinite(shown), shown, season - level)
    rest = pd.Series(corrected)
    off = (rest - rest.rolling(21, center=True, min_periods=5).median()).to_numpy()
    off = off[np.isfinite(off)]
    scatter = 1.4826 * float(np.median(np.abs(off))) if off.size >= 10 else 0.05
    return Index(corrected, float(np.clip(1.1 * scatter, 0.012, 0.12)), gain, level)


def new_index(index: Index, rows: npt.NDArray[np.void]) -> Floats:
    """Log index of new days, corrected for haze with what the record has taught.

    Parameters
    ----------
    index : Index
        Of the record before them.
    rows : ndarray (days,) of DAY
        The new days.

    Returns
    -------
    ndarray (days,)
        NaN on refused days; a day whose haze cannot be told stays as it is.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        raw = np.log(rows["index"].astype(np.float64))
    haze = rows["haze"].astype(np.float64)
    return raw - index.haze_gain * np.where(np.isfinite(haze), haze - index.haze_level, 0.0)
