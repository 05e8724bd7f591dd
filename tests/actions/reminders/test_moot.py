"""Whether a due reminder still goes: age, consent, stops and wishes are looked at when it is sent."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.core import mail

from portal.actions.mail.stops import stop_mail
from portal.actions.reminders.plan import plan_standing
from portal.actions.reminders.send import send_due
from portal.models import Business, MailStop, Preference, Reminder, ReminderKind, ReminderState, Role
from tests import factories
from tests.actions.reminders.planned import DAY, after, due
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def test_what_is_stale_is_dropped_with_its_reason_and_nothing_floods_after_a_month_of_downtime() -> None:
    customer = factories.customer()
    for number in range(8):
        site = factories.site(customer=customer, name=f"Roof {number}")
        due(factories.assessment(site=site, clean_due=NOW.date()))
    late = NOW + 30 * DAY
    done = send_due(now=late)
    assert (done.sent, done.dropped) == (0, 8)
    assert all("came too late to be of use" in one.reason for one in Reminder.objects.all())
    assert not mail.outbox


@pytest.mark.parametrize("change", ["consent", "stop", "preference", "address"])
def test_consent_stops_and_wishes_are_looked_at_when_sending(change: str) -> None:
    reminder = due()
    customer = reminder.customer
    assert customer is not None
    if change == "consent":
        customer.consented_on = None
    elif change == "address":
        customer.email = ""
    elif change == "stop":
        stop_mail(email=customer.email.upper(), business=reminder.business, why="unsubscribed", now=NOW)
    else:
        Preference.objects.create(customer=customer, kind=ReminderKind.DUE, wanted=False)
    customer.save()
    assert send_due(now=NOW).dropped == 1
    assert after(reminder).reason
    assert not mail.outbox


def test_one_customers_wish_does_not_silence_another() -> None:
    reminder, other = due(), due()
    Preference.objects.create(customer=other.customer, kind=ReminderKind.DUE, wanted=False)
    send_due(now=NOW)
    assert (after(reminder).state, after(other).state) == (ReminderState.SENT, ReminderState.DROPPED)


def test_unsubscribing_stops_reminders_but_not_the_confirmation_of_a_visit() -> None:
    visit = factories.visit()
    customer = visit.site.customer
    stop_mail(email=customer.email, business=customer.business, why="unsubscribed", now=NOW)
    plan_standing(now=NOW)
    assert send_due(now=NOW).sent == 1
    visit.revision += 1
    visit.save()
    MailStop.objects.update(why="bounced")
    plan_standing(now=NOW)
    assert send_due(now=NOW).dropped == 1


def test_no_list_mail_goes_without_the_postal_address() -> None:
    reminder = due()
    Business.objects.update(postal_address=" ")
    assert send_due(now=NOW).dropped == 1
    assert "postal address" in after(reminder).reason


def test_one_persons_wish_does_not_silence_a_colleague() -> None:
    business = factories.lead(opened_at=NOW - timedelta(hours=6)).site.customer.business
    owner, clerk = factories.member(business), factories.member(business, Role.OFFICE)
    Preference.objects.create(user=clerk, kind=ReminderKind.LEAD_DIGEST, wanted=False)
    plan_standing(now=NOW)
    send_due(now=NOW)
    states = dict(Reminder.objects.filter(kind=ReminderKind.LEAD_DIGEST).values_list("user", "state"))
    assert states == {owner.pk: ReminderState.SENT, clerk.pk: ReminderState.DROPPED}
