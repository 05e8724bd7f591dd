"""Planted truth: a meter that counts more from a day on, and rises that are none of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from portal.pv.assessment import assess
from portal.pv.readings import SiteReadings
from portal.pv.result import Cause, Verdict
from portal.pv.said import Code
from tests.pv.planted import START, Floats, dust, site, weather

SKY = weather()
CLEAN = np.ones(SKY.days)
DUSTY = dust(SKY, 0.0012)


def counting_more(readings: SiteReadings, since: int, by: float) -> SiteReadings:
    """From that day of the record on the meter counts ``by`` times as much, as where panels were added."""
    energy = readings.energy_wh.copy()
    energy.loc[str(START + timedelta(days=since)) :] *= by
    return replace(readings, energy_wh=energy)


@pytest.mark.parametrize("by", [1.2, 1.5])
def test_a_meter_that_counts_more_is_told_with_its_date_and_size(by: float) -> None:
    result = assess(counting_more(site(SKY, CLEAN), SKY.days - 60, by))
    assert (result.verdict, result.cause) == (Verdict.OTHER_FAULT, Cause.METER)
    assert result.cause_began is not None
    assert abs((result.cause_began - START).days - (SKY.days - 60)) <= 6
    assert result.reasons[0].figures["gained"] == pytest.approx(by - 1, abs=0.05)


@pytest.mark.parametrize("clean", [CLEAN, DUSTY], ids=["clean", "dusty"])
def test_months_after_the_roof_is_judged_by_its_new_level(clean: Floats) -> None:
    before = assess(site(SKY, clean, with_rain=True))
    after = assess(counting_more(site(SKY, clean, with_rain=True), SKY.days - 200, 1.3))
    assert after.verdict == before.verdict
    assert before.present_loss is not None
    assert before.mean_loss is not None
    assert after.present_loss == pytest.approx(before.present_loss, abs=0.015)
    assert after.mean_loss == pytest.approx(before.mean_loss, abs=0.015)
    assert Code.ROSE in [said.code for said in after.reasons]


def test_nothing_rose_on_roofs_whose_meter_stays_as_it_is() -> None:
    for soiling in (CLEAN, DUSTY, dust(SKY, 0.004)):
        assert Code.ROSE not in [said.code for said in assess(site(SKY, soiling)).reasons]


def test_heavy_dirt_that_a_wash_takes_is_no_rise() -> None:
    taken = dust(SKY, 0.002, cleanings=[400], rains=False)  # 55 % at the day, all of it taken
    result = assess(site(SKY, np.maximum(taken, 0.7), visits=(400,)))
    assert Code.ROSE not in [said.code for said in result.reasons]
