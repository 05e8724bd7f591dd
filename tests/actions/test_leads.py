"""Leads open on a chance, close by themselves, and never flap."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from functools import partial
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from portal.actions.leads import lose_lead, move_lead, plan_lead, review_lead, trips
from portal.actions.visits import finish_visit
from portal.models import Business, Lead, LeadKind, LeadStage, Site, SiteAssessment, VisitState
from portal.pv.result import SUREST, chance_loss_exceeds
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
UNIFORM = [0.05 + 0.10 * step for step in range(10)]
"""Quantiles 0.05 … 0.95 of a loss that is evenly spread from 0 to 1: the chance above x is 1 − x."""


def assess(site: Site, loss: float, day: int = 0, spread: float = 0.02, **fields: Any) -> SiteAssessment:
    """An assessment whose loss is evenly spread over ``loss`` ± ``spread``, ``day`` days from NOW."""
    return factories.assessment(
        site=site,
        as_of=(NOW + timedelta(days=day)).date(),
        **{
            "present_loss": loss,
            "loss_low": loss - 0.9 * spread,
            "loss_high": loss + 0.9 * spread,
            "loss_quantiles": [loss + spread * (2 * (0.05 + 0.1 * step) - 1) for step in range(10)],
        }
        | fields,
    )


def review(assessment: SiteAssessment, day: int = 0) -> Lead | None:
    return review_lead(site=assessment.site, assessment=assessment, now=NOW + timedelta(days=day))


@pytest.mark.parametrize(("loss", "chance"), [(0.05, 0.95), (0.4, 0.6), (0.5, 0.5), (0.73, 0.27), (0.95, 0.05)])
def test_the_chance_of_an_evenly_spread_loss_is_its_share_above(loss: float, chance: float) -> None:
    assert chance_loss_exceeds(UNIFORM, loss) == pytest.approx(chance)


def test_without_an_estimate_there_is_no_chance() -> None:
    assert chance_loss_exceeds([], 0.05) == 0


def test_a_lead_opens_when_the_chance_passes_the_level_and_not_when_the_estimate_does() -> None:
    # threshold 5 %, level 0.8. Evenly spread over 3 % to 8 %: chance above 5 % is 3/5.
    assert review(assess(factories.site(), 0.055, spread=0.025)) is None
    # Over 4.5 % to 8.5 %: 3.5/4 = 0.875.
    lead = review(assess(factories.site(), 0.065, spread=0.02))
    assert lead is not None
    assert (lead.kind, lead.stage) == (LeadKind.CLEANING, LeadStage.NEW)
    assert lead.chance == pytest.approx(0.875)
    assert lead.price == Decimal("120.00")  # 15 panels at 7 are 105: the minimum


@pytest.mark.parametrize("level", [0.95, 0.96, SUREST])
def test_a_firm_that_wants_to_be_surer_than_the_outermost_quantile_still_gets_its_leads(level: float) -> None:
    site = factories.site()
    Business.objects.update(lead_chance=level)
    site.refresh_from_db()
    # Evenly spread over 4.9 % to 8.9 %, of which 5 % lies in the tail: the chance above it is under 0.99.
    near = review(assess(site, 0.069, spread=0.02))
    assert (near is None) == (level == SUREST)
    assert review(assess(site, 0.12, spread=0.02, day=1), day=1) is not None


def test_an_interval_that_holds_zero_opens_nothing() -> None:
    assert review(assess(factories.site(), 0.08, loss_low=-0.001)) is None


@pytest.mark.parametrize("verdict", ["clean", "not enough data"])
def test_other_verdicts_open_nothing(verdict: str) -> None:
    assert review(assess(factories.site(), 0.08, verdict=verdict)) is None


def test_another_fault_makes_a_referral_without_a_price() -> None:
    lead = review(assess(factories.site(), 0.2, verdict="other fault", cause="string_loss"))
    assert lead is not None
    assert (lead.kind, lead.price, lead.value_per_month) == (LeadKind.REFERRAL, None, None)
    assert "Washing will not mend it" in lead.why_now


def test_snow_opens_no_lead_and_closes_none() -> None:
    site = factories.site()
    assert review(assess(site, 0.2, verdict="other fault", cause="snow")) is None
    lead = review(assess(site, 0.08, day=1), day=1)
    assert lead is not None
    assert review(assess(site, 0.0, day=20, verdict="other fault", cause="snow"), day=20) == lead
    lead.refresh_from_db()
    assert (lead.kind, lead.closed_at) == (LeadKind.CLEANING, None)


def test_reviewing_twice_keeps_one_lead_and_follows_the_newest_figures() -> None:
    site = factories.site()
    first = review(assess(site, 0.08))
    second = review(assess(site, 0.10, day=1), day=1)
    assert first == second
    assert Lead.objects.get().present_loss == 0.10


def test_the_database_refuses_a_second_open_lead() -> None:
    lead = factories.lead()
    with pytest.raises(IntegrityError), transaction.atomic():
        factories.lead(site=lead.site)
    lead.closed_at, lead.stage = NOW, LeadStage.WON
    lead.save()
    factories.lead(site=lead.site)


def test_a_lead_closes_at_once_when_the_loss_is_gone() -> None:
    site = factories.site()
    review(assess(site, 0.08))
    assert review(assess(site, 0.0, day=1, verdict="clean"), day=1) is None
    lead = Lead.objects.get()
    assert (lead.stage, lead.closed_at) == (LeadStage.CLEARED, NOW + timedelta(days=1))


def test_a_fading_lead_closes_after_a_week_and_a_passing_doubt_does_not_count() -> None:
    site = factories.site()
    review(assess(site, 0.08))
    # 4 % ± 2 %: chance above 5 % is 0.25, under half of 0.8 but not gone.
    assert review(assess(site, 0.04, day=1), day=1)
    assert review(assess(site, 0.07, day=3), day=3), "it is back"
    assert review(assess(site, 0.04, day=4), day=4)
    assert review(assess(site, 0.04, day=10), day=10)
    assert review(assess(site, 0.04, day=11), day=11) is None
    assert Lead.objects.get().stage == LeadStage.CLEARED


def test_a_loss_that_jitters_around_the_threshold_for_a_year_does_not_flap() -> None:
    site = factories.site()
    for day in range(365):
        jitter = 0.015 if day % 2 else -0.015  # chance above 5 % by turns about 1 and 0.12 … 0.5
        review(assess(site, 0.052 + jitter, day=day), day=day)
    assert Lead.objects.count() <= 1


def test_not_enough_data_does_not_close_a_lead() -> None:
    site = factories.site()
    review(assess(site, 0.08))
    assert review(assess(site, 0.0, day=30, verdict="not enough data", loss_quantiles=[]), day=30)


def test_a_booked_lead_is_the_offices_to_close() -> None:
    site = factories.site()
    lead = review(assess(site, 0.08))
    assert lead is not None
    lead.stage = LeadStage.BOOKED
    lead.save()
    assert review(assess(site, 0.0, day=1, verdict="clean"), day=1) == lead


def test_a_washed_roof_rests_three_weeks() -> None:
    site = factories.site()
    factories.visit(site=site, starts_at=NOW, state=VisitState.DONE, finished_at=NOW)
    assert review(assess(site, 0.08, day=20), day=20) is None
    assert review(assess(site, 0.08, day=22), day=22)


def test_a_roof_that_said_no_rests_half_a_year() -> None:
    site = factories.site()
    lead = review(assess(site, 0.08))
    assert lead is not None
    owner = factories.member(site.customer.business)
    with pytest.raises(ValidationError, match="why"):
        lose_lead(lead=lead, reason=" ", by=owner, now=NOW)
    lose_lead(lead=lead, reason="Moves house", by=owner, now=NOW)
    assert review(assess(site, 0.09, day=170), day=170) is None
    assert review(assess(site, 0.09, day=181), day=181)


def test_a_done_visit_wins_its_lead_even_if_nobody_told() -> None:
    lead = factories.lead()
    factories.visit(site=lead.site, lead=lead, state=VisitState.DONE, finished_at=NOW)
    assert review(assess(lead.site, 0.08, day=1), day=1) is None
    lead.refresh_from_db()
    assert lead.stage == LeadStage.WON


def test_a_wash_booked_before_the_lead_opened_is_its_wash() -> None:
    site = factories.site()
    visit = factories.visit(site=site, lead=None)
    lead = review(assess(site, 0.08))
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
    leads = [
        factories.lead(
            site=factories.site(latitude=latitude, customer=factories.customer(business=business)),
            value_per_month=value,
        )
        for latitude, value in ((39.0, 50), (39.02, 10), (40.0, 40), (39.99, 30))
    ]
    assert trips(leads, within_km=5) == [[leads[2], leads[3]], [leads[0], leads[1]]]


@pytest.mark.parametrize(("days", "opens"), [(21, True), (22, False), (70, False)])
def test_no_lead_opens_or_closes_on_readings_older_than_three_weeks(days: int, opens: bool) -> None:
    ended = NOW.date() - timedelta(days=days)
    assert (review(assess(factories.site(), 0.2, readings_until=ended)) is not None) is opens
    lead = factories.lead()
    review(assess(lead.site, 0.0, spread=0.001, verdict="clean", readings_until=ended))
    lead.refresh_from_db()
    assert (lead.closed_at is not None) is opens
