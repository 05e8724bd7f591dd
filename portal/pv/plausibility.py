"""Whether a file's readings can be this site's at all: their size against the inverter, their hours against the sun."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from portal.pv.arrays import Floats
from portal.pv.haze import NORMAL_MAD
from portal.pv.sun import DAY_S, sun_position

CIVIL_TWILIGHT = -6.0
"""Elevation of the sun [degrees] below which no PV system gives energy: the end of civil twilight, by definition."""
HIGH_ENOUGH = 0.6
"""Days count that have this share of a high day's energy (ratio); common practice, no source."""
FEWEST_HIGH_DAYS, MOST_HIGH_DAYS = 3, 60
"""Bright days that are enough to see where the sun stood, and that are looked at. Days; no source."""
SURE_H = 0.15
"""Standard error of the shift up to which it is told [hours]; common practice, no source."""
DIFFUSE = 0.15
"""Share of the light that comes from the whole sky on a bright day (ratio); common practice, no source."""
INTERVALS_LOOKED_AT = 20_000
"""So many intervals, spread evenly, are enough to tell. Intervals; no source."""
FULL_HOURS = 8.0
"""Hours at full power that a day's total is taken to hold. Common practice, no source."""
SIZE_QUANTILE = 0.995
"""Quantile of the readings that is held against the array's power: the few above it are slips of a meter. No source."""
HIGH_DAY = 0.9
"""Quantile of the days' energies that is a high day's. No source."""
MEINEL_BASE, MEINEL_POWER = 0.7, 0.678
"""Direct light over that outside the air is the one to the power of air mass to the other [ratio]: Meinel and Meinel
1976, Applied Solar Energy."""
LEAST_UP = 0.02
"""Sine of the sun's elevation below which no direct light is counted [ratio]: the sun is in the horizon. No source."""


@dataclass(frozen=True, slots=True)
class Plausibility:
    """How readings lie to their site."""

    size: float
    """High power over the inverter's AC size (daily totals: high energy over eight hours at that size); ratio."""
    dark: float
    """Share of the energy while the sun is more than 6° below the horizon; NaN for daily totals. Ratio."""


