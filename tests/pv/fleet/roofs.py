"""The first maker's roofs: the physics of :mod:`fixtures`, ageing of Jordan et al. 2016 (doi:10.1002/pip.2744)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from fixtures.roof import Roof, RoofPlane, Tree, interval_energy_wh, power_w
from fixtures.sky import Sky
from fixtures.weather import Floats
from portal.pv.array import Array
from portal.pv.readings import SiteReadings
from tests.pv.fleet.case import Case, draw_case, passing
from tests.pv.fleet.dirt import dirty_roof, fitting, snow
from tests.pv.fleet.made import Made
from tests.pv.fleet.meter import gauge, known_gains, metered, told

INTERVALS = {5: 0.05, 15: 0.38, 30: 0.24, 60: 0.25, 1440: 0.08}
"""Minutes of the meter's interval, and how often."""


def make_site(rng: np.random.Generator, sky: Sky, climate: str, key: str, years: int, with_rain: bool) -> Made:
    """One roof under a sky, its facts told a little wrong."""
    town, n = sky.town, len(sky.days)
    toward = 180.0 if town.latitude > 0 else 0.0
    true = draw_planes(rng, toward)
    ac_kw = draw_inverter(rng, true)
    case = draw_case(rng, years, INTERVALS)
    first = n - case.days
    begins = sky.days[first].date()
    age = rng.uniform(0, 0.012) if rng.random() < 0.65 else 0.0
    roof = Roof(true, ac_kw, begins, float(age), float(rng.uniform(0.88, 0.99)))
    clean_w = power_w(roof, sky, key, np.ones(n))
    if case.fault == "shade":
        roof, case = _shaded(rng, roof, sky, key, case, clean_w)
    ratio, gains = fitting(rng, case, n, lambda washed: dirty_roof(rng, sky, case, washed))
    power = power_w(roof, sky, key, ratio)
    power = power * (passing(rng, case, n) * snow(rng, sky))[sky.day_of_step]
    minutes = 60 if case.minutes == 1440 else case.minutes
    energy = metered(rng, interval_energy_wh(power, sky, begins, minutes), case, town.tz)
    array = Array(town.latitude, town.longitude, town.tz, told(rng, true), ac_kw, begins)
    dates = list(sky.days.date)
    rain = gauge(rng, sky.rain_mm, sky.days, case.days) if with_rain else None
    site = SiteReadings(array, energy, case.minutes, [dates[day] for day in gains], rain, key)
    by_day = np.bincount(sky.day_of_step, clean_w, minlength=n)[first:]
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


def draw_planes(rng: np.random.Generator, toward: float) -> tuple[RoofPlane, ...]:
    """One roof plane, or two at a right angle."""
    count = int(rng.random() < 0.3) + 1
    return tuple(
        RoofPlane(
            float(rng.uniform(6, 40)),
            float((toward + rng.normal(0, 35) + 90 * number) % 360),
            float(rng.uniform(3, 9)),
            10,
        )
        for number in range(count)
    )


def draw_inverter(rng: np.random.Generator, planes: tuple[RoofPlane, ...]) -> float:
    """Rated power [kW]; half of the inverters may be much smaller than their modules."""
    dc_kw = sum(plane.dc_kw for plane in planes)
    return float(round(dc_kw / (rng.uniform(0.96, 1.5) if rng.random() < 0.5 else rng.uniform(0.96, 1.15)), 2))


def _shaded(rng: np.random.Generator, roof: Roof, sky: Sky, key: str, case: Case, clean_w: Floats) -> tuple[Roof, Case]:
    """A tree that has grown into one side of the day; a roof that it hardly reaches counts as clean."""
    north = sky.town.latitude > 0
    side = float(rng.choice([-1.0, 1.0])) * (60 if north else -60)
    middle = ((180.0 if north else 0.0) + side) % 360
    height = float(rng.uniform(20, 35))
    grown = float(rng.uniform(0.1, 0.9)) * height / max(1.0, case.days / 365.25)
    tree = Tree(middle - 55, middle + 55, height, grown)
    last_year = sky.day_of_step >= len(sky.days) - 365
    shaded = power_w(replace(roof, tree=tree), sky, key, np.ones(len(sky.days)))
    if shaded[last_year].sum() < 0.98 * clean_w[last_year].sum():
        return replace(roof, tree=tree), case
    return roof, replace(case, fault="", kind="clean")
