"""The whole mail: text and HTML, the way out, the recipient's language, the calendar entry."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from email.message import Message

import icalendar
import pytest
from django.core import mail

from portal.actions.reminders.plan import plan_standing
from portal.actions.reminders.send import send_due
from portal.models import Language
from tests import factories
from tests.actions.reminders.planned import after, due
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def sent_message() -> Message:
    (one,) = mail.outbox
    message: Message = one.message()
    return message


def test_a_reminder_has_text_and_html_the_facts_a_reason_an_address_and_a_way_out() -> None:
    reminder = due()
    send_due(now=NOW)
    message = sent_message()
    plain, html = (part.get_payload(decode=True).decode() for part in message.get_payload())  # type: ignore[union-attr]
    for body in (plain, html):
        assert "(likely 6\u00a0% to 10\u00a0%)" in body
        assert "1 Invented Street, Nowhere" in body
        assert "because you agreed to hear from us" in body
        assert "$120.00" in body
    assert message["Reply-To"] == reminder.business.email
    # RFC 8058 section 3.1: both headers, an HTTPS address in production, and the fixed value of the second.
    assert message["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    (stop,) = re.findall(r"^<(http[^>]+/mail/stop/[^>]+)>$", message["List-Unsubscribe"])
    assert stop in plain
    assert f'<a href="{stop}"' in html
    assert after(reminder).message_id == message["Message-ID"]


def test_html_of_a_mail_does_not_run_what_a_name_contains() -> None:
    assessment = factories.assessment(
        clean_due=NOW.date(), site=factories.site(customer=factories.customer(name="<script>alert(1)</script>"))
    )
    due(assessment)
    send_due(now=NOW)
    html = sent_message().get_payload(1).get_payload(decode=True).decode()  # type: ignore[union-attr]
    assert "<script>" not in html
    assert "&lt;script&gt;" in html


def test_the_recipients_language_decides() -> None:
    due(
        factories.assessment(
            clean_due=date(2026, 6, 15),
            site=factories.site(customer=factories.customer(language=Language.SPANISH)),
        )
    )
    send_due(now=NOW)
    assert "les toca un lavado" in mail.outbox[0].subject
    assert "15 de junio de 2026" in str(mail.outbox[0].body)
    assert "No recibir más correos" in str(mail.outbox[0].body)


def test_a_booked_visit_comes_with_a_calendar_entry_and_a_moved_one_is_told_again() -> None:
    visit = factories.visit(starts_at=datetime(2026, 6, 17, 15, 0, tzinfo=UTC), minutes=90)
    plan_standing(now=NOW)
    plan_standing(now=NOW)
    assert send_due(now=NOW).sent == 1
    name, content, kind = mail.outbox[0].attachments[0]
    (event,) = icalendar.Calendar.from_ical(content).walk("VEVENT")
    assert (name, kind) == ("visit.ics", "text/calendar")
    assert event.decoded("dtstart") == datetime(2026, 6, 17, 15, 0, tzinfo=UTC)
    assert event.decoded("dtend") == datetime(2026, 6, 17, 16, 30, tzinfo=UTC)
    assert "at 09:00. The price" in str(mail.outbox[0].body)  # Denver
    assert "List-Unsubscribe" not in mail.outbox[0].extra_headers
    visit.revision += 1
    visit.save()
    plan_standing(now=NOW)
    assert send_due(now=NOW).sent == 1
