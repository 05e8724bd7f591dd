"""Towns of the first maker: roofs under one sky."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from fixtures.sky import make_sky
from fixtures.weather import Town
from tests.pv.fleet.made import Made
from tests.pv.fleet.places import PLACES
from tests.pv.fleet.roofs import make_site

WARM_UP_DAYS = 200


def make_town(seed: int, climate: str, roofs: int, *, years: Sequence[int] = (2, 3, 4, 5)) -> Iterator[Made]:
    """Roofs under one sky; a town of one is a roof alone, without a rain gauge."""
    rng = np.random.default_rng([seed, sorted(PLACES).index(climate), roofs])
    place = PLACES[climate]
    end = date(2022, 1, 1) + timedelta(days=int(rng.integers(0, 730)))
    name = f"{climate} {seed} of {roofs}"
    latitude, longitude = place.latitude + rng.uniform(-1, 1), place.longitude + rng.uniform(-1, 1)
    town = Town(name, latitude, longitude, place.altitude_m, place.tz, place.climate, 0)
    longest = max(years) if roofs > 1 else int(rng.choice(years))
    sky = make_sky(town, end - timedelta(days=int(longest * 365.25) + 60 + WARM_UP_DAYS), end)
    for number in range(roofs):
        span = int(rng.choice(years)) if roofs > 1 else longest
        made = make_site(rng, sky, climate, f"{name} {number}", span, roofs > 1)
        if roofs > 1:
            array = replace(
                made.site.array,
                latitude=town.latitude + rng.uniform(-0.1, 0.1),
                longitude=town.longitude + rng.uniform(-0.1, 0.1),
            )
            made = replace(made, site=replace(made.site, array=array))
        yield made
