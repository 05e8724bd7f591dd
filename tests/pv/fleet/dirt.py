"""Dirt of the first maker: dust that rain takes, and stubborn dirt that it hardly takes.

Rates of Ilse et al. 2019 (doi:10.1016/j.joule.2019.08.019), rain thresholds of 3 to 10 mm (Kimber et al. 2006,
doi:10.1109/WCPEC.2006.279690). That rain takes from nothing to all, by what the dirt is made of (pollen, grease,
cement, lichen, droppings): Ilse et al. 2018, doi:10.1016/j.rser.2018.09.042; its shares from memory.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from fixtures.sky import Sky
from fixtures.weather import Floats
from tests.pv.fleet.case import Case
from tests.pv.fleet.made import HEAVY, kind_of

MOST_LOSS = 0.42
TRIES = 60

Gathered = tuple[Floats, dict[int, float]]
"""The soiling ratio of every day of the sky, and what each wash gained."""


def dust(
    rng: np.random.Generator,
    sky: Sky,
    rate: float,
    washed: dict[int, float],
    taken: float | None = None,
    first: int = 0,
) -> Gathered:
    """Dirt that falls at a rate; a heavy rain takes nearly all of it, or ``taken`` where it is stubborn.

    Stubborn dirt falls from the ``first`` day of the record on: its roofs are new.
    """
    n = len(sky.days)
    threshold = rng.uniform(3.0, 9.0)
    season = 1 + rng.uniform(0.1, 0.6) * np.cos(2 * np.pi * (np.arange(n) / 365.25 - rng.random()))
    grows = rate * season * np.exp(0.4 * rng.standard_normal(n) - 0.08)
    drops = np.where(rng.random(n) < 0.8 / 365, rng.uniform(0.01, 0.04, n), 0.0) * (rng.random() < 0.5)
    keeps_heavy, keeps_light = rng.uniform(0.02, 0.15, n), rng.uniform(0.4, 0.9, n)
    if taken is not None:
        grows[:first] = drops[:first] = 0.0
        keeps_heavy = 1 - np.clip(taken * rng.uniform(0.4, 1.6, n), 0.0, 0.6)
        keeps_light = 1 - (1 - keeps_heavy) * rng.uniform(0.0, 0.5, n)
    loss = dropped = 0.0
    out = np.ones(n)
    gains = {}
    for day in range(n):
        loss = min(loss + grows[day], MOST_LOSS)
        if sky.rain_mm[day] >= threshold:
            loss *= keeps_heavy[day]
            dropped *= rng.uniform(0.3, 1.0)
        elif sky.rain_mm[day] >= 1.0:
            loss *= keeps_light[day]
        dropped = dropped * 0.995 + drops[day]
        if day in washed:
            before = 1 - (1 - loss) * (1 - dropped)
            loss *= washed[day]
            dropped *= washed[day]
            gains[day] = float(before - (1 - (1 - loss) * (1 - dropped)))
        out[day] = (1 - loss) * (1 - dropped)
    return out, gains


def dirty_roof(rng: np.random.Generator, sky: Sky, case: Case, washed: dict[int, float]) -> Gathered:
    """Dirt of one roof of the first maker at a rate of its own."""
    if case.stubborn:
        first = len(sky.days) - case.days
        rate = rng.uniform(0.001, 0.003) if case.heavy else float(np.clip(rng.lognormal(np.log(2e-4), 0.8), 3e-5, 2e-3))
        return dust(rng, sky, rate, washed, float(rng.uniform(0.0, 0.6)), first)
    if case.heavy:
        return dust(rng, sky, float(rng.uniform(0.003, 0.008)), washed)
    rate = 0.0 if rng.random() < 0.2 else float(np.clip(rng.lognormal(np.log(0.0014), 0.8), 0.0001, 0.004))
    return dust(rng, sky, rate, washed)


def fitting(
    rng: np.random.Generator, case: Case, n: int, gather: Callable[[dict[int, float]], Gathered]
) -> tuple[Floats, dict[int, float]]:
    """As much dirt as this kind of roof has: other dust and other visits until it fits. Gains are the known visits'."""
    years, first = case.days / 365.25, n - case.days
    for _ in range(TRIES):
        visits = int(rng.poisson(1.2 * years)) if rng.random() < 0.65 else 0
        washed = {int(day): float(rng.uniform(0.01, 0.12)) for day in rng.integers(first + 20, n - 2, visits)}
        known = [day for day in sorted(washed) if rng.random() < 0.75]
        ratio, gains = gather(washed)
        loss = 1 - ratio[-1]
        if kind_of(loss) == ("clean" if case.fault else case.kind) and (loss >= HEAVY) == case.heavy:
            break
    return ratio, {day: gains[day] for day in known}


def snow(rng: np.random.Generator, sky: Sky) -> Floats:
    """Share of light that passes the snow on each day."""
    passes = np.ones(len(sky.days))
    air = pd.Series(sky.air_c).groupby(sky.day_of_step).mean().reindex(range(len(passes)), fill_value=10.0).to_numpy()
    lies = 0
    for day in range(len(passes)):
        if sky.rain_mm[day] > 1 and air[day] < 0.5:
            lies = int(rng.integers(2, 12))
        if lies and air[day] < 3:
            passes[day] = rng.uniform(0.0, 0.25)
            lies -= 1
        else:
            lies = 0
    return passes
