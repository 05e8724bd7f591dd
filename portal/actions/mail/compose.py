"""The whole mail of a reminder: words, facts, footer, ways out and attachments."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from email.utils import quote

import icalendar
from django.conf import settings
from django.core.mail import EmailMultiAlternatives
from django.template.loader import render_to_string
from django.utils import translation

from portal.actions.mail.facts import facts
from portal.actions.mail.phrases import PHRASES
from portal.actions.mail.recipient import ASKED_FOR, TO_STAFF, address, recipient, token_for
from portal.actions.mail.wording import fill, wording
from portal.models import Reminder, ReminderKind, Visit


def compose(reminder: Reminder, *, now: datetime) -> EmailMultiAlternatives:
    """The whole mail of a reminder. Composed again it has the same Message-ID: mailboxes that drop doubles can."""
    person, business = recipient(reminder), reminder.business
    kind = ReminderKind(reminder.kind)
    subject, text = wording(business, kind, person.language)
    words = PHRASES[person.language]
    with translation.override(person.language):
        known = facts(reminder, now=now)
        subject, body = fill(subject, known), fill(text, known)
        because = "because_staff" if kind in TO_STAFF else "because_booked" if kind in ASKED_FOR else "because_customer"
        footer = words["footer"].format(
            business=business.name,
            address=", ".join(business.postal_address.splitlines()),
            reason=words[because].format(business=business.name),
        )
        headers = {"Message-ID": message_id(reminder), "Auto-Submitted": "auto-generated"}
        ways_out = []
        if kind not in ASKED_FOR:
            token = token_for(person.key)
            stop = address("mail_stop", token)
            ways_out = [(words["stop"], stop), (words["choose"], address("mail_choices", token))]
            headers["List-Unsubscribe"] = f"<{stop}>"
            headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
        html = render_to_string(
            "mail/frame.html",
            {
                "language": person.language,
                "business": business,
                "subject": subject,
                "body": body,
                "footer": footer,
                "ways_out": ways_out,
            },
        )
    mail = EmailMultiAlternatives(
        subject=" ".join(subject.split()),
        body="\n".join([body, "", "-- ", footer, *(f"{what}: {link}" for what, link in ways_out), ""]),
        from_email=_mailbox(business.name, settings.DEFAULT_FROM_EMAIL),
        to=[_mailbox(person.name, person.email)],
        reply_to=[business.email],
        headers=headers,
    )
    mail.attach_alternative(html, "text/html")
    # Providers that report bounces and complaints hand these back with them.
    mail.metadata = {"business": str(business.pk), "reminder": str(reminder.pk)}  # type: ignore[attr-defined]
    if kind == ReminderKind.BOOKED and reminder.visit is not None:
        mail.attach("visit.ics", visit_calendar(reminder.visit, now=now), "text/calendar")
    return mail


def _mailbox(name: str, email: str) -> str:
    return f'"{quote(" ".join(name.split()))}" <{email}>'


def message_id(reminder: Reminder) -> str:
    domain = settings.DEFAULT_FROM_EMAIL.rpartition("@")[2].rstrip(">")
    return f"<reminder-{reminder.pk}@{domain}>"


def visit_calendar(visit: Visit, *, now: datetime) -> str:
    """A visit for the homeowner's own calendar (iCalendar, RFC 5545)."""
    business = visit.site.customer.business
    event = icalendar.Event()
    event.add("uid", f"visit-{visit.pk}@{settings.DEFAULT_FROM_EMAIL.rpartition('@')[2]}")
    event.add("sequence", visit.revision)
    event.add("dtstamp", now.astimezone(UTC))
    event.add("dtstart", visit.starts_at.astimezone(UTC))
    event.add("dtend", (visit.starts_at + timedelta(minutes=visit.minutes)).astimezone(UTC))
    event.add("summary", business.name)
    event.add("location", visit.site.address)
    calendar = icalendar.Calendar()
    calendar.add("prodid", "-//Rinsemark//EN")
    calendar.add("version", "2.0")
    calendar.add_component(event)
    return str(calendar.to_ical().decode())
