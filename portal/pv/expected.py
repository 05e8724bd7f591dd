"""Expected energy of a clean, healthy site under a clear sky.

Sun position, clear sky, transposition, incidence angle, cell temperature, DC, inverter: every step a pvlib model,
run at instants inside each interval and only where the sun is up. No weather is read: the sky is the Ineichen clear
sky with the Linke turbidity climatology, the air temperature a rough climatology of latitude and season. What that
gets wrong (a level, a season, the day's haze) is estimated from the readings in :mod:`portal.pv.soiling`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from portal.pv.array import Array, Plane
from portal.pv.arrays import Bools, Floats, Ints
from portal.pv.sun import DAY_S, GREGORIAN_YEAR, among_the_stars, sun_position

TEMPERATURE_COEFFICIENT = -0.0035
"""Of DC power [1/K]; common for crystalline silicon (PVWatts v5: -0.0047 standard, -0.0035 premium modules)."""
SYSTEM_LOSSES = 0.10
"""Share of DC power lost by mismatch, wiring, light-induced and nameplate losses; common practice, no source (PVWatts
v5 default is 0.14 with soiling and shading inside it). The site's own level is fitted, so this only sets where it
starts."""
INVERTER_EFFICIENCY = 0.96
"""Nominal efficiency, AC over DC power (PVWatts v5)."""
ALBEDO = 0.2
"""Share of the irradiance that the ground reflects; common practice (PVWatts v5)."""
LAST_LIGHT = 89.5
"""Zenith [degrees] from which on no light is counted: the sky model ends there. No source."""
GRAZING = 89.0
"""Zenith [degrees] beyond which light about a setting sun counts no more on a wall. Common practice, no source."""
GLASS = (1.526, 4.0, 0.002)
"""Refractive index, absorption [1/m] and thickness [m] of a module's glass (De Soto et al. 2006,
doi:10.1016/j.solener.2005.06.010)."""
DIFFUSE_ANGLE = 58.0
"""Angle of incidence [degrees] at which glass passes direct light as it passes that of the whole sky (Brandemuehl and
Beckman 1980, doi:10.1016/0038-092X(80)90477-0; from memory)."""


@dataclass(frozen=True, slots=True)
class Sky:
    """Sun and clear sky over one place at instants when the sun is up; arrays of one shape (n,)."""

    unix: Floats
    zenith: Floats
    """Apparent (refracted) zenith angle of the sun [degrees]."""
    azimuth: Floats
    """Degrees clockwise from north."""
    dni: Floats
    ghi: Floats
    dhi: Floats
    """Clear-sky irradiance [W/m²]."""
    dni_extra: Floats
    temp_air: Floats
    """Rough climatological air temperature [°C]."""


@dataclass(frozen=True, slots=True)
class ExpectedIntervals:
    """Expected energy by interval; arrays of one shape (n,), zero at night."""

    energy_wh: Floats
    elevation: Floats
    """Sun's apparent elevation, averaged over the instants used [degrees]."""
    hour_angle: Floats
    """Sun's hour angle at mid interval, negative before solar noon [degrees]."""


@dataclass(frozen=True, slots=True)
class Light:
    """Sun and sky over one place in n intervals: all that their expected energy needs besides the modules."""

    sky: Sky
    up: Bools
    """Instants at which the sun is up, of shape (n * instants an interval,)."""
    hours: float
    """Of an instant."""
    elevation: Floats
    hour_angle: Floats
    """As of :class:`ExpectedIntervals`."""


