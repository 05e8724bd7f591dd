"""Planted truth: invented sites whose dirt and faults are known, made by physics that are not the assessment's.

Simplified Solis with aerosol and water that vary from day to day, Perez transposition, an ASHRAE incidence modifier, a
Ross cell temperature and an inverter with a flat efficiency; the assessment uses Ineichen, Hay-Davies, De Soto, Faiman
and PVWatts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from pvlib import atmosphere, clearsky, iam, irradiance, solarposition

from portal.pv.array import Array, Plane
from portal.pv.readings import SiteReadings

Floats = npt.NDArray[np.float64]
START = date(2021, 3, 1)


@dataclass(frozen=True, eq=False)
class Weather:
    """A place's days: shared by the sites of a town."""

    latitude: float
    longitude: float
    tz: str
    days: int
    minutes: int
    aerosol: Floats
    water: Floats
    cloudy: npt.NDArray[np.bool_]
    rain_mm: Floats
    start: date = START

    @property
    def dates(self) -> list[date]:
        return [self.start + timedelta(days=day) for day in range(self.days)]

    def index(self) -> pd.DatetimeIndex:
        """Interval starts of the whole record."""
        start = pd.Timestamp(self.start, tz=self.tz)
        end = pd.Timestamp(self.start + timedelta(days=self.days), tz=self.tz)
        return pd.date_range(
            start.tz_convert("UTC"), end.tz_convert("UTC"), freq=f"{self.minutes}min", inclusive="left"
        )


@lru_cache(maxsize=32)
def weather(
    *,
    seed: int = 1,
    days: int = 540,
    minutes: int = 30,
    latitude: float = 37.0,
    longitude: float = -6.0,
    tz: str = "Europe/Madrid",
    haze: float = 0.04,
    season: float = 0.02,
    rain_every: float = 25.0,
    start: date = START,
) -> Weather:
    """Days of a place. ``haze`` is the day-to-day spread of aerosol, ``season`` its yearly swing."""
    rng = np.random.default_rng(seed)
    wave = np.zeros(days)
    for day in range(1, days):
        wave[day] = 0.55 * wave[day - 1] + rng.normal(0, haze * 0.83)
    turn = 2 * np.pi * np.arange(days) / 365.25
    aerosol = np.clip(0.1 + season * np.sin(turn) + wave, 0.02, 0.6)
    water = np.clip(1.8 + 0.6 * np.sin(turn) + rng.normal(0, 0.3, days), 0.4, 4)
    cloudy = rng.random(days) < 0.35
    rain = np.where(rng.random(days) < 1 / rain_every, rng.gamma(2.0, 6.0, days) + 4, 0.0)
    cloudy |= rain > 0
    return Weather(latitude, longitude, tz, days, minutes, aerosol, water, cloudy, rain, start)


def dust(sky: Weather, rate: float, cleanings: Sequence[int] = (), rains: bool = True) -> Floats:
    """Soiling ratio by day: grows at a rate, falls back to a tenth at a good rain, to nothing at a cleaning."""
    loss, out = 0.0, np.ones(sky.days)
    for day in range(sky.days):
        loss += rate
        if rains and sky.rain_mm[day] > 6:
            loss *= 0.1
        out[day] = 1 - loss
        if day in cleanings:
            loss = 0.0
    return out


@lru_cache(maxsize=32)
def _sun(sky: Weather) -> tuple[Floats, Floats, Floats]:
    index = sky.index() + pd.Timedelta(minutes=sky.minutes / 2)
    sun = solarposition.get_solarposition(index, sky.latitude, sky.longitude, method="nrel_numpy")
    return sun["apparent_elevation"].to_numpy(), sun["apparent_zenith"].to_numpy(), sun["azimuth"].to_numpy()


