"""Standing wishes at work: a lead when one is due, one a round, and no second mail beside the readings' own."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest

from portal.actions.advice import recommendation, recommendations
from portal.actions.calls import calls_to_make, keep_call
from portal.actions.reminders.plan import plan_reminders
from portal.actions.standing_wishes import call_for_wishes, standing_wish, want
from portal.actions.visits import book_visit
from portal.models import CallOutcome, Lead, LeadStage, Reminder, ReminderKind, ReminderState, Site, VisitState
from portal.pv.recommend import Reader, Step
from portal.pv.standing_wish import Heard, Rhythm
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)


@pytest.fixture
def roof() -> Site:
    """Washed a year and ten days ago; its owner wants a wash once a year."""
    site = factories.site()
    Site.objects.filter(pk=site.pk).update(created_at=NOW - 900 * DAY)
    factories.visit(site=site, state=VisitState.DONE, starts_at=NOW - 375 * DAY, finished_at=NOW - 375 * DAY)
    want(site=site, rhythm=Rhythm.YEARLY, now=NOW - 400 * DAY)
    return Site.objects.select_related("customer__business").get()


def test_a_lead_opens_when_it_is_due_and_only_one(roof: Site) -> None:
    call_for_wishes(now=NOW - 11 * DAY)
    assert not Lead.objects.exists()
    for _ in range(2):
        call_for_wishes(now=NOW)
    assert Lead.objects.get().by_customer
    (call,) = calls_to_make(Lead.objects.all(), recommendations([roof], now=NOW), today=NOW.date())
    assert call.due
    assert call.standing is not None
    assert call.standing.heard == Heard.AS_ASKED


def test_what_is_next_is_the_call_that_the_wish_asks_for(roof: Site) -> None:
    def steps(now: datetime) -> tuple[Step, Step]:
        told = recommendation(roof, now=now)
        return told.step(Reader.OFFICE), told.step(Reader.HOMEOWNER)

    factories.assessment(site=roof, verdict="clean", clean_due=None)
    assert steps(NOW) == (Step.NOTHING, Step.NOTHING)
    call_for_wishes(now=NOW)
    assert steps(NOW) == (Step.CALL_CUSTOMER, Step.WAIT_FOR_FIRM)
    by = factories.member(roof.customer.business)
    later = (NOW + 20 * DAY).date()
    keep_call(lead=Lead.objects.get(), outcome=CallOutcome.AGAIN, said="", by=by, now=NOW, again_on=later)
    assert steps(NOW + DAY) == (Step.NOTHING, Step.NOTHING)
    keep_call(lead=Lead.objects.get(), outcome=CallOutcome.QUOTED, by=by, now=NOW + 20 * DAY)
    assert steps(NOW + 20 * DAY) == (Step.NOTHING, Step.NOTHING)


def test_who_says_no_is_asked_again_after_a_whole_round(roof: Site) -> None:
    call_for_wishes(now=NOW)
    by = factories.member(roof.customer.business)
    keep_call(lead=Lead.objects.get(), outcome=CallOutcome.NO, said="Not this year", by=by, now=NOW + DAY)
    call_for_wishes(now=NOW + 300 * DAY)
    assert Lead.objects.count() == 1
    call_for_wishes(now=NOW + 367 * DAY)
    assert Lead.objects.count() == 2


def test_a_visit_that_is_booked_is_not_called_about(roof: Site) -> None:
    book_visit(site=roof, starts_at=NOW + 3 * DAY, technicians=[], now=NOW)
    call_for_wishes(now=NOW)
    assert not Lead.objects.exists()
    wish = standing_wish(roof, recommendation(roof, now=NOW))
    assert wish is not None
    assert wish.heard == Heard.BOOKED


def test_the_readings_move_it_to_their_day(roof: Site) -> None:
    later = NOW.date() + 40 * DAY
    factories.assessment(site=roof, verdict="clean", clean_due=later)
    call_for_wishes(now=NOW)
    assert not Lead.objects.exists()
    wish = standing_wish(roof, recommendation(roof, now=NOW))
    assert wish is not None
    assert (wish.heard, wish.on) == (Heard.CAN_WAIT, later)


def test_the_same_wish_again_keeps_its_day_and_another_begins_anew(roof: Site) -> None:
    def since() -> date | None:
        return Site.objects.get().wash_rhythm_since

    first = since()
    want(site=roof, rhythm=Rhythm.YEARLY, now=NOW)
    assert since() == first
    want(site=roof, rhythm=Rhythm.SPRING, now=NOW)
    assert since() == NOW.date()
    want(site=roof, rhythm=None, now=NOW)
    assert since() is None


def mails(roof: Site, now: datetime) -> list[str]:
    plan_reminders(sites=[roof], now=now)
    Reminder.objects.filter(state=ReminderState.DUE).update(state=ReminderState.SENT, sent_at=now)
    return [row.kind for row in Reminder.objects.order_by("pk") if row.kind != ReminderKind.SEND_READINGS]


def test_one_mail_of_a_wash_whoever_calls_for_it(roof: Site) -> None:
    assert mails(roof, NOW) == [ReminderKind.WISHED]  # the firm's own calendar, a year too, says nothing besides
    factories.assessment(site=roof, clean_due=NOW.date() + DAY, as_of=NOW.date() + DAY, made_at=NOW + DAY)
    assert mails(roof, NOW + 2 * DAY) == [ReminderKind.WISHED]  # the readings agree: they were told


def test_the_readings_mail_goes_first_and_the_wish_is_silent(roof: Site) -> None:
    factories.assessment(site=roof, clean_due=NOW.date())
    assert mails(roof, NOW) == [ReminderKind.DUE]
    factories.change(roof.assessments.get(), verdict="clean", clean_due=None)
    assert mails(roof, NOW + 5 * DAY) == [ReminderKind.DUE]


def test_a_lost_lead_of_before_they_wished_is_no_answer_to_it() -> None:
    site = factories.site()
    factories.lead(site=site, stage=LeadStage.LOST, opened_at=NOW - 600 * DAY, closed_at=NOW - 590 * DAY)
    want(site=site, rhythm=Rhythm.TWICE, now=NOW)
    call_for_wishes(now=NOW)
    assert Lead.objects.open().count() == 1


def test_spring_is_the_firms_where_nobody_said_where_the_roof_is() -> None:
    firm = factories.business(latitude=-33.9, longitude=18.4)
    site = factories.site(customer=factories.customer(business=firm), latitude=None, longitude=None)
    want(site=site, rhythm=Rhythm.SPRING, now=NOW)
    site.refresh_from_db()
    wish = standing_wish(site, recommendation(site, now=NOW))
    assert wish is not None
    assert wish.asked_for == date(2026, 9, 1)
