"""Towns of many roofs, fitted in cells as the portal does and in one joint fit: what either says of the same roofs."""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np

from portal.pv.assessment import assess_town
from portal.pv.cells import cells
from portal.pv.readings import SiteReadings
from portal.pv.result import Assessment
from tests.pv.planted import dust, site, weather
from tests.scale import PLANES

HAZE = 0.07
FASTEST = 0.0014
"""Soiling rate of the dustiest roof [1/day]; one in three is clean."""
SAME = 15
"""Roofs that are in every town, by which towns are compared."""


def compare(towns: Sequence[int], days: int) -> None:
    """Print errors and intervals of towns of so many roofs, in cells and in one fit."""
    sky = weather(seed=5, days=days, haze=HAZE)
    rng = np.random.default_rng(1)
    roofs, truths = [], []
    for number in range(max(towns)):
        tilt, azimuth = PLANES[number % len(PLANES)]
        soiling = dust(sky, 0.0 if number % 3 == 0 else rng.uniform(0.0002, FASTEST))
        roofs.append(site(sky, soiling, seed=number, planes=((tilt, azimuth, 6.0),), with_rain=True))
        truths.append(1 - float(soiling[-1]))
    north, east = rng.uniform(-0.12, 0.12, (2, max(towns)))
    for count in towns:
        labels = cells((sky.latitude + north[:count]).tolist(), (sky.longitude + east[:count]).tolist())
        for way, parts in (("in cells", labels), ("in one fit", np.zeros(count))):
            began = time.process_time()
            answers = _assess(roofs[:count], parts)
            seconds = (time.process_time() - began) / count
            print(
                f"{count:4d} roofs {way:10s}: {_figures(answers, truths)}; the same {SAME}: "
                f"{_figures(answers[:SAME], truths)}; {seconds:.2f} s of CPU a roof",
                flush=True,
            )


def _assess(roofs: Sequence[SiteReadings], parts: Sequence[float] | np.ndarray) -> list[Assessment]:
    found: dict[int, Assessment] = {}
    for part in np.unique(parts):
        here = np.flatnonzero(parts == part).tolist()
        found |= dict(zip(here, assess_town([roofs[at] for at in here]), strict=True))
    return [found[at] for at in range(len(roofs))]


def _figures(answers: Sequence[Assessment], truths: Sequence[float]) -> str:
    """Mean error, mean width of the 90 % interval [percentage points] and how often it holds the truth."""
    errors, widths, holds = [], [], []
    for answer, truth in zip(answers, truths, strict=False):
        band = answer.present_loss_ci
        if answer.present_loss is None or band is None:
            continue
        errors.append(abs(answer.present_loss - truth))
        widths.append(band.high - band.low)
        holds.append(band.low <= truth <= band.high)
    error, width, share = (100 * float(np.mean(one)) for one in (errors, widths, holds))
    return f"MAE {error:.2f}, interval {width:.2f} wide, covers {share:.0f} %"
