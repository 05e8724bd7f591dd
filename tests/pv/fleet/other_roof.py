"""The second maker's roofs: physics that neither the first maker nor the assessment uses.

Klucher's transposition (1979, doi:10.1016/0038-092X(79)90110-5), Schlick's glass (Xie et al. 2022,
doi:10.1016/j.solener.2022.08.009 for its diffuse light), Sandia's cell temperature (King et al. 2004, SAND2004-3535),
Driesse's module efficiency (Driesse and Stein 2020, doi:10.1109/JPHOTOV.2020.2990303) with the parameters of pvlib's
worked example, Sandia's inverter (King et al. 2007, SAND2007-5036); modules lose a little in their first months.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pvlib
from pvlib.temperature import TEMPERATURE_MODEL_PARAMETERS

from fixtures.roof import RoofPlane
from fixtures.weather import Floats
from portal.pv.array import Array
from portal.pv.readings import SiteReadings
from tests.pv.fleet.case import draw_case, passing
from tests.pv.fleet.dirt import fitting
from tests.pv.fleet.made import Made
from tests.pv.fleet.meter import gauge, known_gains, metered, told
from tests.pv.fleet.other_dirt import other_dirt
from tests.pv.fleet.other_sky import OTHER_PLACES, STEP_MINUTES, OtherSky, make_other_sky, other_irradiance
from tests.pv.fleet.roofs import draw_inverter, draw_planes

INTERVALS = {15: 0.42, 30: 0.22, 60: 0.28, 1440: 0.08}
EFFICIENCY = {"k_a": 99.924, "k_d": -5.49097, "tc_d": 0.01918, "k_rs": 0.06999, "k_rsh": 0.26144}
WARM_UP_DAYS = 200


@dataclass(frozen=True)
class Wall:
    """A building that hides everything below a height between two azimuths [degrees]."""

    azimuth_from: float
    azimuth_to: float
    height: float


def dc_power_w(
    planes: Sequence[RoofPlane], sky: OtherSky, light: tuple[Floats, Floats, Floats], wall: Wall | None
) -> Floats:
    """DC power [W] of clean modules, by daylight step."""
    ghi, dni, dhi = light
    if wall is not None:
        away = (sky.azimuth - wall.azimuth_from) % 360 < (wall.azimuth_to - wall.azimuth_from) % 360
        hidden = away & (90 - sky.zenith < wall.height)
        # Half the sky-light of that side goes with it.
        dni, dhi = np.where(hidden, 0.0, dni), dhi * np.where(hidden, 0.85, 0.95)
    dc = np.zeros(len(ghi))
    heat = TEMPERATURE_MODEL_PARAMETERS["sapm"]["close_mount_glass_glass"]
    for plane in planes:
        aoi = pvlib.irradiance.aoi(plane.tilt, plane.azimuth, sky.zenith, sky.azimuth)
        beam = dni * np.maximum(np.cos(np.radians(aoi)), 0.0)
        diffuse = np.nan_to_num(pvlib.irradiance.klucher(plane.tilt, plane.azimuth, dhi, ghi, sky.zenith, sky.azimuth))
        ground = np.asarray(pvlib.irradiance.get_ground_diffuse(plane.tilt, ghi, albedo=0.22))
        through = pvlib.iam.schlick_diffuse(plane.tilt)
        seen = beam * pvlib.iam.schlick(aoi) + diffuse * through["sky"] + ground * through["ground"]
        cell = pvlib.temperature.sapm_cell(beam + diffuse + ground, sky.air_c, sky.wind, **heat)
        share = np.asarray(pvlib.pvarray.pvefficiency_adr(np.maximum(seen, 1.0), cell, **EFFICIENCY))
        # The efficiency is in percent of that at standard test conditions.
        dc += np.maximum(plane.dc_kw * seen * share / 100, 0.0)
    return dc


def inverter_w(dc_w: Floats, ac_kw: float) -> Floats:
    """AC power [W] by Sandia's model, a 96.5 % inverter of this size."""
    rated = ac_kw * 1000
    curve = {
        "Paco": rated,
        "Pdco": rated / 0.965,
        "Vdco": 400.0,
        "Pso": 0.005 * rated,
        "C0": -0.015 / rated,
        "C1": 0.0,
        "C2": 0.0,
        "C3": 0.0,
        "Pnt": 0.0,
    }
    made = np.asarray(pvlib.inverter.sandia(np.full(len(dc_w), 400.0), dc_w, curve), dtype=np.float64)
    return np.clip(made, 0.0, rated)


