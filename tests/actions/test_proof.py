"""The proof of a visit: when the gain is said, what it amounts to, what else could explain it, and links."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from django.core.exceptions import ValidationError
from scipy.stats import ttest_ind

from portal.actions.proof import link_token, linked_report, revoke_report_link, share_report, update_proofs, worth
from portal.models import DayRain, Proof, ProofState, RainGauge, Site, SiteDaily, Visit, VisitState
from portal.models.assessment import pack_daily
from portal.pv.recovered import recovered, same_season, share_left
from portal.pv.result import Band, Recovery
from tests import factories
from tests.factories import NOW

WASHED = date(2026, 5, 4)
ZONE = ZoneInfo("America/Denver")


def _daily(first: date, last: date, *, loss_before: float = 0.1, used: Any = True) -> pd.DataFrame:
    """20 kWh a clean day; ``loss_before`` lost until the wash, nothing after it."""
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    ratio = np.array([1 - loss_before if day <= WASHED else 1.0 for day in days])
    return pd.DataFrame(
        {
            "energy_wh": 20_000 * ratio,
            "expected_wh": 20_000.0,
            "index": ratio,
            "used": used,
            "refused": "",
            "soiling_ratio": ratio,
            "soiling_ratio_low": ratio - 0.01,
            "soiling_ratio_high": ratio + 0.01,
        },
        index=pd.Index(days, dtype=object),
    )


def _washed(site: Site | None = None, **fields: Any) -> Visit:
    at = datetime(2026, 5, 4, 9, tzinfo=ZONE)
    defaults: dict[str, Any] = {"starts_at": at, "state": VisitState.DONE, "finished_at": at}
    return factories.visit(site=site or factories.site(), **(defaults | fields))


def _assessed(
    visit: Visit, as_of: date, *, gain: float | None = 0.1, low: float = 0.09, high: float = 0.11, **fields: Any
) -> None:
    """What a night leaves behind: an assessment with the visit's gain, and the daily table."""
    daily = fields.pop("daily", _daily(date(2026, 1, 1), as_of))
    cleaning = {
        "date": WASHED.isoformat(),
        "gain": gain,
        "low": None if gain is None else low,
        "high": None if gain is None else high,
    }
    made_at = datetime(as_of.year, as_of.month, as_of.day, 23, tzinfo=ZONE)
    factories.assessment(
        **{"site": visit.site, "as_of": as_of, "made_at": made_at, "cleanings": [cleaning], "clean_due": None} | fields
    )
    SiteDaily.objects.update_or_create(site=visit.site, defaults={"as_of": as_of, "table": pack_daily(daily)})


def _proof(visit: Visit, as_of: date) -> Proof:
    update_proofs(now=datetime(as_of.year, as_of.month, as_of.day, 23, 30, tzinfo=ZONE))
    return Proof.objects.get(visit=visit)


@pytest.mark.django_db
def test_a_fresh_wash_waits_for_clear_days() -> None:
    visit = _washed()
    _assessed(visit, WASHED + timedelta(days=1), gain=None)
    proof = _proof(visit, WASHED + timedelta(days=1))
    assert (proof.state, proof.gain, proof.clear_days_after) == (ProofState.WAITING, None, 1)


@pytest.mark.django_db
def test_a_wide_interval_is_not_said_before_the_month_is_over() -> None:
    visit = _washed()
    _assessed(visit, WASHED + timedelta(days=10), low=0.05, high=0.15)
    assert _proof(visit, WASHED + timedelta(days=10)).gain is None
    _assessed(visit, WASHED + timedelta(days=30), low=0.05, high=0.15)
    proof = _proof(visit, WASHED + timedelta(days=30))
    assert (proof.state, proof.gain, proof.gain_low, proof.gain_high) == (ProofState.SETTLED, 0.1, 0.05, 0.15)


@pytest.mark.django_db
def test_a_narrow_interval_gives_a_first_answer_whatever_it_says() -> None:
    visit = _washed()
    _assessed(visit, WASHED + timedelta(days=5), gain=0.001, low=-0.015, high=0.016)
    proof = _proof(visit, WASHED + timedelta(days=5))
    assert (proof.state, proof.gain, proof.measurable) == (ProofState.FIRST, 0.001, False)


