"""Few mails to one person: the cap, one a day, and what the office puts back."""

from __future__ import annotations

from collections import Counter

import pytest
from django.core import mail

from portal.actions.reminders.plan import plan_reminders
from portal.actions.reminders.send import retry_reminder, send_due
from portal.models import Reminder, ReminderState
from tests import factories
from tests.actions.reminders.planned import DAY, after, due
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def test_one_mail_a_day_and_no_more_than_the_cap_in_thirty_days() -> None:
    customer = factories.customer()  # cap 3
    for number in range(8):
        site = factories.site(customer=customer, name=f"Roof {number}")
        due(factories.assessment(site=site, clean_due=NOW.date()))
    sent = [send_due(now=NOW + day * DAY).sent for day in range(21)]
    assert max(sent) == 1
    assert sum(sent) == 3
    assert Reminder.objects.filter(state=ReminderState.DROPPED, reason="They already got 3 mails in 30 days.").exists()


def test_the_office_can_put_a_dropped_reminder_back() -> None:
    reminder = due()
    send_due(now=NOW + 30 * DAY)
    retry_reminder(reminder=after(reminder), now=NOW + 31 * DAY)
    assert send_due(now=NOW + 31 * DAY).sent == 1


def test_a_customer_with_two_roofs_hears_of_each_by_name_on_different_days() -> None:
    customer = factories.customer()
    for name in ("Barn", "House"):
        site = factories.site(customer=customer, name=name)
        factories.day_readings(factories.meter(site=site), NOW.date())
        factories.assessment(site=site, clean_due=NOW.date())
        plan_reminders(sites=[site], now=NOW)
    assert [send_due(now=NOW + day * DAY).sent for day in range(3)] == [1, 1, 0]
    assert [one.subject for one in mail.outbox] == [
        "Your panels at Barn are due for a wash",
        "Your panels at House are due for a wash",
    ]


def test_the_cap_counts_all_kinds_together() -> None:
    customer = factories.customer()  # cap 3
    gone_quiet, faulty, clean = (factories.site(customer=customer, name=name) for name in ("A", "B", "C"))
    for site, day in ((gone_quiet, 20), (faulty, 0), (clean, 0)):
        factories.day_readings(factories.meter(site=site), NOW.date() - day * DAY)
    factories.assessment(site=gone_quiet, clean_due=NOW.date())
    factories.assessment(site=faulty, verdict="other fault", cause="string_loss")
    factories.washed(clean, NOW - 10 * DAY, gain=0.05, low=0.04, high=0.06)
    plan_reminders(sites=[gone_quiet, faulty, clean], now=NOW)
    assert Reminder.objects.count() == 4
    for day in range(12):
        send_due(now=NOW + day * DAY)
    assert Counter(Reminder.objects.values_list("state", flat=True)) == {"sent": 3, "dropped": 1}
    assert len({one.kind for one in Reminder.objects.filter(state=ReminderState.SENT)}) == 3