def make_other_roof(rng: np.random.Generator, sky: OtherSky, climate: str, key: str, years: int, town: bool) -> Made:
    """One roof of the second maker, its facts told a little wrong."""
    place, n = sky.place, len(sky.days)
    north = place.latitude > 0
    true = draw_planes(rng, 180.0 if north else 0.0)
    ac_kw = draw_inverter(rng, true)
    case = draw_case(rng, years, INTERVALS)
    light = other_irradiance(rng, sky)
    clean = dc_power_w(true, sky, light, None)
    dc = clean
    if case.fault == "shade":
        side = (180.0 if north else 0.0) + float(rng.choice([-75.0, 75.0]))
        wall = Wall((side - 45) % 360, (side + 45) % 360, float(rng.uniform(18, 35)))
        dc = dc_power_w(true, sky, light, wall)
        if dc.sum() > 0.98 * clean.sum():
            dc, case = clean, replace(case, fault="", kind="clean")
    ratio, gains = fitting(rng, case, n, lambda washed: other_dirt(rng, sky, case, washed, true[0].tilt))
    first, step = n - case.days, sky.day_of_step
    years_old = np.maximum(np.arange(n) - first, 0) / 365.25
    age = 1 - rng.uniform(0, 0.02) * (1 - np.exp(-years_old / 0.15)) - rng.uniform(0, 0.009) * years_old
    ac = inverter_w(dc * (rng.uniform(0.88, 0.98) * age * ratio)[step], ac_kw) * passing(rng, case, n)[step]
    energy = metered(rng, _summed(ac, sky, first, 60 if case.minutes == 1440 else case.minutes), case, place.tz)
    dates = list(sky.days.date)
    array = Array(place.latitude, place.longitude, place.tz, told(rng, true), ac_kw, dates[first])
    if town:
        near = rng.uniform(-0.1, 0.1, 2)
        array = replace(array, latitude=place.latitude + near[0], longitude=place.longitude + near[1])
    rain = gauge(rng, sky.rain_mm, sky.days, case.days) if town else None
    site = SiteReadings(array, energy, case.minutes, [dates[day] for day in gains], rain, key)
    by_day = np.bincount(step, clean, minlength=n)[first:]
    loss = 1 - ratio[first:]
    return Made(
        site,
        climate,
        pd.Series(loss, index=dates[first:]),
        float((loss * by_day).sum() / by_day.sum()),
        case.fault,
        "stubborn" if case.stubborn else "dust",
        case.step_wh,
        known_gains(gains, dates),
    )


def _summed(power: Floats, sky: OtherSky, first: int, minutes: int) -> pd.Series[float]:
    """Power summed into intervals [Wh] by their starts in UTC, from the first day of the record on."""
    begin = pd.Timestamp(sky.days[first]).tz_localize(sky.place.tz).tz_convert("UTC")
    skipped = int((begin - sky.times[0]) // pd.Timedelta(minutes=STEP_MINUTES))
    steps = minutes // STEP_MINUTES
    wanted = sky.up >= skipped
    count = (len(sky.times) - skipped) // steps
    at = np.minimum((sky.up[wanted] - skipped) // steps, count - 1)
    energy = np.bincount(at, power[wanted] * STEP_MINUTES / 60, minlength=count)
    return pd.Series(energy, index=sky.times[skipped::steps][:count])


def make_other_town(seed: int, climate: str, roofs: int, *, years: Sequence[int] = (2, 3, 4, 5)) -> Iterator[Made]:
    """Roofs of the second maker under one sky; a town of one is a roof alone, without a rain gauge."""
    rng = np.random.default_rng([seed, sorted(OTHER_PLACES).index(climate), roofs, 2])
    place = OTHER_PLACES[climate]
    place = replace(place, latitude=place.latitude + rng.uniform(-1, 1), longitude=place.longitude + rng.uniform(-1, 1))
    end = date(2022, 1, 1) + timedelta(days=int(rng.integers(0, 730)))
    longest = max(years) if roofs > 1 else int(rng.choice(years))
    sky = make_other_sky(rng, place, end - timedelta(days=int(longest * 365.25) + 60 + WARM_UP_DAYS), end)
    for number in range(roofs):
        span = int(rng.choice(years)) if roofs > 1 else longest
        yield make_other_roof(rng, sky, climate, f"{climate} {seed} of {roofs} {number}", span, roofs > 1)