@pytest.mark.django_db
def test_a_settled_gain_stays_and_its_energy_goes_on() -> None:
    visit = _washed()
    _assessed(visit, WASHED + timedelta(days=30))
    first = _proof(visit, WASHED + timedelta(days=30))
    # gain 0.1 × 20 kWh a clean day × 30 days
    assert first.kwh == pytest.approx(60)
    assert [first.kwh_low, first.kwh_high] == pytest.approx([54, 66])
    _assessed(visit, WASHED + timedelta(days=40), gain=0.2, low=0.19, high=0.21)
    later = _proof(visit, WASHED + timedelta(days=40))
    assert later.gain == 0.1
    assert later.kwh == pytest.approx(80)
    assert later.counted_to == WASHED + timedelta(days=40)


@pytest.mark.django_db
def test_readings_that_come_two_years_after_a_wash_still_tell_of_it_and_once() -> None:
    visit = _washed()
    _assessed(visit, WASHED + timedelta(days=700))
    late = datetime(2026, 5, 4, 23, tzinfo=ZONE) + timedelta(days=701)
    assert update_proofs(now=late) == 1
    assert Proof.objects.get(visit=visit).state == ProofState.SETTLED
    assert Proof.objects.get(visit=visit).gain == 0.1
    _assessed(visit, WASHED + timedelta(days=710))
    assert update_proofs(now=late + timedelta(days=10)) == 0  # nobody follows it any more


@pytest.mark.django_db
def test_the_job_may_run_twice() -> None:
    visit = _washed()
    _assessed(visit, WASHED + timedelta(days=30))
    now = datetime(2026, 6, 4, tzinfo=ZONE)
    assert update_proofs(now=now) == 1
    assert update_proofs(now=now) == 0
    assert Proof.objects.count() == 1


@pytest.mark.django_db
def test_what_is_expected_by_the_due_date_is_the_gain_less_what_rain_would_have_brought() -> None:
    visit = _washed(price=Decimal("40"))
    due = WASHED + timedelta(days=60)
    _assessed(visit, WASHED + timedelta(days=30), clean_due=due)
    proof = _proof(visit, WASHED + timedelta(days=30))
    # 30 days behind, 20 kWh each, a tenth of it; of the 30 ahead what rain leaves, at most as much
    assert proof.kwh_by_due_low is not None
    assert proof.kwh_by_due is not None
    assert proof.kwh_by_due_high == pytest.approx(132)  # 0.11 of 60 days
    assert 54 < proof.kwh_by_due_low < 108 < proof.kwh_by_due < 120  # 0.09 of 30 and of 60 days; a tenth of 60
    money = worth(proof)
    assert money is not None
    # factories' sites are worth 0.25 a kWh: 60 kWh 15.00; the visit cost 40
    by_due = round(Decimal(proof.kwh_by_due) / 4, 2)
    assert (money.value, money.by_due, money.net) == (Decimal("15.00"), by_due, by_due - 40)
    # 15.00 in 30 days, so 40 takes 80 days, said as not before the 81st
    assert money.payback_days == 81
    # at 54 to 66 kWh it is 13.50 to 16.50 in 30 days: 72.7 to 88.9 days
    assert (money.payback_soonest, money.payback_latest) == (73, 89)


@pytest.mark.django_db
def test_a_gain_that_may_be_nothing_may_never_pay_and_days_without_readings_do_not_slow_the_pace() -> None:
    visit = _washed(price=Decimal("40"))
    daily = _daily(date(2026, 1, 1), WASHED + timedelta(days=30))
    daily.loc[WASHED + timedelta(days=11) : WASHED + timedelta(days=20), "energy_wh"] = np.nan
    _assessed(visit, WASHED + timedelta(days=30), low=-0.01, daily=daily)
    money = worth(_proof(visit, WASHED + timedelta(days=30)))
    assert money is not None
    # 20 days of 20 kWh, a tenth of it at 0.25: 10.00 in 20 days
    assert (money.value, money.payback_days, money.payback_latest) == (Decimal("10.00"), 81, None)


