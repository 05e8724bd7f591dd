"""The second maker's dirt: mass that settles on glass, or a rate with a time of grace after rain.

Mass: settling of coarse and fine dust (Coello and Boyle 2019, doi:10.1109/JPHOTOV.2019.2919628; deposition velocities
of its table), whose dimming levels off with Hegazy's curve (2001, doi:10.1016/S0960-1481(00)00093-8), as pvlib has it.
Rate: Kimber et al. 2006 (doi:10.1109/WCPEC.2006.279690), grace of days after a rain, which then takes all. A drizzle
through dusty air leaves more than it takes ("red rain"; common knowledge, amount invented).
"""

from __future__ import annotations

import numpy as np
from scipy.special import erf

from fixtures.weather import Floats
from tests.pv.fleet.case import Case
from tests.pv.fleet.dirt import Gathered
from tests.pv.fleet.other_sky import OtherSky

SETTLES_COARSE, SETTLES_FINE = 0.004, 0.0009
"""Deposition velocities [m/s] of PM10 above PM2.5, and of PM2.5."""


def dimming(mass: Floats) -> Floats:
    """Share of light that dust of a mass [g/m²] takes."""
    return np.asarray(0.3437 * erf(0.17 * mass**0.8473), dtype=np.float64)


def other_dirt(rng: np.random.Generator, sky: OtherSky, case: Case, washed: dict[int, float], tilt: float) -> Gathered:
    """Soiling ratio by day and what each wash gained."""
    first = len(sky.days) - case.days
    if case.stubborn:
        taken = float(rng.uniform(0.0, 0.6))
        factor = float(rng.lognormal(np.log(0.25 if not case.heavy else 2.0), 0.9))
        return _settled(rng, sky, washed, factor * np.cos(np.radians(tilt)), taken, first)
    if rng.random() < 0.4 and not case.heavy:
        return _kimber(rng, sky, washed)
    factor = float(rng.lognormal(np.log(1.0 if not case.heavy else 8.0), 0.9))
    return _settled(rng, sky, washed, factor * np.cos(np.radians(tilt)), 1.0, 0)


def _settled(
    rng: np.random.Generator, sky: OtherSky, washed: dict[int, float], factor: float, taken: float, first: int
) -> Gathered:
    n = len(sky.days)
    fine = rng.uniform(0.25, 0.5)
    falls = factor * sky.pm10 * (fine * SETTLES_FINE + (1 - fine) * SETTLES_COARSE) * 86_400
    red = np.where((sky.rain_mm > 0.1) & (sky.rain_mm < 1.5) & (sky.haze > 0.05), rng.uniform(0.05, 0.3, n), 0.0)
    falls = falls + factor * red
    falls[:first] = 0.0
    scale = float(np.clip(rng.lognormal(np.log(4.0), 0.6), 1.0, 15.0))
    keeps = 1 - taken * np.where(sky.rain_mm > 0.6, 1 - np.exp(-sky.rain_mm / scale), 0.0) * rng.uniform(0.7, 1.0, n)
    mass = np.zeros(n)
    before = np.zeros(n)
    now = 0.0
    for day in range(n):
        now = (now + falls[day]) * keeps[day]
        before[day] = now
        if day in washed:
            now *= washed[day] ** 1.2
        mass[day] = now
    loss, unwashed = dimming(mass), dimming(before)
    return 1 - loss, {day: float(unwashed[day] - loss[day]) for day in washed}


def _kimber(rng: np.random.Generator, sky: OtherSky, washed: dict[int, float]) -> Gathered:
    n = len(sky.days)
    rate = 0.0 if rng.random() < 0.15 else float(np.clip(rng.lognormal(np.log(0.0012), 0.7), 0.0002, 0.004))
    rises = rate * np.clip(1 + 4 * sky.haze, 1, 3)
    threshold, grace, most = rng.uniform(3, 10), int(rng.integers(0, 15)), rng.uniform(0.15, 0.35)
    loss, since = 0.0, 99
    out, gains = np.ones(n), {}
    for day in range(n):
        since += 1
        if sky.rain_mm[day] >= threshold:
            loss, since = 0.0, 0
        elif since > grace:
            loss = min(loss + rises[day], most)
        if day in washed:
            gains[day] = float(loss * (1 - washed[day]))
            loss *= washed[day]
        out[day] = 1 - loss
    return out, gains
