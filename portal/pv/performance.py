"""The daily performance index that the soiling fit works on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.arrays import Floats
from portal.pv.daily import Daily

AROUND_DAYS, FEWEST_AROUND = 21, 5
"""Days about a day to which it is compared, and how many of them must count. No source; on 8 made roofs alone a fifth
less of the first raises the mean errors of loss and gain by 0.03 points, a fifth more lowers them by 0.02 and 0.09."""
OUTLIER = 0.25
"""Log distance from the days around beyond which a day teaches nothing of haze. No source; a fifth either way moves the
mean error of the loss of 8 made roofs by 0.01 points at most."""
LEAST_HAZE_DAYS = 25
"""Days without which nothing is learned of haze. No source; a fifth either way moves nothing on 8 made roofs."""
FAR_HAZE = 4.0
"""Robust standard deviations beyond which a day's haze slope counts as no further. No source; a fifth either way moves
mean errors of 8 made roofs by 0.02 points at most."""
PRIOR_HAZE_GAIN = 0.5
"""Standard deviation of what a unit of haze slope costs before the record speaks, about none [log]. No source; a fifth
either way moves nothing on 8 made roofs."""
MOST_HAZE_GAIN = 1.8
"""Most that a unit of haze slope may cost [log]; the least is none. No source; a fifth either way moves nothing on 8
made roofs."""
NORMAL_MAD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation, by definition."""
WIDENED = 1.1
"""Ratio of the scatter used to that seen, since the days around a day follow it a little. No source; on 8 made roofs
alone a fifth less raises the mean errors of loss and gain by 0.1 and 0.3 points and leaves one present loss of 8
outside its interval; a fifth more lowers them by 0.1 and 0.3."""
LEAST_SCATTER, MOST_SCATTER = 0.012, 0.12
"""Scatter [log] that is believed. No source; a fifth either way moves nothing on 8 made roofs."""
UNKNOWN_SCATTER = 0.05
LEAST_SCATTER_DAYS = 10
"""Scatter [log] taken with fewer days than these. No source; a shorter record gets no estimate."""


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
    around = frame[["y", "h"]].rolling(AROUND_DAYS, center=True, min_periods=FEWEST_AROUND).median()
    dy, dh = (frame.y - around.y).to_numpy(), (frame.h - around.h).to_numpy()
    good = np.isfinite(dy) & np.isfinite(dh) & (np.abs(dy) < OUTLIER)
    gain = level = 0.0
    corrected = raw.copy()
    if good.sum() >= LEAST_HAZE_DAYS:
        spread = max(NORMAL_MAD * float(np.median(np.abs(dh[good]))), 1e-4)
        clipped = np.clip(dh, -FAR_HAZE * spread, FAR_HAZE * spread)
        # A few days tell little: shrink towards none.
        noise = float(np.var(dy[good])) / PRIOR_HAZE_GAIN**2
        gain = float((dy[good] * clipped[good]).sum() / ((clipped[good] ** 2).sum() + noise))
        gain = float(np.clip(gain, 0.0, MOST_HAZE_GAIN))
        season = around.h.interpolate(limit_direction="both").to_numpy()
        level = float(np.nanmedian(haze))
        near = np.clip(haze - season, -FAR_HAZE * spread, FAR_HAZE * spread)
        shown = np.where(np.isfinite(haze), near + season - level, np.nan)
        # Where a day's haze cannot be told, the weeks around it are the best guess.
        corrected = raw - gain * np.where(np.isfinite(shown), shown, season - level)
    rest = pd.Series(corrected)
    off = (rest - rest.rolling(AROUND_DAYS, center=True, min_periods=FEWEST_AROUND).median()).to_numpy()
    off = off[np.isfinite(off)]
    scatter = NORMAL_MAD * float(np.median(np.abs(off))) if off.size >= LEAST_SCATTER_DAYS else UNKNOWN_SCATTER
    return Index(corrected, float(np.clip(WIDENED * scatter, LEAST_SCATTER, MOST_SCATTER)), gain, level)


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
