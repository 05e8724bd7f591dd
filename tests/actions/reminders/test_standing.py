"""What follows from bookings, the crew's calendar and the office's leads, and what makes it moot."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from django.core import mail
from django.utils import translation

from portal.actions.advice import recommendation
from portal.actions.leads import review_leads
from portal.actions.reminders.plan import plan_standing
from portal.actions.reminders.send import send_due
from portal.models import Language, Reminder, ReminderKind, ReminderState, Role, Visit
from portal.words.advice import advice, headline
from tests import factories
from tests.actions.reminders.planned import DAY, DENVER, after
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def test_tomorrows_visits_go_to_each_technician_at_four() -> None:
    business = factories.business()
    crew = factories.member(business, Role.TECHNICIAN)
    site = factories.site(customer=factories.customer(business=business, name="Pat Invented"))
    factories.visit(site=site, starts_at=datetime(2026, 6, 16, 9, 0, tzinfo=DENVER), technicians=(crew,))
    plan_standing(now=datetime(2026, 6, 15, 15, 59, tzinfo=DENVER))
    assert not Reminder.objects.filter(kind=ReminderKind.TOMORROW).exists()
    four = datetime(2026, 6, 15, 16, 0, tzinfo=DENVER)
    plan_standing(now=four)
    plan_standing(now=four + timedelta(minutes=1))
    reminder = Reminder.objects.get(kind=ReminderKind.TOMORROW)
    Reminder.objects.exclude(pk=reminder.pk).delete()
    send_due(now=four)
    (sent,) = mail.outbox
    assert sent.to == [f'"{crew.name}" <{crew.email}>']
    assert "09:00, Pat Invented, 12 Invented Road" in str(sent.body)


def test_the_office_gets_one_digest_a_day_with_the_new_leads() -> None:
    lead = factories.lead(opened_at=NOW - timedelta(hours=6))
    owner = factories.member(lead.site.customer.business)
    factories.member(lead.site.customer.business, Role.TECHNICIAN)
    for minutes in (0, 1, 60):
        plan_standing(now=NOW + timedelta(minutes=minutes))
    (digest,) = Reminder.objects.filter(kind=ReminderKind.LEAD_DIGEST)
    send_due(now=NOW)
    assert digest.user == owner
    assert advice(recommendation(lead.site, now=NOW)) in " ".join(str(mail.outbox[0].body).split())
    plan_standing(now=NOW + DAY)
    send_due(now=NOW + DAY)
    assert len(mail.outbox) == 1, "yesterday's lead is told once"
    assert Reminder.objects.filter(kind=ReminderKind.LEAD_DIGEST).count() == 1, "and no empty digest is planned"


def test_a_lead_going_cold_is_told_to_whom_it_is_given_until_somebody_acts() -> None:
    lead = factories.lead(opened_at=NOW - 15 * DAY)
    owner = factories.member(lead.site.customer.business)
    clerk = factories.member(lead.site.customer.business, Role.OFFICE)
    lead.assigned_to = clerk
    lead.save()
    plan_standing(now=NOW)
    cold = Reminder.objects.get(kind=ReminderKind.LEAD_COLD)
    assert cold.user == clerk != owner
    lead.contacted_at = NOW
    lead.save()
    send_due(now=NOW)
    assert after(cold).reason == "Somebody has taken care of the lead."


def test_a_cold_lead_nobody_touches_is_told_three_times() -> None:
    lead = factories.lead(opened_at=NOW - 15 * DAY)
    factories.member(lead.site.customer.business)
    for day in range(0, 200, 2):
        plan_standing(now=NOW + day * DAY)
        send_due(now=NOW + day * DAY)
    assert len(mail.outbox) == 3


def test_the_office_reads_in_its_own_language_why_a_lead_is_new() -> None:
    dirty = factories.assessment(soiling_since=date(2026, 3, 27))
    business = dirty.site.customer.business
    owner = factories.member(business, language=Language.SPANISH)
    broken = factories.assessment(
        site=factories.site(customer=factories.customer(business=business)),
        verdict="other fault",
        cause="string_loss",
        cause_began=date(2026, 5, 3),
    )
    for assessment in (dirty, broken):
        review_leads(assessments=[assessment], now=NOW - timedelta(hours=6))
    plan_standing(now=NOW)
    send_due(now=NOW)
    (digest,) = (str(one.body) for one in mail.outbox if owner.email in one.to[0])
    for assessment in (dirty, broken):
        with translation.override(Language.SPANISH):
            told = recommendation(assessment.site, now=NOW)
            assert headline(told) in digest
            assert advice(told) in digest


@pytest.mark.parametrize(("next_step", "told"), [(-1, 1), (0, 0), (3, 0)])
def test_a_lead_with_a_step_still_to_come_is_not_cold(next_step: int, told: int) -> None:
    lead = factories.lead(opened_at=NOW - 15 * DAY, next_action_on=NOW.date() + next_step * DAY)
    factories.member(lead.site.customer.business)
    plan_standing(now=NOW)
    assert Reminder.objects.filter(kind=ReminderKind.LEAD_COLD).count() == told


def test_a_visit_gone_by_is_not_confirmed_and_a_moved_one_only_where_it_went() -> None:
    factories.visit(starts_at=NOW - timedelta(minutes=1))
    moved = factories.visit(starts_at=NOW + DAY)
    plan_standing(now=NOW)
    (first,) = Reminder.objects.all()
    moved.revision += 1
    moved.save()
    plan_standing(now=NOW)
    done = send_due(now=NOW)
    assert (done.sent, done.dropped) == (1, 1)
    assert after(first).reason == "The visit was moved; another mail tells of it."


def test_on_the_evening_before_the_customer_is_told_between_which_times() -> None:
    business = factories.business()
    crew = factories.member(business, Role.TECHNICIAN)
    homes = [factories.site(customer=factories.customer(business=business)) for _ in range(2)]
    for hour, home in zip((9, 11), homes, strict=True):
        factories.visit(site=home, starts_at=datetime(2026, 6, 16, hour, 0, tzinfo=DENVER), technicians=(crew,))
    Visit.objects.update(changed_at=NOW - DAY)
    five = datetime(2026, 6, 15, 17, 0, tzinfo=DENVER)
    mine = Reminder.objects.filter(kind=ReminderKind.ARRIVAL)
    plan_standing(now=five - timedelta(minutes=1))
    assert not mine.exists()
    for minutes in (0, 10, 20):
        plan_standing(now=five + timedelta(minutes=minutes))
    Reminder.objects.exclude(kind=ReminderKind.ARRIVAL).delete()
    send_due(now=five)
    assert [(one.to[0].split("<")[1], one.subject) for one in mail.outbox] == [
        (f"{homes[0].customer.email}>", "We come tomorrow between 09:00 and 09:30"),
        (f"{homes[1].customer.email}>", "We come tomorrow between 11:00 and 11:45"),  # a wash comes before it
    ]
    assert "tomorrow, 16 June 2026. Expect us" in str(mail.outbox[0].body)


def test_who_booked_today_is_not_told_of_the_time_twice() -> None:
    visit = factories.visit(starts_at=datetime(2026, 6, 16, 9, 0, tzinfo=DENVER))
    five = datetime(2026, 6, 15, 17, 0, tzinfo=DENVER)
    Visit.objects.update(changed_at=datetime(2026, 6, 15, 0, 0, tzinfo=DENVER))
    plan_standing(now=five)
    assert [one.kind for one in Reminder.objects.filter(visit=visit)] == [ReminderKind.BOOKED]


def test_nobody_is_told_at_night_that_we_come_tomorrow() -> None:
    factories.visit(starts_at=datetime(2026, 6, 16, 9, 0, tzinfo=DENVER))
    Visit.objects.update(changed_at=NOW - DAY)
    plan_standing(now=datetime(2026, 6, 15, 17, 0, tzinfo=DENVER))
    send_due(now=datetime(2026, 6, 15, 21, 1, tzinfo=DENVER))
    assert Reminder.objects.get(kind=ReminderKind.ARRIVAL).state == ReminderState.DROPPED