def climatological_temperature(unix: Floats, latitude: float, longitude: float) -> Floats:
    """Rough air temperature [°C] from latitude, season and solar time. Common practice, no source.

    Zonal means over land: 27 °C at the equator falling with the square of the sine of latitude to -1 °C at 65°;
    seasonal swing growing with latitude, daily swing 5 K about its peak at 15 h solar time.

    Parameters
    ----------
    unix : ndarray (n,)
        Seconds since 1970-01-01 00:00 UTC.
    latitude, longitude : float
        Degrees, north and east positive.

    Returns
    -------
    ndarray (n,)
        [°C]

    Examples
    --------
    The equator at 15 h solar time, 5 K above its mean of 27 °C:

    >>> climatological_temperature(np.array([15 * 3600.0]), 0.0, 0.0).tolist()
    [32.0]
    """
    year_angle = 2 * np.pi * (unix / DAY_S % GREGORIAN_YEAR - 201) / GREGORIAN_YEAR
    south = -1.0 if latitude < 0 else 1.0
    s = abs(np.sin(np.radians(latitude)))
    solar_hour = (unix / 3600 + longitude / 15) % 24
    swing = (14.0 if south > 0 else 9.0) * min(1.0, 1.6 * s)
    return np.asarray(
        27 - 34 * s * s + south * swing * np.cos(year_angle) + 5 * np.cos(2 * np.pi * (solar_hour - 15) / 24)
    )


def clear_sky(unix: Floats, latitude: float, longitude: float) -> Sky:
    """Sun and Ineichen clear sky at those of the instants when the sun is above the horizon.

    Ineichen and Perez 2002 (doi:10.1016/S0038-092X(02)00045-2) with the Linke turbidity climatology and the altitude
    map that come with pvlib.

    Parameters
    ----------
    unix : ndarray (n,)
        Seconds since 1970-01-01 00:00 UTC; finite.
    latitude, longitude : float
        Degrees, north and east positive.

    Returns
    -------
    Sky
        At the instants when the sun is up, in their order: as many or fewer.

    Examples
    --------
    >>> noon, midnight = 1_592_740_800.0, 1_592_784_000.0
    >>> sky = clear_sky(np.array([noon, midnight]), 52.0, 8.0)
    >>> sky.ghi.shape, bool(800 < sky.ghi[0] < 950)
    ((1,), True)
    """
    zenith, azimuth, _ = sun_position(unix, latitude, longitude)
    up = zenith < LAST_LIGHT
    return _sky(unix[up], zenith[up], azimuth[up], latitude, longitude)


def _sky(unix: Floats, zenith: Floats, azimuth: Floats, latitude: float, longitude: float, hazier: float = 0) -> Sky:
    """Clear sky under a sun that is up."""
    from pvlib import atmosphere as air  # see portal.pv.sun: only who computes a sky waits for it
    from pvlib import clearsky, irradiance

    altitude, month_days, linke = _place(latitude, longitude)
    year_day = (unix / DAY_S % GREGORIAN_YEAR) + 1
    turbidity = np.interp(year_day, month_days, linke, period=366) + hazier
    extra = np.asarray(irradiance.get_extra_radiation(year_day))
    mass = air.get_absolute_airmass(
        air.get_relative_airmass(zenith, model="kastenyoung1989"), pressure=air.alt2pres(altitude)
    )
    sky = clearsky.ineichen(zenith, mass, turbidity, altitude=altitude, dni_extra=extra)
    return Sky(
        unix=unix,
        zenith=zenith,
        azimuth=azimuth,
        dni=sky["dni"],
        ghi=sky["ghi"],
        dhi=sky["dhi"],
        dni_extra=extra,
        temp_air=climatological_temperature(unix, latitude, longitude),
    )


def _place(latitude: float, longitude: float) -> tuple[float, Floats, Floats]:
    """Altitude [m] of a place, and its Linke turbidity (12,) by day of the year (12,)."""
    # Both maps have twelve pixels a degree, so that all roofs of a pixel share a look at its middle.
    row, column = (min(math.floor(one * 12), 12 * most - 1) for one, most in ((latitude, 90), (longitude, 180)))
    return _pixel((row + 0.5) / 12, (column + 0.5) / 12)


@lru_cache(maxsize=4096)
def _pixel(latitude: float, longitude: float) -> tuple[float, Floats, Floats]:
    from pvlib import clearsky, location  # see portal.pv.sun: only who computes a sky waits for it

    # The climatology holds a value a month, which is interpolated between the months' middles.
    months = pd.date_range("2023-01-01", periods=12, freq="MS", tz="UTC") + pd.Timedelta(days=14)
    linke = clearsky.lookup_linke_turbidity(months, latitude, longitude, interp_turbidity=False).to_numpy()
    return float(location.lookup_altitude(latitude, longitude)), np.asarray(months.day_of_year), linke


