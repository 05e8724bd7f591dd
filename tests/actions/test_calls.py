"""Whom to call, what came of it, and taking that back."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError

from portal.actions.advice import recommendations
from portal.actions.calls import calls_to_make, keep_call, take_back_call
from portal.actions.leads import note_lead
from portal.models import (
    Business,
    Call,
    CallOutcome,
    EventKind,
    Lead,
    LeadEvent,
    LeadKind,
    LeadNote,
    LeadStage,
    Site,
    User,
)
from portal.words.advice import on_the_phone
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db

TODAY = NOW.date()
IN_A_WEEK = TODAY + timedelta(days=7)


@pytest.fixture
def firm() -> Business:
    return factories.business()


@pytest.fixture
def office(firm: Business) -> User:
    return factories.member(firm)


def lead(firm: Business, *, worth: str = "15.00", **fields: object) -> Lead:
    site = factories.site(customer=factories.customer(business=firm))
    factories.assessment(site=site, value_lost_per_month=worth, clean_due=TODAY)
    return factories.lead(site=site, **fields)


def called(firm: Business) -> list[Lead]:
    sites = Site.objects.filter(customer__business=firm).select_related("customer__business")
    told = recommendations(sites, now=NOW)
    return [one.lead for one in calls_to_make(Lead.objects.all(), told, today=TODAY)]


def test_who_has_a_price_a_visit_or_another_day_is_not_to_call(firm: Business) -> None:
    small, large = lead(firm, worth="9.00"), lead(firm, worth="31.00")
    promised = lead(firm, worth="1.00", stage=LeadStage.CONTACTED, next_action_on=TODAY)
    lead(firm, stage=LeadStage.QUOTED)
    lead(firm, stage=LeadStage.BOOKED)
    lead(firm, stage=LeadStage.CONTACTED, next_action_on=IN_A_WEEK)
    lead(firm, snoozed_until=IN_A_WEEK)
    # booked without its lead: the roof is booked all the same
    factories.visit(site=lead(firm).site, starts_at=NOW + timedelta(days=2))
    assert called(firm) == [promised, large, small]


@pytest.mark.parametrize(
    ("outcome", "stage", "closed"),
    [
        (CallOutcome.QUOTED, LeadStage.QUOTED, False),
        (CallOutcome.AGAIN, LeadStage.CONTACTED, False),
        (CallOutcome.NO, LeadStage.LOST, True),
        (CallOutcome.WRONG, LeadStage.WRONG, True),
    ],
)
def test_each_outcome_moves_the_lead_and_is_taken_back_whole(
    firm: Business, office: User, outcome: CallOutcome, stage: LeadStage, closed: bool
) -> None:
    one = lead(firm)
    asked = LeadEvent.objects.create(lead=one, kind=EventKind.CALL, at=NOW - timedelta(hours=1))
    note_lead(lead=one, text="Away until June.", by=office, now=NOW - timedelta(days=20))
    before = Lead.objects.values().get(pk=one.pk)
    kept = [
        keep_call(lead=one, outcome=outcome, by=office, now=NOW, said="They have a dog.", again_on=IN_A_WEEK)
        for _ in range(2)
    ]
    assert kept[0] == kept[1], "pressed twice is once"
    one.refresh_from_db()
    assert (one.stage, one.closed_at is not None) == (stage, closed)
    assert any("They have a dog." in note.text for note in one.notes.all())
    asked.refresh_from_db()
    assert asked.answered_at == NOW
    assert called(firm) == []
    for _ in range(2):
        take_back_call(call=kept[0], now=NOW + timedelta(minutes=1))
    assert Lead.objects.values().get(pk=one.pk) == before
    assert [note.text for note in LeadNote.objects.all()] == ["Away until June."]
    asked.refresh_from_db()
    assert asked.answered_at is None
    assert called(firm) == [one]


def test_what_was_done_since_is_not_taken_back(firm: Business, office: User) -> None:
    one = lead(firm)
    call = keep_call(lead=one, outcome=CallOutcome.AGAIN, by=office, now=NOW, again_on=IN_A_WEEK)
    keep_call(lead=one, outcome=CallOutcome.QUOTED, by=office, now=NOW + timedelta(hours=1))
    with pytest.raises(ValidationError, match="Something else was done"):
        take_back_call(call=call, now=NOW + timedelta(hours=2))
    one.refresh_from_db()
    assert one.stage == LeadStage.QUOTED


def test_a_roof_with_another_open_lead_stays_with_that(firm: Business, office: User) -> None:
    one = lead(firm)
    call = keep_call(lead=one, outcome=CallOutcome.WRONG, by=office, now=NOW, said="Shade.")
    factories.lead(site=one.site)
    with pytest.raises(ValidationError, match="another open lead"):
        take_back_call(call=call, now=NOW)


@pytest.mark.parametrize(
    ("outcome", "given", "why"),
    [
        (CallOutcome.AGAIN, {"again_on": None}, "still to come"),
        (CallOutcome.AGAIN, {"again_on": TODAY}, "still to come"),
        (CallOutcome.NO, {"said": " "}, "Say why"),
        (CallOutcome.WRONG, {"said": "\0"}, "Say what"),
    ],
)
def test_what_is_missing_is_asked_for_and_nothing_is_kept(
    firm: Business, office: User, outcome: CallOutcome, given: dict[str, object], why: str
) -> None:
    one = lead(firm)
    with pytest.raises(ValidationError, match=why):
        keep_call(lead=one, outcome=outcome, by=office, now=NOW, **given)  # type: ignore[arg-type]
    assert not Call.objects.exists()
    assert called(firm) == [one]


def test_last_time_is_the_last_talk_about_the_roof_also_of_an_earlier_lead(firm: Business, office: User) -> None:
    one = lead(firm, stage=LeadStage.LOST, closed_at=NOW - timedelta(days=200))
    note_lead(lead=one, text="An old talk.", by=office, now=NOW - timedelta(days=300))
    note_lead(lead=one, text="Too dear.", by=office, now=NOW - timedelta(days=200))
    factories.lead(site=one.site)
    sites = Site.objects.filter(pk=one.site_id).select_related("customer__business")
    (call,) = calls_to_make(Lead.objects.all(), recommendations(sites, now=NOW), today=TODAY)
    assert [note.text for note in call.last] == ["Too dear."]


def test_what_to_say_is_three_sentences_of_the_one_recommendation(firm: Business) -> None:
    dirty, faulty = lead(firm).site, lead(firm, kind=LeadKind.REFERRAL).site
    factories.assessment(
        site=faulty, verdict="other fault", cause="string_loss", as_of=TODAY + timedelta(days=1), loss_low=0.0
    )
    told = recommendations(Site.objects.select_related("customer__business"), now=NOW)
    # factories.advised: a wash costs 120 and brings 240, likely 90 to 420
    assert [said.replace("\xa0", " ") for said in on_the_phone(told[dirty.pk])] == [
        "About 8 % of what clean panels would make is lost to dirt (likely 6 % to 10 %).",
        "A wash now costs $120.00 and would bring about $240 (likely $90 to $420) until rain does it free.",
        "Wash now: by the readings, that is cheaper than waiting.",
    ]
    assert on_the_phone(told[faulty.pk]) == [
        "The panels make less, and it is not dirt. A wash will not mend it.",
        "Part of the panels seems to have stopped: a group wired together gives nothing.",
        "Ask your installer or a licensed electrician to check the fuses, connectors and inverter.",
    ]
