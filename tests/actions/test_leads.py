"""Leads open on a chance, close by themselves, and never flap."""

from __future__ import annotations

from datetime import timedelta
from functools import partial
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from portal.actions.leads import lose_lead, move_lead, plan_lead, review_leads, trips
from portal.actions.visits import finish_visit
from portal.models import Lead, LeadKind, LeadStage, Site, SiteAssessment, VisitState
from portal.pv.result import chance_loss_exceeds
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
UNIFORM = [0.05 + 0.10 * step for step in range(10)]
"""Quantiles 0.05 … 0.95 of a loss that is evenly spread from 0 to 1: the chance above x is 1 − x."""


def assess(site: Site, chance: float, day: int = 0, **fields: Any) -> SiteAssessment:
    """An assessment ``day`` days from NOW whose roof is worth a wash now with a chance, in tenths, and told to wait."""
    as_of = (NOW + timedelta(days=day)).date()
    row = factories.assessment(site=site, as_of=as_of, clean_due=as_of + timedelta(days=40), **fields)
    sure = round(chance * 10)
    row.advice = factories.advised(row, days_to_wash=(0.0,) * sure + (None,) * (10 - sure)).keep()
    row.save()
    return row


def review(assessment: SiteAssessment, day: int = 0) -> Lead | None:
    review_leads(assessments=[assessment], now=NOW + timedelta(days=day))
    return Lead.objects.filter(site=assessment.site).open().first()


@pytest.mark.parametrize(("loss", "chance"), [(0.05, 0.95), (0.4, 0.6), (0.5, 0.5), (0.73, 0.27), (0.95, 0.05)])
def test_the_chance_of_an_evenly_spread_loss_is_its_share_above(loss: float, chance: float) -> None:
    assert chance_loss_exceeds(UNIFORM, loss) == pytest.approx(chance)


def test_without_an_estimate_there_is_no_chance() -> None:
    assert chance_loss_exceeds([], 0.05) == 0


def test_a_lead_opens_when_a_wash_will_likely_be_due_within_the_firms_lead_time() -> None:
    """The firm's chance is 0.8."""
    assert review(assess(factories.site(), 0.7)) is None
    lead = review(assess(factories.site(), 0.8))
    assert lead is not None
    assert (lead.kind, lead.stage) == (LeadKind.CLEANING, LeadStage.NEW)
    # all futures reach it in 20 days, and the firm wants 14
    late = factories.assessment(clean_due=NOW.date() + timedelta(days=20))
    assert review(late) is None
    late.site.customer.business.lead_days = 20
    assert review(late) is not None


def test_a_lead_opens_where_the_owner_is_told_to_wash() -> None:
    assert review(factories.assessment(clean_due=NOW.date())) is not None


def test_a_roof_that_is_told_to_wait_is_called_about_only_where_the_firm_wants_that() -> None:
    # 6 to 10 % lost, 15 a month: 12 months are 180, a wash is 120
    roof = assess(factories.site(), 0.0)
    assert review(roof) is None
    business = roof.site.customer.business
    business.lead_waiting = True
    business.lead_pays_months = 7
    assert review(roof) is None, "105 in seven months"
    business.lead_pays_months = 12
    business.lead_loss = 0.09
    assert review(roof) is None, "over 9 % is too unlikely"
    business.lead_loss = 0.05
    assert review(roof) is not None


def test_a_roof_that_would_not_pay_opens_nothing() -> None:
    assert review(factories.assessment(clean_due=None)) is None


@pytest.mark.parametrize("verdict", ["clean", "not enough data"])
def test_where_no_wash_is_near_nothing_opens(verdict: str) -> None:
    assert review(assess(factories.site(), 0.0, verdict=verdict)) is None


def test_another_fault_makes_a_referral() -> None:
    lead = review(assess(factories.site(), 0.2, verdict="other fault", cause="string_loss"))
    assert lead is not None
    assert lead.kind == LeadKind.REFERRAL


