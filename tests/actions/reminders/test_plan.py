"""Planning adds what is missing, asks the database little, and says again what was dropped."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from uuid import uuid4

import pytest
from django.core import mail
from django.db import connection
from django.test.utils import CaptureQueriesContext

from portal.actions.mail.stops import allow_mail, stop_mail
from portal.actions.reminders.plan import plan_reminders, plan_standing, plan_unassessed
from portal.actions.reminders.send import send_due
from portal.models import Business, Reminder, ReminderKind, ReminderState, Role, Site, User, Visit, VisitEntry
from tests import factories
from tests.actions.reminders.planned import DAY, after, due
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def a_busy_roof(business: Business, crew: User) -> None:
    """A roof of which planning has everything to look at: readings gone quiet, a wash, a booking, a cold lead."""
    site = factories.site(customer=factories.customer(business=business))
    since = (NOW - 300 * DAY).date()
    Site.objects.filter(pk=site.pk).update(created_at=NOW - 400 * DAY, wash_rhythm="yearly", wash_rhythm_since=since)
    factories.day_readings(factories.meter(site=site), NOW.date() - 30 * DAY)
    factories.assessment(site=site, made_at=NOW - 30 * DAY, as_of=NOW.date() - 30 * DAY, clean_due=NOW.date())
    factories.washed(site, NOW - 20 * DAY, gain=0.05, low=0.04, high=0.06)
    factories.lead(site=site, opened_at=NOW - 40 * DAY)
    tomorrow = factories.site(customer=factories.customer(business=business))
    visit = factories.visit(site=tomorrow, starts_at=NOW + DAY, technicians=(crew,))
    Visit.objects.filter(pk=visit.pk).update(changed_at=NOW - DAY)
    said = VisitEntry(visit=visit, client_id=uuid4(), kind="set_out", drive_minutes=60, at=NOW + timedelta(hours=5))
    said.save()


def test_planning_asks_the_database_as_often_for_two_sites_as_for_eighteen() -> None:
    business = factories.business()
    factories.member(business)
    # Of more, the rows to write are too many for one statement of SQLite (999 values).
    crew = [factories.member(business, Role.TECHNICIAN) for _ in range(9)]
    evening = NOW + timedelta(hours=5)  # after four in Denver, when tomorrow's visits are told

    def queries() -> tuple[int, int]:
        counts = []
        for plan in (plan_standing, plan_unassessed):
            with CaptureQueriesContext(connection) as first:
                plan(now=evening)
            with CaptureQueriesContext(connection) as again:
                plan(now=evening)
            assert len(again) <= len(first)
            counts.append(len(first))
        return counts[0], counts[1]

    a_busy_roof(business, crew[0])
    few = queries()
    before = Counter(Reminder.objects.values_list("kind", flat=True))
    assert set(before) == set(ReminderKind) - {
        *(
            "other_fault",
            "utility_ended",
            "due",
            "due_soon",
            "wished",
            "lead_digest",
            "send_readings",
            "asked",
            "washed",
            "called_off",
            "invoice",
            "overdue",
        )
    }
    for technician in crew[1:]:
        a_busy_roof(business, technician)
    assert queries() == few
    assert Counter(Reminder.objects.values_list("kind", flat=True)) == dict.fromkeys(before, 9)


def test_who_left_and_came_back_is_told_what_is_due_then() -> None:
    reminder = due()
    customer = reminder.customer
    assert customer is not None
    assert reminder.site
    stop_mail(email=customer.email, business=reminder.business, why="unsubscribed", now=NOW)
    send_due(now=NOW)
    assert after(reminder).state == ReminderState.DROPPED
    allow_mail(email=customer.email, business=reminder.business)
    for day in range(1, 15):
        plan_reminders(sites=[reminder.site], now=NOW + day * DAY)
        send_due(now=NOW + day * DAY)
    assert [one.subject for one in mail.outbox if "due for a wash" in one.subject] == [
        "Your panels at Home are due for a wash"
    ]
