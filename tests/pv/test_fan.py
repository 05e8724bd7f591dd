"""The year ahead as a fan: against dirt that is worked out by hand, where nothing is left to chance."""

from __future__ import annotations

import json
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from portal.pv.fan import fan_of, kept_fan
from portal.pv.forecast import Forecast, Money, PresentLoss, forecast
from portal.pv.year import PENTADS, SoilingYear

TODAY = date(2026, 6, 15)
RATE = 0.0004


def ahead(*, rain_per_day: float = 0.0, kept: float = 1.0, loss: float = 0.05) -> Forecast:
    """A roof whose loss and rate are known to the last digit, and rain that leaves the same share each time."""
    year = SoilingYear(np.full(PENTADS, RATE), np.full(PENTADS, rain_per_day), np.array([kept]))
    energy = pd.Series(20_000.0, index=[TODAY + timedelta(days=n) for n in range(0, 365, 5)])
    return forecast(PresentLoss(TODAY, [loss] * 10, (RATE, RATE)), year, Money(energy, 0.25, 150.0))


def test_without_rain_the_loss_grows_by_its_rate_and_begins_anew_at_the_wash() -> None:
    fan = fan_of(ahead(), as_of=TODAY, wash_on=TODAY + timedelta(days=60))
    assert fan.washed_after == 60
    for one in fan.unwashed:
        assert one.low == one.middle == one.high == pytest.approx(0.05 + RATE * one.days, abs=1e-4)
    assert fan.washed[0].days == 60
    for one in fan.washed:
        assert one.middle == pytest.approx(RATE * (one.days - 60), abs=1e-4)
    assert set(fan.rained) == {0.0}


def test_rain_that_comes_each_day_and_takes_all_leaves_nothing_to_wash() -> None:
    fan = fan_of(ahead(rain_per_day=1.0, kept=0.0), as_of=TODAY, wash_on=TODAY)
    assert {one.high for one in fan.unwashed[1:]} == {0.0}
    assert fan.unwashed[0].middle == 0.05
    assert set(fan.rained[1:]) == {1.0}


def test_the_chance_of_rain_is_that_of_its_days() -> None:
    """One chance in a hundred each day, independent: 1 − 0.99^n until day n (geometric distribution), and 240 futures
    tell it within three of their standard errors."""
    fan = fan_of(ahead(rain_per_day=0.01, kept=0.0), as_of=TODAY, wash_on=TODAY)
    for one, chance in zip(fan.unwashed, fan.rained, strict=True):
        true = 1 - 0.99**one.days
        assert chance == pytest.approx(true, abs=3 * (true * (1 - true) / 240) ** 0.5 + 0.005)


def test_the_middle_is_between_its_ends_and_a_wash_never_makes_it_dirtier() -> None:
    fan = fan_of(ahead(rain_per_day=0.02, kept=0.4), as_of=TODAY, wash_on=TODAY + timedelta(days=33))
    washed = {one.days: one for one in fan.washed}
    for one in fan.unwashed:
        assert one.low <= one.middle <= one.high
        assert one.days not in washed or washed[one.days].high <= one.high


def test_what_is_kept_comes_back_from_json_and_nothing_from_nothing() -> None:
    fan = fan_of(ahead(rain_per_day=0.02, kept=0.4), as_of=TODAY, wash_on=TODAY)
    text = json.dumps(fan.keep())
    assert kept_fan(json.loads(text)) == fan
    assert len(text) < 2_000, "a row is written anew each night"
    assert kept_fan({}) is None
