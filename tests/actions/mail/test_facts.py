"""What a cleaning mail says of money and dates, by the readings or by the calendar."""

from __future__ import annotations

from datetime import date

import pytest
from django.core import mail

from portal.actions.advice import recommendation
from portal.actions.reminders.plan import plan_reminders
from portal.actions.reminders.send import send_due
from portal.words.advice import advice, headline, money_line, why
from portal.words.figures import NBSP
from tests import factories
from tests.actions.reminders.planned import due
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def test_a_mail_by_the_readings_says_what_the_roofs_page_says() -> None:
    # 8 % (6 to 10 %) cost 20 a month, so the ends are 15 and 25
    roof = factories.assessment(clean_due=NOW.date(), value_lost_per_month=20)
    due(roof)
    send_due(now=NOW)
    body = " ".join(str(mail.outbox[0].body).replace(NBSP, " ").split())
    told = recommendation(roof.site, now=NOW)
    for words in (headline(told), why(told), money_line(told), advice(told)):
        assert words.replace(NBSP, " ") in body
    assert "Dirt costs about $20 a month (likely $15 to $25)." in body
    assert "Wash now" in body
    assert "back in about 8 of 10 possible futures" in body


def test_the_calendar_names_no_loss_it_does_not_know_and_no_day_gone_by() -> None:
    """Readings that cannot say, and no readings at all."""
    unsure = factories.assessment(clean_due=date(2021, 5, 1), due_basis="calendar", verdict="unsure")
    blind = factories.site()  # the factory's roofs were installed on 1 May 2020 and never washed
    factories.day_readings(factories.meter(site=unsure.site), NOW.date())
    plan_reminders(sites=[unsure.site, blind], now=NOW)
    assert send_due(now=NOW).sent == 2
    bodies = {one.to[0].rpartition("<")[2].strip(">"): " ".join(str(one.body).split()) for one in mail.outbox}
    assert all("is due (15 June 2026)" in body for body in bodies.values())
    assert all("whether it pays, nobody can tell yet" in body for body in bodies.values())
    assert all("A wash costs $120.00." in body for body in bodies.values())
    assert "Nothing to wash yet" in bodies[unsure.site.customer.email]
    assert "There are no readings yet" in bodies[blind.customer.email]