def plausibility_of(
    energy_wh: pd.Series[float], interval_minutes: int, *, latitude: float, longitude: float, ac_kw: float
) -> Plausibility | None:
    """Compare readings with the inverter's size and the sun's hours.

    Parameters
    ----------
    energy_wh : pd.Series
        Energy per interval [Wh], index tz-aware interval starts; NaN are left out.
    interval_minutes : int
        Interval length; 1440 for daily totals.
    latitude, longitude : float
        Degrees, north and east positive.
    ac_kw : float
        The inverter's AC size [kW].

    Returns
    -------
    Plausibility or None
        None when there is no energy to look at.

    Examples
    --------
    >>> noon = pd.date_range("2026-06-21T12:00Z", periods=4, freq="15min")
    >>> told = plausibility_of(pd.Series(1250.0, index=noon), 15, latitude=40.0, longitude=0.0, ac_kw=5.0)
    >>> told.size, told.dark
    (1.0, 0.0)
    """
    known = energy_wh[energy_wh > 0]
    if known.empty:
        return None
    known = known.iloc[:: max(1, len(known) // INTERVALS_LOOKED_AT)]
    energy = known.to_numpy(dtype=np.float64)
    hours = FULL_HOURS if interval_minutes == 1440 else interval_minutes / 60
    size = float(np.quantile(energy, SIZE_QUANTILE)) / (ac_kw * 1000 * hours)
    if interval_minutes == 1440:
        return Plausibility(size, float("nan"))
    middle = pd.DatetimeIndex(known.index).as_unit("s").asi8.astype(np.float64) + interval_minutes * 60 / 2
    zenith, _, _ = sun_position(middle, latitude, longitude)
    return Plausibility(size, float(energy[zenith > 90 - CIVIL_TWILIGHT].sum() / energy.sum()))


def sun_shift(
    energy_wh: pd.Series[float],
    interval_minutes: int,
    *,
    latitude: float,
    longitude: float,
    planes: Sequence[tuple[float, float, float]],
) -> float | None:
    """Hours by which the production of bright days lies later than the sun stands to the roof.

    The middle of each bright day's energy is held against that of the sun's light on the planes: direct light after
    Meinel (0.7 ** airmass ** 0.678; Meinel and Meinel 1976, Applied Solar Energy), some from the whole sky. Clouds
    move single days, so the median counts.

    Parameters
    ----------
    energy_wh : pd.Series
        Energy per interval [Wh], index tz-aware interval starts; NaN are left out.
    interval_minutes : int
        Interval length, below 1440.
    latitude, longitude : float
        Degrees, north and east positive.
    planes : sequence of tuple
        Tilt [degrees], azimuth [degrees clockwise from north] and size [kW] of each plane; none for a flat one.

    Returns
    -------
    float or None
        Hours; None where too few days are bright or they do not agree.

    Examples
    --------
    >>> day = pd.date_range("2026-06-21T00:00Z", periods=24, freq="1h")
    >>> light = pd.Series(np.clip(np.cos((np.arange(24) - 11.5) / 12 * np.pi), 0, None), index=day)
    >>> days = pd.concat([light.shift(freq=f"{24 * i}h") for i in range(3)])
    >>> bool(abs(sun_shift(days, 60, latitude=40.0, longitude=0.0, planes=[(30, 180, 5)])) < 0.1)
    True
    """
    known = energy_wh[energy_wh > 0]
    half = interval_minutes * 60 / 2
    middle = pd.DatetimeIndex(known.index).as_unit("s").asi8.astype(np.float64) + half
    energy = known.to_numpy(dtype=np.float64)
    east_s = longitude / 15 * 3600
    day = np.floor((middle + east_s) / DAY_S).astype(np.int64)
    days, at = np.unique(day, return_inverse=True)
    if len(days) < FEWEST_HIGH_DAYS:
        return None
    total = np.bincount(at, weights=energy)
    found = np.bincount(at, weights=energy * (middle + east_s - day * DAY_S)) / total / 3600
    bright = np.flatnonzero(total > HIGH_ENOUGH * np.quantile(total, HIGH_DAY))
    bright = bright[:: max(1, len(bright) // MOST_HIGH_DAYS)]
    clock_s = np.arange(half, DAY_S, 2 * half)
    light = _light((days[bright, None] * DAY_S + clock_s - east_s).ravel(), latitude, longitude, planes)
    light = light.reshape(len(bright), -1)
    if len(bright) < FEWEST_HIGH_DAYS or not (light.sum(axis=1) > 0).all():
        return None
    shifts = found[bright] - (light * clock_s).sum(axis=1) / light.sum(axis=1) / 3600
    shift = float(np.median(shifts))
    error = NORMAL_MAD * float(np.median(np.abs(shifts - shift))) / np.sqrt(len(shifts))
    return shift if error < SURE_H else None


def _light(unix: Floats, latitude: float, longitude: float, planes: Sequence[tuple[float, float, float]]) -> Floats:
    """Light on the planes of a bright day, in any unit."""
    zenith, azimuth, _ = sun_position(unix, latitude, longitude)
    up = np.cos(np.radians(zenith))
    sky = np.clip(up, 0, None)
    direct = np.where(up > LEAST_UP, MEINEL_BASE ** (1 / np.maximum(up, LEAST_UP)) ** MEINEL_POWER, 0.0)
    light = np.zeros(len(unix))
    for tilt, facing, size in planes or [(0.0, 0.0, 1.0)]:
        lean = np.sin(np.radians(zenith)) * np.sin(np.radians(tilt)) * np.cos(np.radians(azimuth - facing))
        light += size * (direct * np.clip(up * np.cos(np.radians(tilt)) + lean, 0, None) + DIFFUSE * sky)
    return light
