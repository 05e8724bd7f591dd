"""Meters that count coarsely or change their unit, planted on sites whose days are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from portal.pv.daily import USED
from portal.pv.diagnosis import find_shade
from portal.pv.mend import meter_quantum
from portal.pv.quality import reduce_to_days
from portal.pv.readings import SiteReadings
from tests.pv.planted import dust, site, weather


def clear_days(readings: SiteReadings) -> int:
    rows = reduce_to_days(readings.array, readings.energy_wh, readings.interval_minutes).rows
    return int((rows["flag"] == USED).sum())


def test_a_coarse_meter_that_turns_from_wh_to_kwh_keeps_its_clear_days() -> None:
    sky = weather(days=400, minutes=15)
    coarse = site(sky, dust(sky, 0.001), quantum_wh=100.0)
    turned = coarse.energy_wh.where(np.arange(len(coarse.energy_wh)) < 220 * 96, coarse.energy_wh / 1000)
    daily = reduce_to_days(coarse.array, turned, 15)
    assert daily.unit_changes_mended == 1
    assert daily.meter.quantum == 100.0
    assert clear_days(replace(coarse, energy_wh=turned)) > 0.9 * clear_days(coarse)


def test_a_meter_that_counts_in_kwh_does_not_read_as_a_tree() -> None:
    sky = weather(days=400, minutes=60)
    coarse = site(sky, dust(sky, 0.001), quantum_wh=1000.0, planes=((25.0, 170.0, 4.0),), ac_kw=4.0)
    daily = reduce_to_days(coarse.array, coarse.energy_wh, 60)
    assert daily.meter.quantum == 1000.0
    assert find_shade(daily) is None


def test_the_step_of_a_meter_is_the_one_it_counts_in() -> None:
    rng = np.random.default_rng(3)
    counted = pd.Series(rng.uniform(0, 900, 5000)).cumsum().floordiv(10).mul(10).diff().fillna(0)
    assert meter_quantum(np.asarray(counted, dtype=np.float64)) == 10.0


def test_a_record_of_a_few_days_is_reduced_as_it_is() -> None:
    sky = weather(days=60, minutes=60)
    made = site(sky, dust(sky, 0.001))
    daily = reduce_to_days(made.array, made.energy_wh.iloc[: 3 * 24], 60)
    assert len(daily.rows) == 3
