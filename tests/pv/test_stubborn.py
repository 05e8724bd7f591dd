"""Losses planted on real production that no rain takes: dirt that a wash takes, a failing module that none does.

The production is :mod:`tests.pv.real`'s; the losses are planted by hand, so their truth is known.
"""

from __future__ import annotations

import numpy as np
import pytest

from fixtures.weather import Floats
from portal.pv.assessment import assess
from portal.pv.readings import SiteReadings
from portal.pv.result import Cause, Verdict
from portal.pv.said import Code
from portal.pv.soiling import SoilingFit, fit
from portal.pv.spells import Errors, Record, Terms
from tests.pv.planted import daily_totals
from tests.pv.real import local_dates, soiled, years
from tests.pv.test_real import dark_days, linear, planted

LEFT_BY_A_WASH = 0.03


@pytest.fixture(scope="module")
def site() -> SiteReadings:
    return years()


def grown(days: int, first: int, rate: float) -> Floats:
    """Loss that grows from a day on and that no rain takes."""
    return np.clip(rate * (np.arange(days, dtype=np.float64) - first), 0, None)


def test_dirt_that_only_a_wash_takes_is_told_and_its_loss_held(site: SiteReadings) -> None:
    days = local_dates(site)
    washed = len(days) - 250
    loss = grown(len(days), 250, 0.0005)
    before = float(loss[washed - 1])
    loss[washed:] -= (1 - LEFT_BY_A_WASH) * loss[washed]
    result = assess(soiled(site, 1 - loss, [days[washed - 1]]))
    (wash,) = result.cleanings
    assert result.verdict == Verdict.SOILING
    assert Code.RAIN_HARDLY_TAKES_IT in [said.code for said in result.reasons]
    assert result.present_loss_ci is not None
    assert result.present_loss_ci.low <= loss[-1] <= result.present_loss_ci.high
    assert wash.gain is not None
    assert wash.gain > before / 2


def test_a_loss_that_neither_rain_nor_a_wash_brought_back_is_no_dirt(site: SiteReadings) -> None:
    days = local_dates(site)
    result = assess(soiled(site, 1 - grown(len(days), 350, 0.0003), [days[-60]]))
    assert (result.verdict, result.cause) == (Verdict.OTHER_FAULT, Cause.DEGRADATION)
    assert Code.NO_WASH_BROUGHT_IT_BACK in [said.code for said in result.reasons]


def test_a_loss_that_no_rain_took_and_nobody_washed_may_be_either(site: SiteReadings) -> None:
    days = local_dates(site)
    loss = grown(len(days), 350, 0.0003)
    result = assess(soiled(site, 1 - loss))
    assert result.verdict == Verdict.UNSURE
    assert Code.DIRT_OR_MODULES in [said.code for said in result.reasons]
    assert result.present_loss_ci is not None
    assert result.present_loss_ci.low <= loss[-1] <= result.present_loss_ci.high


def test_a_wash_that_brought_back_much_is_no_repaired_string(site: SiteReadings) -> None:
    """Dirt of 0.4 % a day, of which rain takes two fifths: the wash gained 40 %, and was told at 3 to 7 %."""
    days = local_dates(site)
    washed = len(days) - 70
    loss = planted(len(days), dark_days(site), 0.004, linear, 0.4, seed=4004)
    gain = float(loss[washed])
    assert gain > 0.4
    loss[washed:] = linear(len(days) - washed, 0.004)
    (wash,) = assess(soiled(site, 1 - loss, [days[washed]])).cleanings
    assert wash.gain is not None
    assert wash.gain > gain / 2


def test_daily_totals_are_told_to_prove_hardly_any_gain(site: SiteReadings) -> None:
    days = local_dates(site)
    washed = len(days) - 250
    loss = grown(len(days), 250, 0.0001)
    gain = float(loss[washed])
    loss[washed:] -= gain
    result = assess(daily_totals(soiled(site, 1 - loss, [days[washed - 1]])))
    (wash,) = result.cleanings
    assert Code.DAILY_TOTALS in [said.code for said in result.reasons]
    assert wash.gain_ci is not None
    assert wash.gain_ci.low <= 0.0 <= gain <= wash.gain_ci.high


def after_rain(rate: float, taken: float, seed: int = 3) -> tuple[SoilingFit, float]:
    """Dirt at a rate a day; a rain every four weeks takes ``taken`` of it. Then dark days only. Also its true loss."""
    rng = np.random.default_rng(seed)
    count = 800
    wash = np.zeros((count, 2))
    wash[20::28, 1] = 0.96
    loss, log_index = 0.0, np.zeros(count)
    for day in range(count):
        loss = (loss + rate) * (1 - taken * (wash[day, 1] > 0))
        log_index[day] = np.log1p(-loss) + 0.02 * rng.standard_normal()
    log_index[(rng.random(count) < 0.4) | (np.arange(count) >= 776)] = np.nan
    terms = Terms(np.zeros((count, 1)), np.zeros(1), np.full(1, 0.01))
    record = Record(log_index, np.full(count, 0.02), wash, np.zeros(0, np.int64), np.ones(count), terms)
    return fit(record, Errors(0.4, 0.005, 0.0005, 0.005)), loss


def test_what_rain_takes_is_learned_from_what_it_took() -> None:
    assert after_rain(0.001, 0.95)[0].rain_hardly_washes < 0.1
    assert after_rain(0.0004, 0.05)[0].rain_hardly_washes > 0.9


@pytest.mark.parametrize(("rate", "taken", "least", "most"), [(0.001, 0.95, 0.0, 0.05), (0.0004, 0.02, 0.1, 0.5)])
def test_after_rain_silence_is_as_clean_as_earlier_rains_left_the_roof(
    rate: float, taken: float, least: float, most: float
) -> None:
    fitted, true = after_rain(rate, taken)
    assert fitted.loss_low[-1] <= true <= fitted.loss_high[-1]
    assert least <= fitted.loss_low[-1] <= fitted.loss_high[-1] <= most
