"""Expected energy of a clean, healthy site under a clear sky.

Sun position, clear sky, transposition, incidence angle, cell temperature, DC, inverter: every step a pvlib model,
run at instants inside each interval and only where the sun is up. No weather is read: the sky is the Ineichen clear
sky with the Linke turbidity climatology, the air temperature a rough climatology of latitude and season. What that
gets wrong (a level, a season, the day's haze) is estimated from the readings in :mod:`portal.pv.soiling`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from pvlib import atmosphere as air
from pvlib import clearsky, iam, inverter, irradiance, location, pvsystem, spa, temperature

from portal.pv.array import Array, Plane
from portal.pv.arrays import Floats, Ints

DAY = 86_400
J2000 = 946_728_000
"""Unix seconds of 2000-01-01 12:00 UTC."""
SIDEREAL_TURN = 360.985_647_366_29
"""Degrees the Earth turns in a day of 86,400 s (Meeus, Astronomical Algorithms, ch. 12)."""

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
DIFFUSE_ANGLE = 58.0
"""Angle of incidence [degrees] at which glass passes direct light as it passes that of the whole sky (Brandemuehl and
Beckman 1980, doi:10.1016/0038-092X(80)90477-0; from memory)."""
GREGORIAN_YEAR = 365.2425
"""Days, by definition of the calendar."""


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


def sun_position(unix: Floats, latitude: float, longitude: float) -> tuple[Floats, Floats, Floats]:
    """Apparent zenith, azimuth and hour angle of the sun [degrees].

    NREL's Solar Position Algorithm (Reda and Andreas 2004, doi:10.1016/j.solener.2003.12.003) gives right ascension,
    declination and sidereal time; they change slowly, so they are computed at each 00:00 UTC and interpolated
    (error below 0.001°), then turned into a position by spherical trigonometry. That is some 40 times faster
    than the full algorithm at every instant.

    Parameters
    ----------
    unix : ndarray (n,)
        Seconds since 1970-01-01 00:00 UTC; finite.
    latitude, longitude : float
        Degrees, north and east positive.

    Returns
    -------
    zenith, azimuth, hour_angle : ndarray (n,)
        [degrees]: zenith as refracted, azimuth clockwise from north, hour angle negative before solar noon.

    Examples
    --------
    The NREL report's worked example (TP-560-34302: 2003-10-17 12:30:30 at UTC-7, zenith 50.11162):

    >>> zenith, azimuth, _ = sun_position(np.array([1066419030.0]), 39.742476, -105.1786)
    >>> bool(abs(zenith[0] - 50.112) < 0.01), bool(abs(azimuth[0] - 194.340) < 0.01)
    (True, True)
    """
    if not unix.size:
        return unix.copy(), unix.copy(), unix.copy()
    first, last = np.floor(unix.min() / DAY), np.floor(unix.max() / DAY) + 1
    knots = np.arange(first, last + 1) * DAY
    delta_t = spa.calculate_deltat(1970 + float(knots.mean()) / (GREGORIAN_YEAR * DAY), 6)
    sidereal, ascension, declination = spa.solar_position_numpy(
        knots, latitude, longitude, 0.0, 1013.25, 12.0, delta_t, 0.5667, 1, sst=True
    )
    turned = np.unwrap(sidereal - (knots - J2000) / DAY * SIDEREAL_TURN, period=360)
    east = np.unwrap(ascension, period=360)
    hour_angle = (
        np.interp(unix, knots, turned - east) + (unix - J2000) / DAY * SIDEREAL_TURN + longitude + 180
    ) % 360 - 180
    h, d, phi = np.radians(hour_angle), np.radians(np.interp(unix, knots, declination)), np.radians(latitude)
    sin_elevation = np.sin(phi) * np.sin(d) + np.cos(phi) * np.cos(d) * np.cos(h)
    elevation = np.degrees(np.arcsin(np.clip(sin_elevation, -1, 1)))
    # Refraction as in the SPA report, eq. 42, at standard pressure and 12 °C; it only matters near the horizon.
    bent = np.where(elevation > -0.83, 1.02 / (60 * np.tan(np.radians(elevation + 10.3 / (elevation + 5.11)))), 0.0)
    azimuth = np.degrees(np.arctan2(np.sin(h), np.cos(h) * np.sin(phi) - np.tan(d) * np.cos(phi))) + 180
    return 90 - elevation - bent, azimuth % 360, hour_angle


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
    year_angle = 2 * np.pi * (unix / DAY % GREGORIAN_YEAR - 201) / GREGORIAN_YEAR
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
    unix, zenith, azimuth = unix[up], zenith[up], azimuth[up]
    altitude = float(location.lookup_altitude(latitude, longitude))
    year_day = (unix / DAY % GREGORIAN_YEAR) + 1
    # The climatology holds a value a month: look those up and interpolate between the months' middles.
    months = pd.date_range("2023-01-01", periods=12, freq="MS", tz="UTC") + pd.Timedelta(days=14)
    linke = clearsky.lookup_linke_turbidity(months, latitude, longitude, interp_turbidity=False).to_numpy()
    turbidity = np.interp(year_day, months.day_of_year, linke, period=366)
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
    poa = irradiance.get_total_irradiance(
        plane.tilt,
        plane.azimuth,
        sky.zenith,
        sky.azimuth,
        sky.dni,
        sky.ghi,
        sky.dhi,
        dni_extra=sky.dni_extra,
        albedo=ALBEDO,
        model="haydavies",
    )
    beam = np.asarray(poa["poa_direct"])
    diffuse = np.asarray(poa["poa_diffuse"])
    aoi = irradiance.aoi(plane.tilt, plane.azimuth, sky.zenith, sky.azimuth)
    seen = beam * iam.physical(aoi) + diffuse * float(iam.physical(DIFFUSE_ANGLE))
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
    per = max(1, interval_minutes // 15)
    offsets = (np.arange(per) + 0.5) * (interval_minutes * 60 / per)
    instants = (start_unix[:, None] + offsets[None, :]).ravel().astype(np.float64)
    zenith, _, _ = sun_position(instants, array.latitude, array.longitude)
    up = zenith < LAST_LIGHT
    sky = clear_sky(instants[up], array.latitude, array.longitude)
    dc = np.zeros(sky.unix.size)
    for plane in array.planes:
        dc += plane_dc(plane, sky)
    ac = inverter_ac(dc, array.ac_kw)
    hours = interval_minutes / 60 / per

    def by_interval(values: Floats) -> Floats:
        every = np.zeros(instants.size)
        every[up] = values
        return np.asarray(every.reshape(-1, per).sum(axis=1))

    middle = (start_unix + interval_minutes * 30).astype(np.float64)
    _, _, hour_angle = sun_position(middle, array.latitude, array.longitude)
    return ExpectedIntervals(
        energy_wh=by_interval(ac) * hours,
        elevation=90 - zenith.reshape(-1, per).mean(axis=1),
        hour_angle=hour_angle,
    )


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
