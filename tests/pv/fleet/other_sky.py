"""The second maker's sky: nothing of it is the first maker's or the assessment's.

Bird's clear sky (Bird and Hulstrom 1981, SERI/TR-642-761) with aerosol that comes as air masses of some days and as
dust or smoke that lies for weeks; water vapour from temperature and humidity (Gueymard 1994,
doi:10.1016/S0038-092X(94)90104-X); rain in storms of some days with dry spells between; clouds as a clearness that
comes and goes, split by Erbs et al. 1982 (doi:10.1016/0038-092X(82)90302-4); the sun by the astronomical almanac's
short series. How often what happens is invented.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib
from scipy.stats import norm

from fixtures.weather import Floats, lingering

STEP_MINUTES = 15
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class OtherPlace:
    """A place and its weather. Seasons are a mean, a swing and the month of the peak (0 is January)."""

    latitude: float
    longitude: float
    altitude_m: float
    tz: str
    storms: tuple[float, float, int]
    """A year."""
    storm_mm: float
    """Mean of a stormy day."""
    settled: tuple[float, float, int]
    """Share of the days without storm in settled weather."""
    aod500: tuple[float, float, int]
    dusty: float
    """Events of dust or smoke a year that lie for weeks."""
    air_c: tuple[float, float, int]
    humidity: float
    pm10_ug: float
    """Coarse dust in usual air [µg/m³]."""


OTHER_PLACES = {
    "high plains": OtherPlace(
        39.1, -104.8, 1700, "America/Denver", (38, 20, 5), 6, (0.62, 0.1, 9), (0.07, 0.03, 6), 1.2, (10, 12, 6), 45, 20
    ),
    "gulf coast": OtherPlace(
        25.2, 51.4, 10, "Asia/Qatar", (7, 6, 0), 5, (0.8, 0.1, 8), (0.28, 0.1, 5), 4.0, (28, 8, 7), 50, 110
    ),
    "interior": OtherPlace(
        40.2, -3.6, 640, "Europe/Madrid", (34, 18, 10), 7, (0.55, 0.2, 6), (0.11, 0.04, 6), 1.8, (15, 10, 6), 55, 22
    ),
    "veld": OtherPlace(
        -26.3,
        28.2,
        1650,
        "Africa/Johannesburg",
        (44, 40, 0),
        9,
        (0.62, 0.15, 6),
        (0.16, 0.06, 8),
        1.0,
        (16, 5, 0),
        50,
        45,
    ),
    "kanto": OtherPlace(
        36.0, 139.7, 20, "Asia/Tokyo", (52, 20, 6), 14, (0.42, 0.18, 0), (0.2, 0.08, 4), 0.8, (16, 11, 7), 66, 25
    ),
    "danube": OtherPlace(
        48.2, 16.6, 160, "Europe/Vienna", (56, 12, 6), 6, (0.36, 0.12, 6), (0.14, 0.04, 6), 0.6, (10.5, 10, 6), 70, 22
    ),
    "downs": OtherPlace(
        -27.5,
        151.8,
        420,
        "Australia/Brisbane",
        (36, 18, 0),
        11,
        (0.55, 0.12, 7),
        (0.09, 0.03, 10),
        1.2,
        (18.5, 6.5, 0),
        60,
        20,
    ),
    "punjab": OtherPlace(
        30.8, 75.9, 250, "Asia/Kolkata", (30, 26, 6), 13, (0.55, 0.1, 3), (0.45, 0.15, 10), 3.0, (24, 9, 5), 60, 120
    ),
}


def of_year(season: tuple[float, float, int], days: pd.DatetimeIndex) -> Floats:
    """A mean that swings through the year, one value a day."""
    mean, swing, peak = season
    turn = 2 * np.pi * (days.day_of_year.to_numpy() / 365.25 - (peak + 0.5) / 12)
    return np.asarray(mean + swing * np.cos(turn), dtype=np.float64)


def drifting(rng: np.random.Generator, n: int, keep: float) -> Floats:
    """Standard normal values that keep a share of the last one."""
    noise = rng.standard_normal(n) * np.sqrt(1 - keep**2)
    return lingering(noise, keep)


@dataclass(frozen=True)
class OtherSky:
    """What the roofs of a town share: daily arrays, and arrays of the daylight steps."""

    place: OtherPlace
    days: pd.DatetimeIndex
    times: pd.DatetimeIndex
    """Starts of all steps, UTC, night included."""
    up: Ints
    """Steps with the sun up, positions in ``times``."""
    day_of_step: Ints
    rain_mm: Floats
    haze: Floats
    """Aerosol optical depth that events add, by day."""
    pm10: Floats
    """Coarse dust in the air [g/m³], by day."""
    cover: Floats
    """Share of the day under cloud."""
    zenith: Floats
    azimuth: Floats
    extra: Floats
    clear_ghi: Floats
    clear_dni: Floats
    clear_dhi: Floats
    air_c: Floats
    wind: Floats
    shared_clouds: Floats


def storms(rng: np.random.Generator, place: OtherPlace, days: pd.DatetimeIndex, dark: int) -> Floats:
    """Daily rain [mm]: storms of one to six days; a dark end of the record has drizzle only."""
    n = len(days)
    begins = np.flatnonzero(rng.random(n) < np.maximum(of_year(place.storms, days), 0.5) / 365.25)
    rain = np.zeros(n)
    for start in begins:
        lasts = min(int(rng.geometric(0.5)), 6)
        wet = slice(start, min(start + lasts, n))
        rain[wet] = np.maximum(rain[wet], rng.gamma(0.8, place.storm_mm / 0.8, len(rain[wet])))
    if dark:
        rain[n - dark :] = np.where(rng.random(dark) < 0.25, rng.exponential(0.9, dark), 0.0)
    return rain


def hazes(rng: np.random.Generator, place: OtherPlace, n: int, at_end: bool) -> Floats:
    """Aerosol that dust or smoke adds for one to five weeks, some of it still there at the end."""
    haze = np.zeros(n)
    starts = list(rng.integers(0, n, int(rng.poisson(place.dusty * n / 365.25))))
    if at_end:
        starts.append(n - int(rng.integers(6, 30)))
    for start in starts:
        lasts = int(rng.integers(7, 36))
        ramp = np.minimum(1.0, np.minimum(np.arange(1, lasts + 1), np.arange(lasts, 0, -1)) / 4)
        seen = min(lasts, n - start)
        haze[start : start + seen] += (rng.uniform(0.08, 0.45) * ramp * rng.uniform(0.7, 1.3, lasts))[:seen]
    return haze


def covers(rng: np.random.Generator, place: OtherPlace, days: pd.DatetimeIndex, rain: Floats, dark: int) -> Floats:
    """Share of each day under cloud, in settled and unsettled spells."""
    n = len(days)
    level = norm.ppf(np.clip(of_year(place.settled, days), 0.02, 0.98))
    settled = drifting(rng, n, 0.82) < level
    draws = rng.random((n, 2))
    calm = np.where(draws[:, 0] < 0.85, 0.0, 0.5 * draws[:, 1])
    rough = np.where(draws[:, 0] < 0.22, 0.05 * draws[:, 1], 0.25 + 0.75 * draws[:, 1])
    cover = np.where(settled, calm, rough)
    cover = np.where(rain > 0.2, np.maximum(cover, 0.75 + 0.25 * draws[:, 1]), cover)
    if dark:
        cover[n - dark :] = np.where(rng.random(dark) < 0.1, 0.1, 0.7 + 0.3 * rng.random(dark))
    return np.asarray(cover, dtype=np.float64)


def make_other_sky(rng: np.random.Generator, place: OtherPlace, start: date, end: date) -> OtherSky:
    """The sky of the days from ``start`` to the one before ``end``."""
    days = pd.date_range(start, end, freq="D", inclusive="left")
    n = len(days)
    dark = int(rng.integers(14, 36)) if rng.random() < 0.4 else 0
    rain = storms(rng, place, days, dark)
    haze = hazes(rng, place, n, rng.random() < 0.35)
    cover = covers(rng, place, days, rain, dark)
    # Air masses of three to six days, each with a turbidity of its own, and years that differ.
    masses = np.repeat(rng.normal(0, 0.42, n), rng.integers(3, 7, n))[:n]
    aod = of_year(place.aod500, days) * np.exp(masses + 0.15 * drifting(rng, n, 0.995)) * np.where(rain > 2, 0.6, 1.0)
    coarse = haze / (haze + aod)
    aod = np.clip(aod + haze, 0.015, 1.1)
    pm10 = place.pm10_ug * 1e-6 * np.exp(0.5 * drifting(rng, n, 0.6)) * (1 + 12 * haze) * np.where(rain > 0.5, 0.4, 1.0)
    mean_c = of_year(place.air_c, days) + 2.5 * drifting(rng, n, 0.8)
    humid = np.clip(place.humidity + 12 * drifting(rng, n, 0.75) + np.where(rain > 0, 15, 0), 12, 98)
    water = np.clip(pvlib.atmosphere.gueymard94_pw(mean_c, humid), 0.2, 6.5)

    first, last = (pd.Timestamp(day).tz_localize(place.tz).tz_convert("UTC") for day in (start, end))
    times = pd.date_range(first, last, freq=f"{STEP_MINUTES}min", inclusive="left")
    middle = times + pd.Timedelta(minutes=STEP_MINUTES / 2)
    local = middle.tz_convert(place.tz).tz_localize(None)
    day_all = np.asarray((local.normalize() - days[0]) // pd.Timedelta(days=1), dtype=np.int64)
    with warnings.catch_warnings():  # pvlib 0.16 still calls a property that pandas 3.1 deprecates
        warnings.simplefilter("ignore", DeprecationWarning)
        sun = pvlib.solarposition.ephemeris(middle, place.latitude, place.longitude)
    up = np.flatnonzero(sun["apparent_elevation"].to_numpy() > 0.5)
    zenith = sun["apparent_zenith"].to_numpy()[up]
    day = day_all[up]
    hour = np.asarray((local[up] - local[up].normalize()) / pd.Timedelta(hours=1), dtype=np.float64)
    clock, noon = day + hour / 24, np.arange(n) + 0.5

    extra = np.asarray(pvlib.irradiance.get_extra_radiation(days.day_of_year.to_numpy(), method="asce"))[day]
    now, exponent = np.interp(clock, noon, aod), np.interp(clock, noon, 1.35 - 1.1 * coarse)
    bird = _bird(place, zenith, (now * (500 / 380) ** exponent, now), np.interp(clock, noon, water), extra)
    bright = np.where(cover < 0.1, 1.0, np.where(cover < 0.6, 0.75, 0.45))
    air = np.interp(clock, noon, mean_c) + 7.0 * bright[day] * np.cos(2 * np.pi * (hour - 14.5) / 24)
    wind = np.interp(clock, noon, np.exp(0.9 + 0.45 * drifting(rng, n, 0.5)))
    return OtherSky(
        place=place,
        days=days,
        times=times,
        up=up,
        day_of_step=day,
        rain_mm=rain,
        haze=haze,
        pm10=pm10,
        cover=cover,
        zenith=zenith,
        azimuth=sun["azimuth"].to_numpy()[up],
        extra=extra,
        clear_ghi=np.nan_to_num(bird["ghi"]),
        clear_dni=np.nan_to_num(bird["dni"]),
        clear_dhi=np.nan_to_num(bird["dhi"]),
        air_c=air,
        wind=wind,
        shared_clouds=drifting(rng, len(up), 0.85),
    )


def _bird(
    place: OtherPlace, zenith: Floats, aod_380_500: tuple[Floats, Floats], water_cm: Floats, extra: Floats
) -> dict[str, Floats]:
    """Clear sky of Bird and Hulstrom 1981 (SERI/TR-642-761) [W/m²]."""
    mass = np.asarray(pvlib.atmosphere.get_relative_airmass(zenith, model="young1994"))
    pressure = pvlib.atmosphere.alt2pres(place.altitude_m)
    sky: dict[str, Floats] = pvlib.clearsky.bird(
        zenith, mass, *aod_380_500, water_cm, ozone=0.31, pressure=pressure, dni_extra=extra, albedo=0.22
    )
    return sky


def other_irradiance(rng: np.random.Generator, sky: OtherSky) -> tuple[Floats, Floats, Floats]:
    """GHI, DNI and DHI [W/m²] at one roof of the town, by daylight step."""
    own = 0.85 * sky.shared_clouds + np.sqrt(1 - 0.85**2) * drifting(rng, len(sky.up), 0.7)
    cover = sky.cover[sky.day_of_step]
    cloud = own < norm.ppf(np.clip(cover, 1e-9, 1 - 1e-9))
    dark = np.clip(0.85 - 0.55 * cover - 0.15 * np.abs(drifting(rng, len(sky.up), 0.9)), 0.08, 0.85)
    clearness = np.where(cloud, dark, 1.0)
    # The edge of a cloud lends its light to the sun's.
    edge = ~cloud & (np.roll(cloud, 1) | np.roll(cloud, -1))
    ghi = sky.clear_ghi * np.where(edge, 1.04, clearness)
    split = pvlib.irradiance.erbs(ghi, sky.zenith, sky.days.day_of_year.to_numpy()[sky.day_of_step])
    dni = np.where(cloud, np.nan_to_num(split["dni"]), sky.clear_dni)
    dhi = np.where(cloud, np.nan_to_num(split["dhi"]), ghi - sky.clear_dni * np.cos(np.radians(sky.zenith)))
    return ghi, np.minimum(dni, sky.clear_dni), np.maximum(dhi, 0.0)
