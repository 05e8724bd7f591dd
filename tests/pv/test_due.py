"""When a cleaning is due, against brute force, arithmetic and futures whose answer is known."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from portal.pv.due import Basis, Calendar, Due, calendar_due, when_due
from portal.pv.forecast import Money, PresentLoss, best_routine, forecast
from portal.pv.said import Code, Said
from portal.pv.year import PENTAD_DAYS, PENTADS, SoilingYear

TODAY = date(2026, 3, 1)
DRY = SoilingYear(np.full(PENTADS, 0.001), np.zeros(PENTADS), np.array([1.0]))


def steady_energy(kwh: float) -> pd.Series[float]:
    """The same clean yield every day of the year ahead."""
    days = [TODAY + timedelta(days=number) for number in range(1, 366, 10)]
    return pd.Series(kwh * 1000, index=pd.Index(days, dtype=object))


def spread(low: float, high: float) -> list[float]:
    return [low + (high - low) * (0.05 + 0.1 * step) for step in range(10)]


# --- the calendar ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("last", "months", "due"),
    [
        (date(2024, 2, 29), 12, date(2025, 2, 28)),
        (date(2025, 12, 15), 1, date(2026, 1, 15)),
        (date(2025, 5, 31), 6, date(2025, 11, 30)),
        (date(2025, 12, 1), 12, date(2026, 12, 1)),
    ],
)
def test_the_calendar_counts_months(last: date, months: int, due: date) -> None:
    assert calendar_due(last, every_months=months) == due


# --- the routine -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("value", "price"), [(3.0, 150.0), (8.0, 150.0), (12.0, 120.0)])
def test_without_rain_and_seasons_the_routine_is_the_formula(value: float, price: float) -> None:
    # The economic order quantity (F. W. Harris, "How many parts to make at once", 1913), dirt in the place of stock: a
    # wash every T days costs C / T + r V T / 2 a day, least at T = √(2 C / (r V)); the loss just before it is r T.
    interval_days = math.sqrt(2 * price / (0.001 * value))
    loss = 0.001 * interval_days
    limits = best_routine(DRY, np.full(PENTADS, value), price)
    assert limits.mean() == pytest.approx(loss, rel=0.03)
    ahead = forecast(PresentLoss(TODAY, [0.0] * 10, (0.001, 0.001)), DRY, Money(steady_energy(value * 4), 0.25, price))
    assert ahead.interval_days == pytest.approx(interval_days, rel=0.03)


def cost_of_routine(limits: np.ndarray, year: SoilingYear, value: np.ndarray, price: float, seed: int) -> float:
    """Money a year that following ``limits`` costs, by day-by-day simulation written apart from the one under test."""
    draw = np.random.default_rng(seed)
    roofs, years, loss, cost = 200, 12, np.zeros(200), 0.0
    for day in range(years * 365):
        step = min(day % 365 // PENTAD_DAYS, PENTADS - 1)
        loss += year.rate_per_day[step]
        rain = draw.random(roofs) < year.rain_per_day[step]
        loss[rain] *= draw.choice(year.kept, rain.sum())
        if day % PENTAD_DAYS == 0:
            due = loss >= limits[step]
            cost += price * due.sum()
            loss[due] = 0.0
        cost += float((loss * value[step]).sum())
    return cost / roofs / years


@pytest.mark.parametrize("seed", [1, 2])
def test_with_rain_and_seasons_no_fixed_loss_or_calendar_costs_less(seed: int) -> None:
    """Brute force over constant limits: the routine is as cheap as the best of them, within the noise, or cheaper."""
    season = np.cos((np.arange(PENTADS) - 36) / PENTADS * 2 * np.pi)  # summer in the middle of the year
    year = SoilingYear(
        np.clip(0.0012 + 0.0010 * season, 0.0002, None),
        np.where(season > 0, 0.002, 0.03),  # dry summers, wet winters
        np.array([0.0, 0.3, 0.6]),
    )
    value = 4.0 + 2.5 * season
    price = 90.0
    ours = cost_of_routine(best_routine(year, value, price), year, value, price, seed)
    fixed = [cost_of_routine(np.full(PENTADS, limit), year, value, price, seed) for limit in np.arange(0.02, 0.4, 0.02)]
    never = cost_of_routine(np.full(PENTADS, np.inf), year, value, price, seed)
    assert ours < never
    assert ours <= min(fixed) * 1.01


def test_frequent_rain_makes_a_wash_not_worth_its_price() -> None:
    wet = SoilingYear(np.full(PENTADS, 0.001), np.full(PENTADS, 0.1), np.array([0.0]))
    assert np.isinf(best_routine(wet, np.full(PENTADS, 3.0), 150.0)).all()


def test_the_routine_waits_before_the_rains_and_not_before_the_dry_season() -> None:
    rain = np.where(np.arange(PENTADS) >= 40, 0.08, 0.0)  # from mid-July
    year = SoilingYear(np.full(PENTADS, 0.0015), rain, np.array([0.1]))
    limits = best_routine(year, np.full(PENTADS, 6.0), 80.0)
    assert limits[37] > limits[5] + 0.02


def test_a_price_of_nothing_and_a_day_without_value_are_refused() -> None:
    with pytest.raises(ValueError, match="must cost something"):
        best_routine(DRY, np.full(PENTADS, 3.0), 0.0)
    with pytest.raises(ValueError, match="gaps"):
        best_routine(DRY, np.full(PENTADS, np.nan), 10.0)


# --- the forecast ----------------------------------------------------------------------------------------------------


def test_without_rain_the_band_grows_by_the_rate() -> None:
    ahead = forecast(
        PresentLoss(TODAY, spread(0.02, 0.04), (0.001, 0.001)), DRY, Money(steady_energy(20.0), 0.25, 150.0)
    ).ahead
    assert len(ahead) == round(6 * PENTADS / 12)
    after_100 = ahead.loc[TODAY + timedelta(days=100)]
    # 2 to 4 % evenly spread, plus 10 %
    assert after_100["loss"] == pytest.approx(0.13, abs=0.002)
    assert after_100["loss_low"] == pytest.approx(0.121, abs=0.002)
    assert after_100["loss_high"] == pytest.approx(0.139, abs=0.002)
    # 20 kWh at 0.25 are 5 a day; 13 % of it
    assert after_100["value"] == pytest.approx(0.65, abs=0.01)


def test_an_unsure_rate_widens_the_band() -> None:
    def width(rate_ci: tuple[float, float]) -> float:
        ahead = forecast(PresentLoss(TODAY, [0.03] * 10, rate_ci), DRY, Money(steady_energy(20.0), 0.25, 150.0)).ahead
        return float(ahead["loss_high"].iloc[-1] - ahead["loss_low"].iloc[-1])

    # 180 days at a rate whose 90 % interval is 0.0008 wide
    assert width((0.0006, 0.0014)) == pytest.approx(180 * 0.0008, rel=0.15)
    assert width((0.001, 0.001)) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("present", [0.0, 0.05, 0.10])
def test_the_due_day_is_when_the_loss_reaches_what_the_formula_says(present: float) -> None:
    # 6 a day and 100 a wash: T = √(200 / 0.006) = 182.6 days, so a wash pays from a loss of 18.3 %
    found = forecast(PresentLoss(TODAY, [present] * 10, (0.001, 0.001)), DRY, Money(steady_energy(24.0), 0.25, 100.0))
    assert found.pays_on is not None
    assert (found.pays_on - TODAY).days == pytest.approx((0.1826 - present) / 0.001, abs=8)


def test_what_a_wash_keeps_is_what_arithmetic_says() -> None:
    # due today; without rain the whole 20 % stays off for two years: 0.2 × 6 a day × 730 days
    found = forecast(PresentLoss(TODAY, [0.2] * 10, (0.001, 0.001)), DRY, Money(steady_energy(24.0), 0.25, 100.0))
    assert found.pays_on == TODAY
    assert found.saved == pytest.approx(0.2 * 6 * 730, rel=0.001)


def test_rain_takes_away_what_a_wash_would_have_kept() -> None:
    rainy = SoilingYear(np.full(PENTADS, 0.001), np.full(PENTADS, 0.02), np.array([0.0]))
    found = forecast(PresentLoss(TODAY, [0.4] * 10, (0.001, 0.001)), rainy, Money(steady_energy(24.0), 0.25, 60.0))
    assert found.pays_on == TODAY
    # until the first rain, 50 days on average: 0.4 × 6 × 50, and a five-day step's grain
    assert found.saved == pytest.approx(0.4 * 6 * 50, rel=0.15)


def test_the_same_input_gives_the_same_answer() -> None:
    year = SoilingYear(np.full(PENTADS, 0.001), np.full(PENTADS, 0.01), np.array([0.2]))
    first, second = (
        forecast(PresentLoss(TODAY, spread(0.0, 0.05), (0.0005, 0.0015)), year, Money(steady_energy(24.0), 0.25, 60.0))
        for _ in range(2)
    )
    assert (first.pays_on, first.saved) == (second.pays_on, second.saved)
    pd.testing.assert_frame_equal(first.ahead, second.ahead)


# --- who speaks ------------------------------------------------------------------------------------------------------


DIRTY = PresentLoss(TODAY, spread(0.18, 0.22), (0.0009, 0.0011))
UNKNOWN = replace(DIRTY, quantiles=[])
MONEY = Money(steady_energy(24.0), 0.25, 100.0)
RULE = Calendar(6, date(2025, 10, 31))
THREE_YEARS = pd.Index([TODAY - timedelta(days=number) for number in range(1000, -1, -1)], dtype=object)
RATIO = pd.Series(1 - 0.0002 * np.arange(1001.0), index=THREE_YEARS)


def asked(
    present: PresentLoss = DIRTY,
    money: Money = MONEY,
    rule: Calendar = RULE,
    *,
    soiling_ratio: pd.Series[float] = RATIO,
    stands_still: bool = False,
) -> Due:
    """A dry roof three years in, 20 % dirty, that a wash at 100 pays for today."""
    return when_due(
        present,
        money,
        rule,
        soiling_ratio=soiling_ratio,
        recoveries=[],
        stands_still=stands_still,
        currency="USD",
    )


def test_readings_that_can_say_speak() -> None:
    due = asked()
    assert (due.on, due.basis, due.pays) == (TODAY, Basis.READINGS, True)
    assert [said.code for said in due.reasons] == [Code.CHEAPER_TODAY, Code.IN_THE_LONG_RUN]
    assert due.forecast is not None
    assert due.reasons[0].figures == {"wash_price": 100.0, "saved": due.forecast.saved, "currency": "USD"}


def test_a_wash_that_does_not_pay_is_not_due_and_says_so() -> None:
    due = asked(money=replace(MONEY, price_per_kwh=0.005))
    assert (due.on, due.basis, due.pays) == (None, Basis.READINGS, False)
    assert due.reasons[0].code in (Code.KEEPS_TOO_LITTLE, Code.KEEPS_TOO_LITTLE_TODAY)
    assert ("due" in due.reasons[0].figures) == (due.reasons[0].code == Code.KEEPS_TOO_LITTLE)


def test_a_wide_loss_is_no_matter_where_both_ends_give_the_same_advice() -> None:
    # 0.12 a day: half of a year's output would not pay for the wash, whatever lies on the roof
    due = asked(replace(DIRTY, quantiles=spread(0.0, 0.3)), replace(MONEY, price_per_kwh=0.005))
    assert (due.on, due.basis, due.pays) == (None, Basis.READINGS, False)
    # 6 a day and 0.1 % a day: from 18 % on a wash pays, so from 19 % as from 39 % it is due today
    due = asked(replace(DIRTY, quantiles=spread(0.18, 0.4)))
    assert (due.on, due.basis, due.pays) == (TODAY, Basis.READINGS, True)


def test_panels_that_make_nothing_are_not_to_be_washed() -> None:
    due = asked(stands_still=True)
    assert (due.on, due.pays) == (None, False)
    assert due.reasons == (Said(Code.STANDS_STILL),)


def test_the_calendar_counts_from_the_last_day_on_which_the_readings_said_that_none_was_due() -> None:
    assert asked(UNKNOWN, rule=replace(RULE, last_not_due=date(2026, 2, 10))).on == date(2026, 8, 10)
    washed_since = replace(RULE, last_not_due=date(2025, 10, 1))
    assert asked(UNKNOWN, rule=washed_since).on == date(2026, 4, 30)


def test_the_calendar_names_no_day_where_nothing_is_known_that_it_could_count_from() -> None:
    due = asked(UNKNOWN, rule=replace(RULE, last_cleaned=None))
    assert (due.on, due.basis) == (None, Basis.CALENDAR)
    assert [said.code for said in due.reasons] == [Code.NO_ESTIMATE, Code.PAYS_ABOVE]
    watched = replace(RULE, last_cleaned=None, last_not_due=date(2026, 2, 10))
    assert asked(UNKNOWN, rule=watched).on == date(2026, 8, 10)


def test_a_day_gone_by_is_not_called_the_next() -> None:
    due = asked(UNKNOWN, rule=replace(RULE, last_cleaned=date(2025, 1, 31)))
    assert due.reasons[1] == Said(Code.CALENDAR_DUE_SINCE, {"every_months": 6, "due": "2025-07-31"})


def test_the_calendar_says_what_would_have_to_be_true_for_a_wash_to_pay() -> None:
    # 24 kWh a day at 0.25 are 2,190 a year, of which 100 are 4.6 %
    due = asked(UNKNOWN)
    assert due.pays is None
    assert due.reasons[-1].code == Code.PAYS_ABOVE
    assert due.reasons[-1].figures["loss"] == pytest.approx(100 / 2190, rel=0.01)
    # at 0.02 they are 175, and no roof loses more than half of it
    poor = asked(UNKNOWN, replace(MONEY, price_per_kwh=0.02))
    assert (poor.basis, poor.pays) == (Basis.CALENDAR, False)
    assert poor.reasons[-1].code == Code.PAYS_NEVER
    assert poor.reasons[-1].figures["year_value"] == pytest.approx(175.2, rel=0.01)


UNSURE = replace(DIRTY, quantiles=spread(0.0, 0.2))


@pytest.mark.parametrize(
    ("present", "ratio", "money", "why"),
    [
        (UNKNOWN, RATIO, MONEY, Said(Code.NO_ESTIMATE)),
        (replace(DIRTY, rate_ci=None), RATIO, MONEY, Said(Code.NO_ESTIMATE)),
        (UNSURE, RATIO, MONEY, Said(Code.LOSS_ANYWHERE, {"low": 0.01, "high": 0.19})),
        (DIRTY, pd.Series(1.0, index=[TODAY]), MONEY, Said(Code.SHORT_RECORD, {"least_days": 90})),
        (DIRTY, RATIO, replace(MONEY, clean_energy_wh=steady_energy(np.nan)), Said(Code.NO_VALUE)),
    ],
)
def test_where_the_readings_cannot_say_the_calendar_speaks_and_says_why(
    present: PresentLoss, ratio: pd.Series[float], money: Money, why: Said
) -> None:
    due = asked(present, money, soiling_ratio=ratio)
    assert (due.on, due.basis, due.pays) == (date(2026, 4, 30), Basis.CALENDAR, None)
    assert due.reasons[0].code == why.code
    assert due.reasons[0].figures == pytest.approx(dict(why.figures))
    assert due.reasons[1] == Said(Code.CALENDAR_NEXT, {"every_months": 6, "due": "2026-04-30"})
