"""Intervals hold what they are about, on the full way and on the short one, whatever the site."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from portal.pv.assessment import assess
from portal.pv.bands import band_of
from portal.pv.moves import LOSS
from portal.pv.readings import SiteReadings
from portal.pv.result import Assessment
from portal.pv.soiling import fit
from portal.pv.spells import Errors, Record, Terms
from tests.pv.planted import START, dust, site, weather

DAYS = 130
NEW = 4


@st.composite
def small_sites(draw: st.DrawFn) -> SiteReadings:
    """Five months of an hourly meter: any haze and rain, no dust or much, washed or never, told right or wrong."""
    sky = weather(
        seed=draw(st.integers(0, 5)),
        days=DAYS,
        minutes=60,
        haze=draw(st.sampled_from((0.01, 0.08))),
        rain_every=draw(st.sampled_from((10.0, 60.0))),
    )
    visits = draw(st.sets(st.integers(50, DAYS - NEW - 2), max_size=2))
    rate = draw(st.sampled_from((0.0, 0.0002, 0.001, 0.004)))
    made = site(
        sky,
        dust(sky, rate, tuple(visits)),
        seed=draw(st.integers(0, 3)),
        told=((draw(st.sampled_from((15.0, 25.0, 40.0))), 170.0, 6.0),),
        visits=tuple(sorted(visits)),
        with_rain=draw(st.booleans()),
    )
    return replace(made, key="")  # without a turn of its own in the week, so the new days go the short way


def holds(result: Assessment) -> None:
    """Low, middle and high in their order, in every figure that has them."""
    band, rate = result.present_loss_ci, result.soiling_rate_ci
    if result.present_loss is None:
        return
    assert band is not None
    assert rate is not None
    assert result.soiling_rate_per_day is not None
    assert 0 <= band.low <= result.present_loss <= band.high < 1
    assert rate.low <= result.soiling_rate_per_day <= rate.high
    assert 0 <= rate.low < rate.high
    assert list(result.loss_quantiles) == sorted(result.loss_quantiles)
    for recovery in result.recoveries:
        assert recovery.gain_ci.low <= recovery.gain <= recovery.gain_ci.high
    for cleaning in result.cleanings:
        if cleaning.gain is not None:
            assert cleaning.gain_ci is not None
            assert cleaning.gain_ci.low <= cleaning.gain <= cleaning.gain_ci.high
    ordered(result.daily)


def ordered(daily: pd.DataFrame) -> None:
    ratio = daily[["soiling_ratio_low", "soiling_ratio", "soiling_ratio_high"]].to_numpy()
    assert (np.diff(ratio, axis=1) >= -1e-6).all()  # the days remembered are kept in single precision
    assert (ratio > 0).all()
    assert (ratio <= 1 + 1e-6).all()


@settings(max_examples=15, deadline=None, derandomize=True)
@given(small_sites())
def test_low_middle_and_high_stand_in_their_order(readings: SiteReadings) -> None:
    before = assess(readings, as_of=START + timedelta(days=DAYS - 1 - NEW))
    holds(before)
    if before.memory:
        after = assess(readings, previous=before.memory)
        assert len(after.daily) == len(before.daily) + NEW
        holds(after)


def end() -> SiteReadings:
    """A clean year, then ten days in which dirt comes at one percent a day."""
    sky = weather(seed=3, days=375, minutes=60, haze=0.01)
    ratio = np.ones(sky.days)
    ratio[365:] = 1 - 0.01 * np.arange(1, 11)
    return replace(site(sky, ratio, with_rain=False), key="")  # as above


def test_new_days_bring_a_new_rate_with_its_interval_and_a_band_of_their_own() -> None:
    readings = end()
    before = assess(readings, as_of=START + timedelta(days=368))
    after = assess(readings, previous=before.memory)
    assert after.memory == before.memory  # it went on from the last full fit
    assert before.soiling_rate_per_day is not None
    assert before.soiling_rate_ci is not None
    assert after.soiling_rate_per_day is not None
    assert after.soiling_rate_ci is not None
    assert after.soiling_rate_per_day > before.soiling_rate_per_day
    assert after.soiling_rate_ci.high > before.soiling_rate_ci.high
    new = after.daily.iloc[-6:]
    assert (new["soiling_ratio_high"] - new["soiling_ratio_low"] > 0.005).all()


def test_a_days_band_ends_where_a_twentieth_of_its_distribution_lies_beyond() -> None:
    by_loss = np.exp(-0.5 * ((LOSS - 0.08) / 0.03) ** 2)
    by_loss /= by_loss.sum()
    mean, low, high = (float(one[0]) for one in band_of(by_loss[None, :]))
    assert low < mean < high
    grid = LOSS
    for beyond, with_it in ((grid < low, grid <= low), (grid > high, grid >= high)):
        assert by_loss[beyond].sum() <= 0.05 <= by_loss[with_it].sum()


@pytest.mark.parametrize("rate", [0.0, 0.001])
def test_no_gain_is_said_to_be_known_within_three_tenths_of_a_point(rate: float) -> None:
    # An index almost without scatter, and a wash on day 100 that takes all: what is left of doubt is the chain's grid.
    # (Of an index without any error no clean level of the grid need explain anything.)
    days = np.arange(200)
    record = Record(
        log_index=np.log(1 - rate * np.where(days <= 100, days, days - 101)),
        scatter=np.full(200, 0.0005),
        wash=np.zeros((200, 2)),
        visit_days=np.array([100]),
        expected_wh=np.ones(200),
        terms=Terms(np.zeros((200, 1)), np.zeros(1), np.ones(1)),
    )
    fitted = fit(record, Errors(0.0, lasting_sd=0.002, rate_change=0.0005, present_sd=0.0))
    (gain,) = fitted.visits
    assert fitted.falls == [], "what a known wash took is told of the wash alone"
    assert gain.low <= gain.middle - 0.003
    assert gain.high >= gain.middle + 0.003
    assert gain.low <= 100 * rate <= gain.high


@pytest.mark.benchmark
def test_how_often_the_interval_of_the_rate_holds_the_planted_one() -> None:
    roofs, held, width, off = 50, 0, [], []
    for number in range(roofs):
        draw = np.random.default_rng([77, number])
        rate = 0.0 if draw.random() < 0.2 else float(np.clip(draw.lognormal(np.log(0.0011), 0.7), 0.0001, 0.004))
        sky = weather(seed=300 + number, days=450, minutes=60, rain_every=float(draw.uniform(15, 60)))
        result = assess(site(sky, dust(sky, rate), seed=number, with_rain=bool(number % 2)))
        band, said = result.soiling_rate_ci, result.soiling_rate_per_day
        assert band is not None
        assert said is not None
        assert band.low < band.high
        held += band.low <= rate <= band.high
        width.append(band.high - band.low)
        off.append(abs(said - rate))
    print(
        f"\nrate of {roofs} planted roofs: interval holds {held}, mean width {1000 * np.mean(width):.2f} ‰ a day, "
        f"MAE {1000 * np.mean(off):.2f} ‰ a day"
    )