def glass(cosine: Floats) -> Floats:
    """Share of the beam that a module's glass passes, over that of a beam that falls straight.

    Refraction and reflection at the air side (Snell, Fresnel) and absorption in the glass; De Soto et al. 2006
    (doi:10.1016/j.solener.2005.06.010), eqs. 14 to 17. From the cosine, since that is what sun and module give: the
    angle itself is not needed.

    Parameters
    ----------
    cosine : ndarray (n,)
        Of the angle of incidence, 0 to 1.

    Returns
    -------
    ndarray (n,)
        1 for a beam that falls straight, 0 for one that only grazes.

    Examples
    --------
    >>> glass(np.array([1.0, 0.5, 0.0])).round(3).tolist()
    [1.0, 0.946, 0.0]
    """
    index, absorption, thickness = GLASS
    inside = np.sqrt(1 - (1 - cosine * cosine) / index**2)
    across = (cosine - index * inside) / (cosine + index * inside)
    along = (inside - index * cosine) / (inside + index * cosine)
    passed = (1 - (across * across + along * along) / 2) * np.exp(-absorption * thickness / inside)
    straight = (1 - ((1 - index) / (1 + index)) ** 2) * np.exp(-absorption * thickness)
    return np.asarray(passed / straight)


def plane_dc(plane: Plane, sky: Sky) -> Floats:
    """DC power of one plane [W] at the sky's instants, system losses taken off.

    Hay-Davies transposition, incidence angle modifier of a glass cover (De Soto 2006, pvlib's ``physical``) on the
    beam and its value at 58° on the diffuse (ASHRAE practice), Faiman cell temperature in a 1 m/s wind,
    PVWatts v5 DC (NREL TP-6A20-62641).

    Parameters
    ----------
    plane : Plane
        One plane of the site.
    sky : Sky
        Of n instants.

    Returns
    -------
    ndarray (n,)
        [W], 0 or more.
    """
    from pvlib import pvsystem, temperature  # see portal.pv.sun: only who computes a sky waits for it

    tilt, zenith = np.radians(plane.tilt), np.radians(sky.zenith)
    high = np.cos(zenith)
    facing = np.cos(tilt) * high + np.sin(tilt) * np.sin(zenith) * np.cos(np.radians(sky.azimuth - plane.azimuth))
    facing = np.clip(facing, 0, 1)
    beam = sky.dni * facing
    # Hay and Davies: the share of the sky's light that comes from about the sun is as clear as the air.
    share = sky.dni / sky.dni_extra
    around = sky.dhi * share * facing / np.maximum(high, np.cos(np.radians(GRAZING)))
    dome = sky.dhi * (1 - share) * 0.5 * (1 + np.cos(tilt))
    ground = sky.ghi * ALBEDO * 0.5 * (1 - np.cos(tilt))
    diffuse = around + dome + ground
    seen = beam * glass(facing) + diffuse * glass(np.cos(np.radians(DIFFUSE_ANGLE)))
    cell = temperature.faiman(beam + diffuse, sky.temp_air, wind_speed=1.0)
    dc = pvsystem.pvwatts_dc(seen, cell, plane.dc_kw * 1000, TEMPERATURE_COEFFICIENT)
    return np.asarray(np.maximum(dc, 0) * (1 - SYSTEM_LOSSES))


def inverter_ac(dc_w: Floats, ac_kw: float) -> Floats:
    """AC power of a PVWatts v5 inverter, clipped at its rating (NREL TP-6A20-62641).

    Parameters
    ----------
    dc_w : ndarray (n,)
        DC power [W].
    ac_kw : float
        Rated AC power [kW].

    Returns
    -------
    ndarray (n,)
        [W], at most the rating.

    Examples
    --------
    >>> inverter_ac(np.array([0.0, 10_000.0]), 5.0).tolist()
    [0.0, 5000.0]
    """
    from pvlib import inverter  # see portal.pv.sun: only who computes a sky waits for it

    pdc0 = ac_kw * 1000 / INVERTER_EFFICIENCY
    return np.asarray(inverter.pvwatts(dc_w, pdc0, eta_inv_nom=INVERTER_EFFICIENCY))