@lru_cache(maxsize=64)
def _irradiance(sky: Weather, tilt: float, azimuth: float) -> tuple[Floats, Floats, Floats, Floats]:
    index = sky.index() + pd.Timedelta(minutes=sky.minutes / 2)
    elevation, zenith, turn = _sun(sky)
    day = np.asarray((index - index[0]).total_seconds() // 86_400, dtype=int).clip(0, sky.days - 1)
    extra = np.asarray(irradiance.get_extra_radiation(index.day_of_year.to_numpy().astype(float)))
    beam = clearsky.simplified_solis(
        elevation, aod700=sky.aerosol[day], precipitable_water=sky.water[day], pressure=101325.0, dni_extra=extra
    )
    mass = atmosphere.get_relative_airmass(zenith)
    poa = irradiance.get_total_irradiance(
        tilt, azimuth, zenith, turn, beam["dni"], beam["ghi"], beam["dhi"], extra, mass, albedo=0.25, model="perez"
    )
    aoi = irradiance.aoi(tilt, azimuth, zenith, turn)
    seen = np.nan_to_num(np.asarray(poa["poa_direct"]) * iam.ashrae(aoi) + 0.95 * np.asarray(poa["poa_diffuse"]))
    return np.where(elevation > 0, seen, 0.0), day.astype(float), elevation, turn


def _metered(power_w: pd.Series[float], minutes: int, quantum_wh: float) -> pd.Series[float]:
    """The energy of each interval as a meter tells it that counts in whole steps."""
    if minutes == 1440:
        raise ValueError("make shorter intervals and call daily_totals")
    return (power_w * minutes / 60 / quantum_wh).cumsum().round().diff().fillna(0.0) * quantum_wh


def site(
    sky: Weather,
    soiling: Floats,
    *,
    seed: int = 7,
    planes: Sequence[tuple[float, float, float]] = ((25.0, 170.0, 6.0),),
    told: Sequence[tuple[float, float, float]] | None = None,
    ac_kw: float = 5.5,
    degradation: float = 0.005,
    string_from: int | None = None,
    string_share: float = 0.33,
    off_from: int | None = None,
    shade_height: float = 0.0,
    visits: Sequence[int] = (),
    quantum_wh: float = 1.0,
    with_rain: bool = False,
) -> SiteReadings:
    """Readings of one site under a sky."""
    rng = np.random.default_rng(seed)
    index = sky.index()
    power = np.zeros(len(index))
    day = np.zeros(len(index), dtype=int)
    for tilt, azimuth, dc_kw in planes:
        seen, day_of, elevation, turn = _irradiance(sky, tilt, azimuth)
        day = day_of.astype(int)
        year = day / 365.25
        air = 18 + 9 * np.sin(2 * np.pi * (day - 50) / 365.25)
        if shade_height:
            # A tree in the west that grows all through the record.
            low = (turn > 180) & (elevation < shade_height * (0.2 + 0.8 * day / sky.days))
            seen = np.where(low, 0.35 * seen, seen)
        cell = air + 0.030 * seen
        power += dc_kw * seen * (1 - 0.0038 * (cell - 25)) * 0.93 * (1 - degradation * year)
    power *= soiling[day]
    # Clouds: deep and jumpy on cloudy days, none on the others.
    depth = np.repeat(rng.uniform(0.15, 0.75, sky.days), 1)[day]
    jump = np.clip(depth + rng.normal(0, 0.18, len(index)), 0.05, 1.0)
    power = np.where(sky.cloudy[day], power * jump, power * (1 + rng.normal(0, 0.004, len(index))))
    if string_from is not None:
        power = np.where(day >= string_from, power * (1 - string_share), power)
    power = np.minimum(power * 0.965, ac_kw * 1000)
    if off_from is not None:
        power = np.where(day >= off_from, 0.0, power)
    series = _metered(pd.Series(np.maximum(power, 0), index=index), sky.minutes, quantum_wh)
    facts = told or planes
    array = Array(
        sky.latitude,
        sky.longitude,
        sky.tz,
        tuple(Plane(tilt, azimuth, dc_kw) for tilt, azimuth, dc_kw in facts),
        ac_kw,
        sky.start,
    )
    rain = pd.Series(sky.rain_mm, index=pd.Index(sky.dates, dtype=object)) if with_rain else None
    return SiteReadings(
        array, series, sky.minutes, tuple(sky.start + timedelta(days=day) for day in visits), rain, f"site {seed}"
    )


def daily_totals(readings: SiteReadings) -> SiteReadings:
    """The same site, read once a day."""
    local = readings.energy_wh.tz_convert(readings.array.tz)
    totals = local.groupby(pd.DatetimeIndex(local.index).normalize()).sum()
    totals.index = pd.DatetimeIndex(totals.index).tz_convert("UTC")
    return SiteReadings(readings.array, totals, 1440, readings.visits, readings.rain_mm, readings.key)
