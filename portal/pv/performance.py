"""Yields and ratios of IEC 61724-1, and the daily performance index that the soiling fit works on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.arrays import Floats
from portal.pv.daily import Daily


def final_yield(energy_wh: float, dc_rated_w: float) -> float:
    """Final yield Y_f [h]: energy over rated DC power (IEC 61724-1:2021, "yields").

    Examples
    --------
    >>> final_yield(18_000, 5_000)
    3.6
    """
    return energy_wh / dc_rated_w


def reference_yield(insolation_wh_m2: float) -> float:
    """Reference yield Y_r [h]: in-plane insolation over the reference irradiance of 1,000 W/m² (IEC 61724-1).

    Examples
    --------
    >>> reference_yield(4_500)
    4.5
    """
    return insolation_wh_m2 / 1000


def performance_ratio(energy_wh: float, dc_rated_w: float, insolation_wh_m2: float) -> float:
    """Performance ratio PR = Y_f / Y_r (IEC 61724-1).

    Examples
    --------
    >>> performance_ratio(18_000, 5_000, 4_500)
    0.8
    """
    return final_yield(energy_wh, dc_rated_w) / reference_yield(insolation_wh_m2)


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
    """Log index of new days, corrected for haze with what the record has taught, shape (days,)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        raw = np.log(rows["index"].astype(np.float64))
    haze = rows["haze"].astype(np.float64)
    return raw - index.haze_gain * np.where(np.isfinite(haze), haze - index.haze_level, 0.0)
