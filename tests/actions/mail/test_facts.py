"""What a cleaning mail says of money and dates, by the readings or by the calendar."""

from __future__ import annotations

from datetime import date

import pytest
from django.core import mail

from portal.actions.reminders.plan import plan_reminders
from portal.actions.reminders.send import send_due
from tests import factories
from tests.actions.reminders.planned import due
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def test_a_wash_that_does_not_pay_is_not_recommended_without_saying_so() -> None:
    # 120 a wash at 4 a month is 30 months.
    due(factories.assessment(clean_due=NOW.date(), due_basis="calendar", value_lost_per_month=4))
    send_due(now=NOW)
    assert "in money alone the wash does not pay within a year" in str(mail.outbox[0].body)


def test_the_calendar_names_no_loss_it_does_not_know_and_no_day_gone_by() -> None:
    """Readings that cannot say, no readings at all, and figures whose ends decide whether the wash pays."""
    never_washed = date(2020, 5, 1)  # the factory's roofs were installed then
    unsure = factories.assessment(
        clean_due=date(2021, 5, 1), due_basis="calendar", loss_low=0.0, loss_high=0.16, value_lost_per_month=10
    )
    dear = factories.assessment(clean_due=date(2021, 5, 1), due_basis="calendar", value_lost_per_month=4)
    blind = factories.site()
    assert blind.installed_on == never_washed
    for meter in (factories.meter(site=unsure.site), factories.meter(site=dear.site)):
        factories.day_readings(meter, NOW.date())
    plan_reminders(sites=[unsure.site, dear.site, blind], now=NOW)
    assert send_due(now=NOW).sent == 3
    bodies = {one.to[0].rpartition("<")[2].strip(">"): str(one.body) for one in mail.outbox}
    assert all("is due (15 June 2026)" in body for body in bodies.values())
    body = bodies[unsure.site.customer.email]
    # 8 % cost 10 a month, so 16 % cost 20: the 120 of a wash are 6 months at that end and never at the other
    assert "Dirt may cost you anything from $0 to $20 a month (estimate), so we cannot tell" in body
    assert "Your readings cannot tell how dirty they are" in body
    # 10 % would cost 5 a month: two years
    assert (
        "no more than about $5 a month (estimate): in money alone the wash does not pay"
        in (bodies[dear.site.customer.email])
    )
    body = bodies[blind.customer.email]
    assert "We have no readings of your panels, so this date comes from the calendar: one wash every 12 months" in body
    assert "Without an estimate of the loss we cannot tell whether it pays." in body


def test_readings_say_what_dirt_costs_with_its_doubt_and_when_a_wash_is_earned_back() -> None:
    # 8 % (6 to 10 %) cost 20 a month, so the ends are 15 and 25, and 120 are 6 months
    due(factories.assessment(clean_due=NOW.date(), value_lost_per_month=20))
    send_due(now=NOW)
    body = str(mail.outbox[0].body)
    assert "Dirt now costs you about $20 a month (estimate, likely $15 to $25)." in body
    assert "earned back in about 6 months if no rain" in body