def expected_intervals(array: Array, start_unix: Ints, interval_minutes: int) -> ExpectedIntervals:
    """Expected energy of each interval, with what the quality checks need to know of it.

    Parameters
    ----------
    array : Array
        The site's facts.
    start_unix : ndarray (n,) of int
        Interval starts [s since 1970 UTC].
    interval_minutes : int
        Length; 1440 means a local day from its midnight.

    Returns
    -------
    ExpectedIntervals
        Of n intervals.
    """
    return energy_in(light_in(array.latitude, array.longitude, start_unix, interval_minutes), array)


def light_in(latitude: float, longitude: float, start_unix: Ints, interval_minutes: int, hazier: float = 0) -> Light:
    """Sun and clear sky over a place in each interval.

    Parameters
    ----------
    latitude, longitude : float
        Degrees, north and east positive.
    start_unix, interval_minutes
        As for :func:`expected_intervals`.
    hazier : float
        Linke turbidity above the climatology's.

    Returns
    -------
    Light
        Of n intervals.
    """
    per = max(1, interval_minutes // 15)
    offsets = (np.arange(per) + 0.5) * (interval_minutes * 60 / per)
    instants = (start_unix[:, None] + offsets[None, :]).ravel().astype(np.float64)
    zenith, azimuth, hour_angle = sun_position(instants, latitude, longitude)
    up = zenith < LAST_LIGHT
    if per > 1:
        hour_angle, _ = among_the_stars((start_unix + interval_minutes * 30).astype(np.float64), longitude)
    return Light(
        sky=_sky(instants[up], zenith[up], azimuth[up], latitude, longitude, hazier),
        up=up,
        hours=interval_minutes / 60 / per,
        elevation=90 - zenith.reshape(-1, per).mean(axis=1),
        hour_angle=hour_angle,
    )


def energy_in(light: Light, array: Array) -> ExpectedIntervals:
    """Expected energy of a site in the light of its place.

    Parameters
    ----------
    light : Light
        Of n intervals.
    array : Array
        The site's facts.

    Returns
    -------
    ExpectedIntervals
        Of n intervals.
    """
    dc = np.zeros(light.sky.unix.size)
    for plane in array.planes:
        dc += plane_dc(plane, light.sky)
    every = np.zeros(light.up.size)
    every[light.up] = inverter_ac(dc, array.ac_kw)
    energy_wh = every.reshape(len(light.elevation), -1).sum(axis=1) * light.hours
    return ExpectedIntervals(energy_wh, light.elevation, light.hour_angle)


def expected_energy(array: Array, starts_utc: pd.DatetimeIndex, interval_minutes: int) -> pd.Series[float]:
    """Clear-sky expected energy [Wh] of the intervals that start at ``starts_utc``.

    Parameters
    ----------
    array : Array
        The site's facts.
    starts_utc : DatetimeIndex
        Zone-aware; naive times are refused.
    interval_minutes : int
        5, 10, 15, 30, 60, or 1440 for local days (from their midnights).

    Returns
    -------
    pd.Series
        [Wh] by interval start, 0 at night.

    Raises
    ------
    ValueError
        When ``starts_utc`` has no time zone.

    Examples
    --------
    >>> site = Array(52.0, 8.0, "Europe/Berlin", (Plane(30, 180, 5.0),), 4.6)
    >>> hours = pd.date_range("2023-06-21", periods=24, freq="h", tz="UTC")
    >>> day = expected_energy(site, hours, 60)
    >>> bool(25_000 < day.sum() < 42_000), float(day.iloc[0])
    (True, 0.0)
    """
    if starts_utc.tz is None:
        raise ValueError("starts_utc has no time zone; naive times are refused")
    unix = starts_utc.as_unit("s").asi8
    values = expected_intervals(array, unix, interval_minutes).energy_wh
    return pd.Series(values, index=starts_utc, name="expected_wh")