def test_snow_opens_no_lead_and_closes_none() -> None:
    site = factories.site()
    assert review(assess(site, 0.2, verdict="other fault", cause="snow")) is None
    lead = review(assess(site, 1.0, day=1), day=1)
    assert lead is not None
    assert review(assess(site, 0.0, day=20, verdict="other fault", cause="snow"), day=20) == lead
    lead.refresh_from_db()
    assert (lead.kind, lead.closed_at) == (LeadKind.CLEANING, None)


def test_reviewing_twice_keeps_one_lead() -> None:
    site = factories.site()
    first = review(assess(site, 0.8))
    second = review(assess(site, 1.0, day=1), day=1)
    assert first == second
    assert Lead.objects.count() == 1


def test_the_database_refuses_a_second_open_lead() -> None:
    lead = factories.lead()
    with pytest.raises(IntegrityError), transaction.atomic():
        factories.lead(site=lead.site)
    lead.closed_at, lead.stage = NOW, LeadStage.WON
    lead.save()
    factories.lead(site=lead.site)


def test_a_lead_closes_at_once_when_the_loss_is_gone() -> None:
    site = factories.site()
    review(assess(site, 1.0))
    assert review(assess(site, 0.0, day=1, verdict="clean"), day=1) is None
    lead = Lead.objects.get()
    assert (lead.stage, lead.closed_at) == (LeadStage.CLEARED, NOW + timedelta(days=1))


def test_a_fading_lead_closes_after_a_week_and_a_passing_doubt_does_not_count() -> None:
    site = factories.site()
    review(assess(site, 1.0))
    # 0.3 is under half of 0.8 but not gone
    assert review(assess(site, 0.3, day=1), day=1)
    assert review(assess(site, 0.9, day=3), day=3), "it is back"
    assert review(assess(site, 0.3, day=4), day=4)
    assert review(assess(site, 0.3, day=10), day=10)
    assert review(assess(site, 0.3, day=11), day=11) is None
    assert Lead.objects.get().stage == LeadStage.CLEARED


def test_a_chance_that_jitters_around_the_level_does_not_flap() -> None:
    site = factories.site()
    for day in range(60):
        review(assess(site, 0.9 if day % 2 else 0.3, day=day), day=day)
    assert Lead.objects.count() <= 1


def test_not_enough_data_does_not_close_a_lead() -> None:
    site = factories.site()
    review(assess(site, 1.0))
    assert review(assess(site, 0.0, day=30, verdict="not enough data"), day=30)


def test_a_booked_lead_is_the_offices_to_close() -> None:
    site = factories.site()
    lead = review(assess(site, 1.0))
    assert lead is not None
    lead.stage = LeadStage.BOOKED
    lead.save()
    assert review(assess(site, 0.0, day=1, verdict="clean"), day=1) == lead


def test_a_washed_roof_rests_three_weeks() -> None:
    site = factories.site()
    factories.washed(site, NOW, gain=0.05, low=0.04, high=0.06)
    assert review(assess(site, 1.0, day=20), day=20) is None
    assert review(assess(site, 1.0, day=22), day=22)


def test_a_roof_that_said_no_rests_half_a_year() -> None:
    site = factories.site()
    lead = review(assess(site, 1.0))
    assert lead is not None
    owner = factories.member(site.customer.business)
    with pytest.raises(ValidationError, match="why"):
        lose_lead(lead=lead, reason=" ", by=owner, now=NOW)
    lose_lead(lead=lead, reason="Moves house", by=owner, now=NOW)
    assert review(assess(site, 1.0, day=170), day=170) is None
    assert review(assess(site, 1.0, day=181), day=181)


def test_a_done_visit_wins_its_lead_even_if_nobody_told() -> None:
    lead = factories.lead()
    factories.visit(site=lead.site, lead=lead, state=VisitState.DONE, finished_at=NOW)
    assert review(assess(lead.site, 1.0, day=1), day=1) is None
    lead.refresh_from_db()
    assert lead.stage == LeadStage.WON


