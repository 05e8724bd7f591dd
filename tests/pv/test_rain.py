"""Whether rain may have washed the modules: what a gauge says, what it misses, and the sky where there is none."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest

from portal.pv.assessment import assess_town
from portal.pv.daily import DAY, DEAD, EPOCH, Daily, Metering
from portal.pv.rain import DRY_SPELLS, to_the_end, town_rain, wash_chance
from portal.pv.result import Assessment
from tests.pv.planted import Weather, dust, site, weather

DARK = 40
"""Number of the one dark day among the bright ones."""
FIRST = 19_000


def days(count: int = 80) -> Daily:
    rows = np.zeros(count, dtype=DAY)
    rows["day"] = FIRST + np.arange(count)
    rows["bright"] = 0.9
    rows["bright"][DARK] = 0.2
    return Daily(rows, 60, 0, 0, Metering(1.0, 0, 0.0, 1.0, 1.0, 1.0))


def gauge(fell_mm: dict[int, float], count: int = 80) -> pd.Series[float]:
    dates = [EPOCH + timedelta(days=FIRST + number) for number in range(count)]
    return pd.Series([fell_mm.get(number, 0.0) for number in range(count)], index=pd.Index(dates, dtype=object))


@pytest.mark.parametrize(("fell_mm", "least", "most"), [(1.0, 0.0, 0.05), (10.0, 0.75, 1.0), (20.0, 0.9, 1.0)])
def test_a_gauge_tells_a_rain_that_washes_whatever_the_sky(fell_mm: float, least: float, most: float) -> None:
    # Kimber et al. 2006 (doi:10.1109/WCPEC.2006.279690) and later: what cleans is a rain of some 3 to 10 mm a day or
    # more; a millimetre is none. The day is bright, so the sky tells nothing of it.
    bright = 20
    heavy = wash_chance(days(), gauge({bright: fell_mm}))[bright, 1]
    assert least <= heavy <= most


def test_an_outage_at_the_end_of_the_record_is_no_dark_spell() -> None:
    """A system that is off makes nothing under any sky: its days are neither dark nor bright, one like the other."""
    off = days()
    off.rows["bright"][-20:] = 0.0
    off.rows["flag"][-20:] = DEAD
    chance = wash_chance(off, None).sum(axis=1)
    assert np.ptp(chance[-20:]) == 0
    assert wash_chance(days(), None)[10].sum() < chance[-1] < chance[DARK]


def test_a_gauge_tells_a_dry_dark_day_from_a_wet_one() -> None:
    sky = wash_chance(days(), None)[DARK].sum()
    dry = wash_chance(days(), gauge({}))[DARK].sum()
    wet = wash_chance(days(), gauge({DARK: 12.0}))[DARK].sum()
    assert dry < sky / 2 < sky < wet


def test_a_gauge_that_caught_nothing_on_a_dark_day_may_have_missed_a_rain() -> None:
    """Showers are small: a gauge some kilometres away misses one now and then. Common practice, no source."""
    light, heavy = wash_chance(days(), gauge({}))[DARK]
    assert light > 0.01
    assert heavy > 0.01
    assert light + heavy < 0.1
    assert wash_chance(days(), gauge({}))[20].sum() < 0.002, "under a clear sky there is nothing to miss"


def test_a_day_without_a_gauges_figure_is_judged_by_its_sky() -> None:
    sky = wash_chance(days(), None)
    assert wash_chance(days(), gauge({DARK: float("nan")}))[DARK] == pytest.approx(sky[DARK])
    short = wash_chance(days(), gauge({}, count=DARK))
    assert short[DARK:] == pytest.approx(sky[DARK:])
    assert sky[DARK].sum() == pytest.approx(0.4, abs=0.05), (
        "four in ten of the darkest days; common practice, no source"
    )


def test_a_dark_spell_that_reaches_the_end_may_have_stayed_dry() -> None:
    """How often no rain fell since a day, counted over drawn spells: always dry, or wet by day as its darkness says."""
    rng = np.random.default_rng(4)
    chance = np.array([0.4, 0.2, 0.4, 0.05, 0.4])
    dry = rng.random(200_000) < DRY_SPELLS
    rains = rng.random((200_000, 5)) < chance / (1 - DRY_SPELLS)
    since = (np.cumsum(rains[:, ::-1], axis=1) > 0) & ~dry[:, None]  # from the last day backwards
    told = 1 - np.cumprod(1 - to_the_end(chance)[::-1])
    assert told == pytest.approx(since.mean(axis=0), abs=0.005)


def test_rain_of_a_long_dark_winter_washes_to_its_end() -> None:
    """A wet spell goes on being wet: told from its beginning, its later rains would wash no more and dirt pile up."""
    chance = np.concatenate([np.full(3, 0.01), np.full(60, 0.4)])
    assert 1 - np.prod(1 - to_the_end(chance)[-10:]) == pytest.approx(1 - DRY_SPELLS, abs=0.01)


def test_dark_spells_of_the_past_are_left_to_the_days_after_them() -> None:
    chance = np.concatenate([np.full(20, 0.4), np.full(3, 0.01), [0.4, 0.01, 0.4]])
    # By hand: if wet, a day of 0.4 washes with 0.4 / 0.88; 0.88 (1 - 0.4545) (1 - 0.0114) = 0.4747 is wet and unwashed
    # since the two last days; a spell begins after three bright days in a row.
    assert to_the_end(chance)[:23] == pytest.approx(chance[:23])
    assert to_the_end(chance)[-1] == pytest.approx(0.4)
    assert to_the_end(chance)[23] == pytest.approx(0.4545 * 0.4747 / 0.5947, rel=0.01)


DARK_END = 16
WEATHER = weather(seed=8, days=320, minutes=60)


@lru_cache(maxsize=2)
def town_after_a_dark_fortnight(rained: bool) -> tuple[list[float], list[Assessment]]:
    """Present losses, true and told, of roofs without a gauge; on a day of that fortnight it rained, or on none."""
    rain = WEATHER.rain_mm.copy()
    rain[-60:] = 0.0
    if rained:
        rain[-DARK_END // 2] = 20.0
    cloudy = WEATHER.cloudy.copy()
    cloudy[-DARK_END:] = True
    sky: Weather = replace(WEATHER, rain_mm=rain, cloudy=cloudy)
    soiling = [dust(sky, rate) for rate in (0.0, 0.0015, 0.002, 0.0025)]
    roofs = [site(sky, one, seed=n, planes=((20.0, 150.0 + 15 * n, 6.0),)) for n, one in enumerate(soiling)]
    for roof in roofs:
        roof.energy_wh.iloc[-24 * DARK_END :] *= 0.4
    return [float(1 - one[-1]) for one in soiling], assess_town(roofs)


@pytest.mark.parametrize("rained", [False, True])
def test_after_a_dark_fortnight_the_interval_holds_that_it_rained_and_that_it_did_not(rained: bool) -> None:
    """Nobody can tell the two apart: the answers are the same, so the interval must hold both truths."""
    truth, answers = town_after_a_dark_fortnight(rained)
    for true, answer in zip(truth, answers, strict=True):
        band = answer.present_loss_ci
        assert band is not None
        assert band.low <= true <= band.high, true


def test_no_roof_that_was_dirty_before_a_dark_fortnight_is_told_clean_after_it() -> None:
    truth, answers = town_after_a_dark_fortnight(False)
    dirty = [answer.verdict for true, answer in zip(truth, answers, strict=True) if true >= 0.04]
    assert len(dirty) >= 2
    assert "clean" not in dirty


def test_the_rain_of_a_town_is_the_mean_of_its_gauges_and_of_one_where_the_other_says_nothing() -> None:
    roof = site(weather(days=3, minutes=60), np.ones(3), with_rain=False)
    here, there = gauge({0: 4.0, 1: 2.0}, count=2), gauge({0: 8.0}, count=1)
    rain = town_rain([replace(roof, rain_mm=here), roof, replace(roof, rain_mm=there)])
    assert rain is not None
    assert rain.tolist() == [6.0, 2.0]
    assert town_rain([roof]) is None
