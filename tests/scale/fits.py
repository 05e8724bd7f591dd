"""First fits of three years at 15 minutes: what a roof costs alone, and in a town of fifteen."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

from portal.pv.assessment import assess, assess_town
from portal.pv.site_fit import prepare
from tests.pv.planted import dust, site, weather
from tests.scale import MINUTES, PLANES

DAYS = 3 * 365
TOWN = 15
ALONE = 5
RUNS = 3


def measure_fits() -> None:
    """Print seconds of CPU a roof, the least of some runs: other work on the machine only adds to it."""
    sky = weather(seed=5, days=DAYS, minutes=MINUTES, latitude=37.0, longitude=-6.0)
    roofs = []
    for number in range(TOWN):
        tilt, azimuth = PLANES[number % len(PLANES)]
        roofs.append(site(sky, dust(sky, 0.0005 * (number % 3)), seed=number, planes=((tilt, azimuth, 6.0),)))
    rows = [_least(partial(prepare, roof, None)) for roof in roofs[:ALONE]]
    alone = [_least(partial(assess, roof)) for roof in roofs[:ALONE]]
    town = _least(lambda: assess_town(roofs)) / TOWN
    print(f"{DAYS} days at {MINUTES} minutes, CPU a roof: alone {_span(alone)}, of which the days' rows {_span(rows)}")
    print(f"in a town of {TOWN} {town:.3f} s", flush=True)


def _least(done: Callable[[], object]) -> float:
    taken = []
    for _ in range(RUNS):
        began = time.process_time()
        done()
        taken.append(time.process_time() - began)
    return min(taken)


def _span(seconds: list[float]) -> str:
    return f"{min(seconds):.3f} to {max(seconds):.3f} s"
