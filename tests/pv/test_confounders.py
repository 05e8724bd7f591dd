"""Planted truth: one test for each thing that looks like dirt and is not, or hides dirt."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from portal.pv.assessment import assess
from portal.pv.daily import Refused
from portal.pv.readings import SiteReadings
from portal.pv.result import SUREST, Assessment, Cause, Verdict, chance_loss_exceeds
from portal.pv.said import Code, Said
from tests.pv.planted import START, daily_totals, dust, site, weather

SKY = weather()
CLEAN = np.ones(SKY.days)
DUSTY = dust(SKY, 0.0012)
LOSS = float(1 - DUSTY[-1])  # 8.6 %: 72 days at 0.12 % since the last rain


def off_by(result: Assessment, truth: float) -> float:
    assert result.present_loss is not None
    return abs(result.present_loss - truth)


def covers(result: Assessment, truth: float, slack: float = 0.01) -> bool:
    band = result.present_loss_ci
    assert band is not None
    return band.low - slack <= truth <= band.high + slack


def test_a_clean_site_is_called_clean() -> None:
    result = assess(site(SKY, CLEAN))
    assert result.verdict == Verdict.CLEAN
    assert off_by(result, 0) < 0.01
    assert result.mean_loss is not None
    assert result.mean_loss < 0.01


def test_dust_of_ten_weeks_is_found_with_its_size() -> None:
    result = assess(site(SKY, DUSTY))
    assert result.verdict == Verdict.SOILING
    assert off_by(result, LOSS) < 0.04
    assert covers(result, LOSS)
    assert result.mean_loss == pytest.approx(1 - DUSTY.mean(), abs=0.015)
    assert chance_loss_exceeds(result.loss_quantiles, 0.02) > 0.85
    assert chance_loss_exceeds(result.loss_quantiles, 0.3) == 1 - SUREST


def test_a_rain_gauge_brings_the_size_closer() -> None:
    result = assess(site(SKY, DUSTY, with_rain=True))
    assert result.verdict == Verdict.SOILING
    assert off_by(result, LOSS) < 0.025


def test_facts_told_wrong_do_not_make_dirt_or_hide_it() -> None:
    told = ((28.0, 178.0, 5.82),)  # 3° of tilt, 8° of azimuth, 3 % of size
    assert assess(site(SKY, CLEAN, told=told)).verdict == Verdict.CLEAN
    dirty = assess(site(SKY, DUSTY, told=told))
    assert dirty.verdict == Verdict.SOILING
    assert off_by(dirty, LOSS) < 0.04


def test_a_slope_told_far_too_flat_makes_little_dirt() -> None:
    sky = weather(seed=1, days=900)
    steep = site(sky, np.ones(sky.days), planes=((50.0, 170.0, 6.0),), told=((25.0, 170.0, 6.0),))
    result = assess(steep, as_of=date(2023, 6, 30))
    assert result.verdict != Verdict.SOILING
    assert off_by(result, 0) < 0.025


def test_hazy_seasons_do_not_make_dirt() -> None:
    sky = weather(season=0.08)
    result = assess(site(sky, np.ones(sky.days)))
    assert result.verdict == Verdict.CLEAN
    assert off_by(result, 0) < 0.02


def test_ageing_does_not_make_dirt() -> None:
    result = assess(site(SKY, CLEAN, degradation=0.012))
    assert result.verdict == Verdict.CLEAN
    assert off_by(result, 0) < 0.015


def test_clipping_does_not_hide_dirt_wholly() -> None:
    result = assess(site(SKY, DUSTY, ac_kw=3.6, with_rain=True))  # 6 kW of modules on a 3.6 kW inverter
    assert off_by(result, LOSS) < 0.045
    assert covers(result, LOSS)


def test_a_lost_string_is_a_fault_with_its_date() -> None:
    result = assess(site(SKY, CLEAN, string_from=500))
    assert (result.verdict, result.cause) == (Verdict.OTHER_FAULT, Cause.STRING_LOSS)
    assert result.cause_began is not None
    assert abs((result.cause_began - START).days - 500) <= 5


def test_a_string_lost_and_mended_leaves_the_dirt_as_it_is() -> None:
    readings = site(SKY, DUSTY, with_rain=True)
    broken = readings.energy_wh.copy()
    span = slice(str(START + timedelta(days=200)), str(START + timedelta(days=260)))
    broken.loc[span] *= 0.67
    result = assess(replace(readings, energy_wh=broken))
    assert result.verdict == Verdict.SOILING
    assert off_by(result, LOSS) < 0.03


def test_days_of_smoke_are_neither_dirt_nor_a_fault_yet() -> None:
    readings = site(SKY, CLEAN)
    smoky = readings.energy_wh.copy()
    smoky.loc[str(START + timedelta(days=SKY.days - 9)) :] *= 0.75
    result = assess(replace(readings, energy_wh=smoky))
    assert result.verdict == Verdict.NOT_ENOUGH_DATA
    assert result.reasons[1] == Said(Code.FAULT_OR_HAZE)


def test_an_inverter_down_is_an_outage_with_its_date() -> None:
    result = assess(site(SKY, CLEAN, off_from=535))
    assert (result.verdict, result.cause) == (Verdict.OTHER_FAULT, Cause.OUTAGE)
    assert result.cause_began == START + timedelta(days=535)


def test_a_growing_tree_is_shade_not_dirt() -> None:
    result = assess(site(SKY, CLEAN, shade_height=30))
    assert (result.verdict, result.cause) == (Verdict.OTHER_FAULT, Cause.SHADING)
    assert result.reasons[0].code == Code.LOW_SUN_LOST_IN_THE_AFTERNOON


def test_snow_is_told_from_an_outage_by_the_season() -> None:
    north = weather(seed=3, days=320, latitude=60.0, longitude=11.0, tz="Europe/Oslo")  # ends in January
    result = assess(site(north, np.ones(north.days), off_from=314))
    assert (result.verdict, result.cause) == (Verdict.OTHER_FAULT, Cause.SNOW)


def holed(readings: SiteReadings) -> SiteReadings:
    energy = readings.energy_wh.copy()
    for first, days in ((90, 6), (300, 20), (470, 3)):
        begin = pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=first)
        energy[(energy.index >= begin) & (energy.index < begin + pd.Timedelta(days=days))] = np.nan
    return replace(readings, energy_wh=energy)


def test_missing_days_are_counted_and_do_no_harm() -> None:
    result = assess(holed(site(SKY, DUSTY, with_rain=True)))
    assert 27 <= result.data_quality.gap_days <= 32
    assert result.verdict == Verdict.SOILING
    assert off_by(result, LOSS) < 0.03


def test_a_stuck_meter_is_refused_for_those_days() -> None:
    readings = site(SKY, CLEAN)
    energy = readings.energy_wh.copy()
    begin = pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=400)
    energy[(energy.index >= begin) & (energy.index < begin + pd.Timedelta(days=4))] = 712.0
    result = assess(replace(readings, energy_wh=energy))
    refused = result.daily["refused"].iloc[400:404]
    assert (refused == Refused.STUCK).all()
    assert result.verdict == Verdict.CLEAN


@pytest.mark.parametrize("factor", [1000.0, 0.001])
def test_a_meter_that_changes_units_is_mended(factor: float) -> None:
    readings = site(SKY, DUSTY, with_rain=True)
    energy = readings.energy_wh.copy()
    energy[energy.index >= pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=350, hours=11)] *= factor
    result = assess(replace(readings, energy_wh=energy))
    assert result.data_quality.unit_changes_mended == 1
    assert result.verdict == Verdict.SOILING
    assert off_by(result, LOSS) < 0.03


def test_a_coarse_meter_still_tells() -> None:
    result = assess(site(SKY, DUSTY, quantum_wh=100.0, with_rain=True))
    assert result.verdict == Verdict.SOILING
    assert off_by(result, LOSS) < 0.035


@pytest.mark.parametrize("hours", [1, -1])
def test_a_clock_an_hour_wrong_is_put_right(hours: int) -> None:
    readings = site(SKY, DUSTY, with_rain=True)
    energy = readings.energy_wh.copy()
    energy.index = energy.index + pd.Timedelta(hours=hours)
    result = assess(replace(readings, energy_wh=energy))
    assert result.verdict == Verdict.SOILING
    assert off_by(result, LOSS) < 0.03
    assert Said(Code.CLOCK_WRONG) in result.data_quality.notes


@pytest.mark.parametrize("minutes", [5, 15, 60])
def test_every_interval_length_works(minutes: int) -> None:
    sky = weather(minutes=minutes)
    result = assess(site(sky, dust(sky, 0.0012), with_rain=True))
    assert result.verdict == Verdict.SOILING
    assert off_by(result, LOSS) < 0.03


def test_daily_totals_work() -> None:
    result = assess(daily_totals(site(SKY, DUSTY, with_rain=True)))
    assert off_by(result, LOSS) < 0.045
    assert covers(result, LOSS)
    assert assess(daily_totals(site(SKY, CLEAN))).verdict == Verdict.CLEAN


def test_a_rain_that_cleans_is_found_as_a_recovery() -> None:
    result = assess(site(SKY, DUSTY, with_rain=True))
    # The greatest fall of the record: the rain of day 310 after 111 dry days, 13 % down to a tenth.
    when = START + timedelta(days=310)
    near = [r for r in result.recoveries if abs((r.date - when).days) <= 6]
    assert near
    assert sum(r.gain for r in near) == pytest.approx(float(DUSTY[311] - DUSTY[309]), abs=0.04)


def test_the_gain_of_a_known_cleaning_is_measured() -> None:
    sky = weather(rain_every=90)
    soiled = dust(sky, 0.0015, cleanings=[380])
    truth = float(1 - soiled[380])
    result = assess(site(sky, soiled, visits=[380], with_rain=True))
    (cleaning,) = result.cleanings
    assert cleaning.gain is not None
    assert cleaning.gain_ci is not None
    assert truth > 0.05
    assert cleaning.gain == pytest.approx(truth, abs=0.025)
    assert cleaning.gain_ci.low - 0.005 <= truth <= cleaning.gain_ci.high + 0.005


def test_a_cleaning_nobody_told_of_is_found() -> None:
    sky = weather(rain_every=400)
    soiled = dust(sky, 0.0009, cleanings=[400], rains=False)
    result = assess(site(sky, soiled))
    when = START + timedelta(days=400)
    # A cloudy week may hide the very day.
    assert any(abs((r.date - when).days) <= 12 and r.gain > 0.03 for r in result.recoveries)


def test_droppings_that_rain_does_not_wash_do_not_break_the_estimate() -> None:
    with_droppings = DUSTY * np.where(np.arange(SKY.days) >= 420, 0.97, 1.0)
    result = assess(site(SKY, with_droppings, with_rain=True))
    assert result.verdict == Verdict.SOILING
    assert off_by(result, float(1 - with_droppings[-1])) < 0.045


def test_a_few_weeks_are_not_enough_and_the_reason_says_so() -> None:
    short = weather(days=25)
    result = assess(site(short, np.ones(25)))
    assert result.verdict == Verdict.NOT_ENOUGH_DATA
    assert (result.reasons[0].code, result.reasons[0].figures["days"]) == (Code.FEW_DAYS, 25)
    assert result.present_loss is None
    assert chance_loss_exceeds(result.loss_quantiles, 0.0) == 0.0


def test_one_year_is_enough_for_heavy_dirt() -> None:
    year = weather(seed=2, days=365)
    soiled = dust(year, 0.002, rains=True)
    result = assess(site(year, soiled, with_rain=True))
    assert covers(result, float(1 - soiled[-1]), slack=0.02)


def test_no_readings_are_an_answer() -> None:
    readings = site(SKY, CLEAN)
    empty = replace(readings, energy_wh=readings.energy_wh[:0])
    result = assess(empty, as_of=date(2022, 1, 1))
    assert result.verdict == Verdict.NOT_ENOUGH_DATA
    assert result.as_of == date(2022, 1, 1)


def test_naive_times_are_refused() -> None:
    readings = site(SKY, CLEAN)
    naive = readings.energy_wh.copy()
    naive.index = pd.DatetimeIndex(naive.index).tz_localize(None)
    with pytest.raises(ValueError, match="naive"):
        assess(replace(readings, energy_wh=naive))
