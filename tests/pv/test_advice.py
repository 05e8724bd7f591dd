"""What an assessment advises, held against its own prices, arithmetic, and records whose rain is known."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from portal.pv.advice import PAYS_LIKELY, Act, Advised, State, advise, kept_advice
from portal.pv.due import Basis, Calendar, Due, when_due
from portal.pv.forecast import Money, PresentLoss
from portal.pv.result import Assessment, Band, Cleaning, DataQuality, Recovery, Verdict
from portal.pv.said import Code, Said

AS_OF = date(2026, 3, 1)
DAYS = [AS_OF - timedelta(days=number) for number in range(900, -1, -1)]
EVENLY = tuple(0.16 + 0.04 * (0.05 + 0.1 * step) for step in range(10))  # 16 to 20 %
RECORD = pd.DataFrame({"soiling_ratio": np.full(len(DAYS), 0.9), "used": True}, index=pd.Index(DAYS, dtype=object))
RESULT = Assessment(
    as_of=AS_OF,
    verdict=Verdict.SOILING,
    cause=None,
    cause_began=None,
    present_loss=0.18,
    present_loss_ci=Band(0.16, 0.20),
    mean_loss=0.08,
    soiling_rate_per_day=0.001,
    soiling_rate_ci=Band(0.0008, 0.0012),
    soiling_since=None,
    reasons=(),
    cleanings=(),
    recoveries=(),
    data_quality=DataQuality(days=900, gap_days=0, clear_days=600, clear_days_last_30=15, unit_changes_mended=0),
    neighbours=0,
    loss_quantiles=EVENLY,
    daily=RECORD,
)


def money(price: float = 60.0, kwh: float = 0.25) -> Money:
    ahead = [AS_OF + timedelta(days=number) for number in range(1, 366, 10)]
    return Money(pd.Series(24_000.0, index=pd.Index(ahead, dtype=object)), kwh, price)


def advised(result: Assessment = RESULT, at: Money | None = None) -> tuple[Advised, Due]:
    at = at or money()
    rate = (result.soiling_rate_ci.low, result.soiling_rate_ci.high) if result.soiling_rate_ci else None
    due = when_due(
        PresentLoss(AS_OF, result.loss_quantiles, rate),
        at,
        Calendar(6, date(2025, 12, 1)),
        soiling_ratio=result.daily["soiling_ratio"],
        recoveries=[(one.date, one.gain) for one in result.recoveries],
        stands_still=False,
        currency="USD",
    )
    return advise(result, due, at), due


def test_a_dirty_roof_whose_wash_is_cheaper_than_waiting_is_to_be_washed() -> None:
    answer, _ = advised()
    assert (answer.state, answer.act, answer.on) == (State.DIRTY, Act.WASH, None)
    assert answer.wash is not None
    # At most what 18 % of 6 a day are in two years without rain; and it goes with the dirt and with a kWh's value.
    assert 0 < answer.wash.brings.low < answer.wash.brings.middle < answer.wash.brings.high
    assert answer.wash.brings.middle < 0.18 * 6 * 730
    half_the_dirt = advised(replace(RESULT, loss_quantiles=tuple(one / 2 for one in EVENLY)))[0].wash
    twice_the_value = advised(at=money(kwh=0.5))[0].wash
    assert half_the_dirt is not None
    assert twice_the_value is not None
    assert half_the_dirt.brings.middle == pytest.approx(answer.wash.brings.middle / 2)
    assert twice_the_value.brings.middle == pytest.approx(answer.wash.brings.middle * 2)
    assert answer.wash.pays_back == 1.0


@pytest.mark.parametrize("loss", [0.1, 0.18, 0.25])
def test_the_advice_turns_at_the_price_and_at_the_value_of_a_kwh_it_names(loss: float) -> None:
    result = replace(RESULT, loss_quantiles=tuple(one * loss / 0.18 for one in EVENLY))
    answer, _ = advised(result)
    assert answer.wash is not None
    price, kwh = answer.wash.turns_at_price, answer.wash.turns_at_kwh
    assert price is not None
    assert kwh is not None
    # Five halvings of a span of 35 to 1 leave 12 %.
    assert advised(result, money(price=0.87 * price))[0].act == Act.WASH
    assert advised(result, money(price=1.15 * price))[0].act != Act.WASH
    assert advised(result, money(kwh=1.15 * kwh))[0].act == Act.WASH
    assert advised(result, money(kwh=0.87 * kwh))[0].act != Act.WASH


def test_a_wash_that_pays_in_too_few_futures_is_not_advised() -> None:
    # Even odds of nothing or of dirt: half the futures pay, fewer than are asked for.
    result = replace(RESULT, loss_quantiles=(0.0,) * 5 + (0.1,) * 5, verdict=Verdict.UNSURE)
    answer, _ = advised(result)
    assert answer.act != Act.WASH
    assert answer.wash is None or answer.wash.pays_back < PAYS_LIKELY


def test_dirt_beside_a_fault_is_told_beside_it() -> None:
    answer, _ = advised(replace(RESULT, verdict=Verdict.OTHER_FAULT))
    assert (answer.state, answer.act, answer.wash_too) == (State.NOT_DIRT, Act.LOOK, True)


def test_a_clean_roof_by_name_that_is_to_be_washed_is_called_dirty() -> None:
    answer, _ = advised(replace(RESULT, verdict=Verdict.UNSURE))
    assert (answer.state, answer.act) == (State.DIRTY, Act.WASH)


def test_where_readings_cannot_say_the_calendar_does() -> None:
    blind = replace(RESULT, verdict=Verdict.NOT_ENOUGH_DATA, loss_quantiles=(), soiling_rate_ci=None)
    answer, due = advised(blind)
    assert due.basis == Basis.CALENDAR
    assert (answer.state, answer.act, answer.calendar_on) == (State.CANNOT_TELL, Act.SEND_READINGS, due.on)
    assert answer.why == due.reasons[:1]
    cloudy = advised(replace(blind, reasons=(Said(Code.NO_CLEAR_DAY, {"days": 45}),)))[0]
    assert cloudy.act == Act.WAIT  # nobody need send what is there


@pytest.mark.parametrize("why", [Code.NO_CLEAR_DAY, Code.JUST_FELL, Code.FEW_DAYS, Code.FEW_CLEAR_DAYS])
def test_who_cannot_tell_how_a_roof_stands_advises_nothing_by_figures(why: Code) -> None:
    answer, due = advised(replace(RESULT, verdict=Verdict.NOT_ENOUGH_DATA, reasons=(Said(why),)))
    assert due.basis == Basis.READINGS
    assert (answer.state, answer.act, answer.on, answer.wash) == (State.CANNOT_TELL, Act.WAIT, None, None)
    assert answer.days_to_wash == ()


def test_the_chance_of_a_wash_within_days_is_that_of_the_quantiles() -> None:
    answer, _ = advised(at=money(price=270.0))
    # Without rain the loss grows by 0.1 % a day, and a wash of 270 at 6 a day pays from √(2 · 270 · 0.001 / 6) = 30 %
    # on: 100 to 140 days from 16 to 20 %. The rate's spread, a step of five days and a little rain, which is never
    # ruled out, come on top.
    assert answer.act == Act.WAIT
    assert answer.chance_within(60) == 0.0
    assert answer.chance_within(300) >= 0.9
    assert 0.3 <= answer.chance_within(120) <= 0.7
    assert answer.on is not None
    assert 115 <= (answer.on - AS_OF).days <= 160


def year_with(day: date, *, before: float, gain: float) -> Assessment:
    """A record on which rain took ``gain`` of a loss of ``before``, on that day of both earlier years."""
    ratio = pd.Series(1.0 - before, index=RECORD.index)
    fell = tuple(Recovery(day.replace(year=year), gain, Band(gain, gain)) for year in (2024, 2025))
    return replace(RESULT, recoveries=fell, daily=RECORD.assign(soiling_ratio=ratio))


def test_rain_of_the_roofs_own_years_is_counted() -> None:
    # Waiting from March on; on 15 April of two earlier years rain took 6 of 8 points: three quarters, more than half.
    result = replace(
        year_with(date(2025, 4, 15), before=0.08, gain=0.06), loss_quantiles=(0.05,) * 10, verdict=Verdict.UNSURE
    )
    answer, _ = advised(result, money(price=60.0))
    assert answer.act == Act.WAIT
    assert answer.rain is not None
    assert not answer.rain.futures
    assert answer.rain.of == 2
    assert answer.rain.half_in == 2
    assert answer.rain.share == pytest.approx(0.75)


def test_a_season_with_a_wash_in_it_says_nothing_of_rain() -> None:
    result = replace(
        year_with(date(2025, 4, 15), before=0.08, gain=0.06),
        loss_quantiles=(0.05,) * 10,
        verdict=Verdict.UNSURE,
        cleanings=(Cleaning(date(2025, 4, 2), None, None),),
    )
    answer, _ = advised(result, money(price=60.0))
    assert answer.rain is not None
    assert answer.rain.futures  # one year is left, and one is too few
    assert answer.rain.of == 10


@pytest.mark.parametrize("at", [money(), money(price=150.0), money(kwh=0.001)])
def test_what_is_kept_comes_back(at: Money) -> None:
    answer, _ = advised(at=at)
    assert kept_advice(json.loads(json.dumps(answer.keep()))) == answer


def test_rows_of_before_have_no_advice_and_damaged_ones_are_refused() -> None:
    assert kept_advice({}) is None
    with pytest.raises(ValueError, match="without its day"):
        kept_advice(advised()[0].keep() | {"as_of": None})
