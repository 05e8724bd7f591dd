"""Planted truth: a meter that counts more from a day on, and rises that are none of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from portal.pv.assessment import assess
from portal.pv.readings import SiteReadings
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
    rose = next(said for said in result.reasons if said.code == Code.ROSE)
    began = date.fromisoformat(str(rose.figures["began"]))
    assert abs((began - START).days - (SKY.days - 60)) <= 6
    assert rose.figures["gained"] == pytest.approx(by - 1, abs=0.05)


@pytest.mark.parametrize(("ago", "closely"), [(60, 0.02), (200, 0.015)], ids=["two months ago", "long ago"])
@pytest.mark.parametrize("clean", [CLEAN, DUSTY], ids=["clean", "dusty"])
def test_the_roof_is_judged_by_its_new_level(clean: Floats, ago: int, closely: float) -> None:
    before = assess(site(SKY, clean, with_rain=True))
    after = assess(counting_more(site(SKY, clean, with_rain=True), SKY.days - ago, 1.3))
    assert after.verdict == before.verdict
    assert before.present_loss is not None
    assert before.mean_loss is not None
    assert after.present_loss == pytest.approx(before.present_loss, abs=closely)
    assert after.present_loss_ci is not None
    assert after.present_loss_ci.low <= 1 - clean[-1] <= after.present_loss_ci.high
    assert after.mean_loss == pytest.approx(before.mean_loss, abs=0.015)


def test_nothing_rose_on_roofs_whose_meter_stays_as_it_is() -> None:
    for soiling in (CLEAN, DUSTY, dust(SKY, 0.004)):
        assert Code.ROSE not in [said.code for said in assess(site(SKY, soiling)).reasons]


def test_heavy_dirt_that_a_wash_takes_is_no_rise() -> None:
    taken = dust(SKY, 0.002, cleanings=[400], rains=False)  # 55 % at the day, all of it taken
    result = assess(site(SKY, np.maximum(taken, 0.7), visits=(400,)))
    assert Code.ROSE not in [said.code for said in result.reasons]