@pytest.mark.django_db
def test_where_no_cleaning_is_in_sight_the_gain_is_followed_for_a_year() -> None:
    visit = _washed()
    _assessed(visit, WASHED + timedelta(days=30), clean_due=None)
    proof = _proof(visit, WASHED + timedelta(days=30))
    assert proof.due_on is None
    # 365 days of 20 kWh, a tenth of it, were it never to rain; where the record shows none, as is usual: one every
    # three months that leaves two fifths, seen over 154 days of which 124 were dirty and dry
    assert proof.kwh_by_due is not None
    assert 60 < proof.kwh_by_due < 730
    assert proof.kwh_by_due_high == pytest.approx(0.11 * 365 * 20)  # in more than one future in 20 none falls


@pytest.mark.django_db
def test_a_gain_is_not_said_where_nobody_could_look() -> None:
    visit = _washed()
    daily = _daily(date(2026, 1, 1), WASHED + timedelta(days=30))
    daily["used"] = [day > WASHED for day in daily.index]
    _assessed(visit, WASHED + timedelta(days=30), daily=daily)
    proof = _proof(visit, WASHED + timedelta(days=30))
    assert (proof.state, proof.gain) == (ProofState.SETTLED, None)
    # the readings of the months before come in later
    _assessed(visit, WASHED + timedelta(days=50))
    assert _proof(visit, WASHED + timedelta(days=50)).gain == 0.1


@pytest.mark.django_db
def test_the_count_ends_before_the_next_wash() -> None:
    visit = _washed()
    _washed(site=visit.site, finished_at=datetime(2026, 5, 15, 9, tzinfo=ZONE))
    _assessed(visit, WASHED + timedelta(days=30))
    proof = _proof(visit, WASHED + timedelta(days=30))
    # 5 to 14 May: ten days of 20 kWh, a tenth of it
    assert proof.kwh == pytest.approx(20)
    assert proof.counted_to == date(2026, 5, 14)


@pytest.mark.django_db
def test_rain_in_the_same_week_is_said() -> None:
    visit = _washed()
    gauge = RainGauge.objects.create(
        business=visit.site.customer.business, name="Townfield", latitude=39.75, longitude=-105.1
    )
    DayRain.objects.create(gauge=gauge, day=date(2026, 5, 6), rain_mm=12)
    DayRain.objects.create(gauge=gauge, day=date(2026, 5, 20), rain_mm=30)
    _assessed(visit, WASHED + timedelta(days=30))
    doubts = _proof(visit, WASHED + timedelta(days=30)).doubts
    assert [doubt for doubt in doubts if "12 mm on 6 May 2026 at Townfield" in doubt]
    assert not [doubt for doubt in doubts if "20 May" in doubt]


@pytest.mark.django_db
def test_a_gauge_that_was_silent_that_week_does_not_rule_out_rain() -> None:
    visit = _washed()
    gauge = RainGauge.objects.create(
        business=visit.site.customer.business, name="Townfield", latitude=39.75, longitude=-105.1
    )
    for day in range(13):  # from 27 April; 10 and 11 May never come in
        DayRain.objects.create(gauge=gauge, day=date(2026, 4, 27) + timedelta(days=day), rain_mm=0)
    _assessed(visit, WASHED + timedelta(days=5), low=0.09, high=0.11)
    assert "missing" not in " ".join(_proof(visit, WASHED + timedelta(days=5)).doubts), "to come is not missing"
    _assessed(visit, WASHED + timedelta(days=30))
    doubts = " ".join(_proof(visit, WASHED + timedelta(days=30)).doubts)
    assert "Of the 15 days around the wash 2 are missing from the rain record of Townfield" in doubts


@pytest.mark.django_db
def test_without_a_gauge_rain_cannot_be_ruled_out() -> None:
    visit = _washed()
    _assessed(visit, WASHED + timedelta(days=30))
    assert "rain in the same week cannot be ruled out" in " ".join(_proof(visit, WASHED + timedelta(days=30)).doubts)


