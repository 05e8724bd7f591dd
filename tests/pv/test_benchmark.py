"""Seconds and memory a site; prints, never passes or fails on time."""

from __future__ import annotations

import resource
import time
from dataclasses import replace
from datetime import timedelta

import pytest

from portal.pv.assessment import assess, assess_town
from tests.pv.planted import START, dust, site, weather


@pytest.mark.benchmark
def test_what_an_assessment_costs() -> None:
    sky = weather(days=5 * 365, minutes=15)
    # Without a key no roof has its turn for a whole fit on the new day.
    roofs = [replace(site(sky, dust(sky, 0.0003 * n), seed=n, with_rain=True), key="") for n in range(6)]
    began = time.process_time()
    assess(roofs[3])
    alone = time.process_time() - began
    before = assess_town(roofs, as_of=START + timedelta(days=sky.days - 2))
    began = time.process_time()
    assess_town(roofs)
    town = (time.process_time() - began) / len(roofs)
    began = time.process_time()
    assess_town(roofs, previous=[one.memory for one in before])
    day = (time.process_time() - began) / len(roofs)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"\n5 years at 15 min: alone {alone:.2f} s, in a town of 6 {town:.2f} s a site, a new day {1000 * day:.0f} ms"
    )
    print(f"kept {len(before[0].memory) / 1024:.0f} kB a site; peak of the process {peak:.0f} MB")