def test_a_wash_booked_before_the_lead_opened_is_its_wash() -> None:
    site = factories.site()
    visit = factories.visit(site=site, lead=None)
    lead = review(assess(site, 1.0))
    assert lead is not None
    visit.refresh_from_db()
    assert (lead.stage, lead.booked_at, visit.lead) == (LeadStage.BOOKED, NOW, lead)
    finish_visit(visit=visit, now=visit.starts_at)
    lead.refresh_from_db()
    assert lead.stage == LeadStage.WON


def test_a_booked_wash_is_not_a_referrals() -> None:
    site = factories.site()
    visit = factories.visit(site=site, lead=None)
    lead = review(assess(site, 0.2, verdict="other fault", cause="string_loss"))
    visit.refresh_from_db()
    assert lead is not None
    assert (lead.stage, visit.lead) == (LeadStage.NEW, None)


def test_a_wash_does_not_win_a_referral() -> None:
    lead = factories.lead(kind=LeadKind.REFERRAL)
    factories.visit(site=lead.site, lead=lead, state=VisitState.DONE, finished_at=NOW)
    assert review(assess(lead.site, 0.0, day=1, verdict="other fault", cause="shading"), day=1) == lead
    lead.refresh_from_db()
    assert lead.closed_at is None


def test_moving_a_lead_notes_who_and_when() -> None:
    lead = factories.lead()
    owner = factories.member(lead.site.customer.business)
    move_lead(lead=lead, stage=LeadStage.CONTACTED, by=owner, now=NOW)
    lead.refresh_from_db()
    assert (lead.contacted_at, lead.notes.get().written_by) == (NOW, owner)
    with pytest.raises(ValidationError, match="booked by booking"):
        move_lead(lead=lead, stage=LeadStage.BOOKED, by=owner, now=NOW)


def test_a_lead_the_night_closed_meanwhile_is_not_opened_again() -> None:
    lead = factories.lead()
    owner = factories.member(lead.site.customer.business)
    Lead.objects.filter(pk=lead.pk).update(stage=LeadStage.CLEARED, closed_at=NOW)
    for change in (
        partial(move_lead, lead=lead, stage=LeadStage.CONTACTED, by=owner, now=NOW),
        partial(lose_lead, lead=lead, reason="too dear", by=owner, now=NOW),
        partial(plan_lead, lead=lead, assigned_to=owner, next_action_on=None, snoozed_until=None, now=NOW),
    ):
        with pytest.raises(ValidationError, match="closed"):
            change()
    assert Lead.objects.get().stage == LeadStage.CLEARED


def test_a_lead_is_not_given_to_strangers_nor_snoozed_into_the_past() -> None:
    lead = factories.lead()
    with pytest.raises(ValidationError, match="works here"):
        plan_lead(lead=lead, assigned_to=factories.user(), next_action_on=None, snoozed_until=None, now=NOW)
    with pytest.raises(ValidationError, match="still to come"):
        plan_lead(lead=lead, assigned_to=None, next_action_on=None, snoozed_until=NOW.date(), now=NOW)


def test_neighbours_make_one_trip() -> None:
    # 0.1 degrees of latitude are 11.1 km.
    business = factories.business()
    for latitude, value in ((39.0, 50), (39.02, 10), (40.0, 40), (39.99, 30)):
        site = factories.site(latitude=latitude, customer=factories.customer(business=business))
        factories.assessment(site=site, value_lost_per_month=value)
        factories.lead(site=site)
    leads = list(Lead.objects.by_value())
    assert trips(leads, within_km=5) == [[leads[1], leads[2]], [leads[0], leads[3]]]


@pytest.mark.parametrize(("days", "opens"), [(21, True), (22, False), (70, False)])
def test_no_lead_opens_or_closes_on_readings_older_than_three_weeks(days: int, opens: bool) -> None:
    ended = NOW.date() - timedelta(days=days)
    assert (review(assess(factories.site(), 1.0, readings_until=ended)) is not None) is opens
    lead = factories.lead()
    review(assess(lead.site, 0.0, verdict="clean", readings_until=ended))
    lead.refresh_from_db()
    assert (lead.closed_at is not None) is opens