@pytest.mark.django_db
def test_a_fault_before_that_is_gone_after_and_few_days_are_said() -> None:
    visit = _washed()
    factories.assessment(site=visit.site, as_of=WASHED - timedelta(days=3), verdict="other fault", cause="string_loss")
    daily = _daily(date(2026, 1, 1), WASHED + timedelta(days=30))
    daily["used"] = [day <= WASHED + timedelta(days=4) for day in daily.index]
    _assessed(visit, WASHED + timedelta(days=30), daily=daily, verdict="clean")
    doubts = " ".join(_proof(visit, WASHED + timedelta(days=30)).doubts)
    assert "a repair raises output too" in doubts
    assert "Usable clear days in the month after the wash: only 4." in doubts


def test_rain_takes_the_same_share_off_what_a_wash_gained() -> None:
    # The washed roof had gathered 2 % when rain took 1 % off: half its dirt, so half the gain is the rain's.
    days = [WASHED + timedelta(days=n) for n in range(5)]
    daily = pd.DataFrame({"soiling_ratio": [0.9, 1.0, 0.99, 0.98, 0.99], "energy_wh": 10.0}, index=days)
    rain = [Recovery(days[4], 0.01, Band(0.0, 0.02))]
    assert share_left(daily, rain, WASHED).tolist() == pytest.approx([0, 1, 1, 1, 0.5])
    # 10/1 + 10/0.99 + 10/0.98 + half of 10/0.99
    expected = 10 + 10 / 0.99 + 10 / 0.98 + 5 / 0.99
    assert recovered(daily, rain, cleaned_on=WASHED, next_wash=None).clean_wh == pytest.approx(expected)


def test_days_without_readings_count_nothing_and_are_counted() -> None:
    daily = _daily(WASHED, WASHED + timedelta(days=10))
    daily.loc[WASHED + timedelta(days=3) : WASHED + timedelta(days=5), "energy_wh"] = np.nan
    held = recovered(daily, [], cleaned_on=WASHED, next_wash=None)
    assert held.clean_wh == pytest.approx(7 * 20_000)
    assert held.days_without_readings == 3


def test_the_same_season_compares_the_month_after_with_the_same_days_a_year_before() -> None:
    rng = np.random.default_rng(5)
    days = [date(2025, 4, 1) + timedelta(days=n) for n in range(430)]
    daily = pd.DataFrame({"index": 0.9 + rng.normal(0, 0.02, len(days)), "used": True}, index=pd.Index(days))
    after = [day for day in days if WASHED < day <= WASHED + timedelta(days=30)]
    daily.loc[daily.index.isin(after), "index"] += 0.05
    year_before = [day - timedelta(days=365) for day in after]
    season = same_season(daily, cleaned_on=WASHED)
    assert season is not None
    a, b = (daily.loc[daily.index.isin(span), "index"] for span in (after, year_before))
    ci = ttest_ind(a, b, equal_var=False).confidence_interval(0.9)
    assert season.difference == pytest.approx(a.mean() - b.mean())
    assert (season.ci.low, season.ci.high) == pytest.approx((ci.low, ci.high))
    assert season.ci.low < 0.05 < season.ci.high


def test_a_season_without_a_year_before_says_nothing() -> None:
    assert same_season(_daily(date(2026, 1, 1), date(2026, 6, 10)), cleaned_on=WASHED) is None


@pytest.mark.django_db
def test_a_link_works_until_it_is_revoked_or_over() -> None:
    visit = _washed()
    link = share_report(visit=visit, now=NOW)
    token = link_token(link)
    assert linked_report(token=token, now=NOW) == link
    assert linked_report(token=token, now=NOW + timedelta(days=91)) is None
    assert linked_report(token=token[:-1] + ("a" if token[-1] != "a" else "b"), now=NOW) is None
    revoke_report_link(link=link, now=NOW)
    assert linked_report(token=token, now=NOW) is None


@pytest.mark.django_db
def test_a_visit_that_is_not_finished_has_no_report_to_share() -> None:
    visit = factories.visit()
    with pytest.raises(ValidationError, match="not finished"):
        share_report(visit=visit, now=NOW)
