"""The whole mail of a reminder: words, facts, footer, ways out and attachments."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from email.utils import quote

import icalendar
from django.conf import settings
from django.core.mail import EmailMultiAlternatives
from django.template.loader import render_to_string
from django.utils import translation

from portal.actions.mail.facts import common_facts, photos_to_show
from portal.actions.mail.letter import Attachment, Audience, Letter
from portal.actions.mail.phrases import PHRASES
from portal.actions.mail.recipient import page_address, recipient, token_for
from portal.actions.mail.wording import fill_in, wording
from portal.charts.colours import tones
from portal.models import Reminder


def compose(reminder: Reminder, letter: Letter, *, now: datetime) -> EmailMultiAlternatives:
    """The whole mail of a reminder. Composed again it has the same Message-ID: mailboxes that drop doubles can."""
    person, business = recipient(reminder), reminder.business
    subject, text = wording(business, letter.kind, person.language)
    words = PHRASES[person.language]
    with translation.override(person.language):
        known = common_facts(reminder) | letter.facts(reminder, now)
        subject, body = fill_in(subject, known), fill_in(text, known)
        footer = words["footer"].format(
            business=business.name,
            address=", ".join(business.postal_address.splitlines()),
            reason=words[f"because_{letter.audience}"].format(business=business.name),
        )
        headers = {"Message-ID": message_id(reminder), "Auto-Submitted": "auto-generated"}
        ways_out = []
        if letter.audience != Audience.BOOKER:
            token = token_for(person.key)
            stop = page_address("mail_stop", token)
            ways_out = [(words["stop"], stop), (words["choose"], page_address("mail_choices", token))]
            headers["List-Unsubscribe"] = f"<{stop}>"
            headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
        html = render_to_string(
            "mail/frame.html",
            {
                "language": person.language,
                "business": business,
                "tones": tones(business.accent),
                "subject": subject,
                "body": body,
                "footer": footer,
                "ways_out": ways_out,
            },
        )
    mail = EmailMultiAlternatives(
        subject=" ".join(subject.split()),
        body="\n".join([body, "", "-- ", footer, *(f"{what}: {link}" for what, link in ways_out), ""]),
        from_email=_mailbox(business.name, settings.SENDER_ADDRESS),
        to=[_mailbox(person.name, person.email)],
        reply_to=[business.email],
        headers=headers,
    )
    mail.attach_alternative(html, "text/html")
    # Providers that report bounces and complaints hand these back with them.
    mail.metadata = {"business": str(business.pk), "reminder": str(reminder.pk)}  # type: ignore[attr-defined]
    for enclosed in letter.attachments(reminder, now) if letter.attachments else ():
        mail.attach(enclosed.name, enclosed.content, enclosed.media_type)
    return mail


def _mailbox(name: str, email: str) -> str:
    return f'"{quote(" ".join(name.split()))}" <{email}>'


def message_id(reminder: Reminder) -> str:
    domain = settings.SENDER_ADDRESS.rpartition("@")[2]
    return f"<reminder-{reminder.pk}@{domain}>"


def calendar_entry(reminder: Reminder, moment: datetime) -> list[Attachment]:
    """A visit for the homeowner's own calendar (iCalendar, RFC 5545)."""
    visit = reminder.visit
    assert visit is not None, "it is planned for a visit"
    event = icalendar.Event()
    event.add("uid", f"visit-{visit.pk}@{settings.SENDER_ADDRESS.rpartition('@')[2]}")
    event.add("sequence", visit.revision)
    event.add("dtstamp", moment.astimezone(UTC))
    event.add("dtstart", visit.starts_at.astimezone(UTC))
    event.add("dtend", (visit.starts_at + timedelta(minutes=visit.minutes)).astimezone(UTC))
    event.add("summary", reminder.business.name)
    event.add("location", visit.site.address)
    calendar = icalendar.Calendar()
    calendar.add("prodid", "-//Rinsemark//EN")
    calendar.add("version", "2.0")
    calendar.add_component(event)
    return [Attachment("visit.ics", calendar.to_ical().decode(), "text/calendar")]


def wash_photos(reminder: Reminder, moment: datetime) -> list[Attachment]:
    """The newest photo before and after a wash, wide and close, without what the camera wrote into it."""
    assert reminder.visit is not None, "it is planned for a visit"
    enclosed = []
    for photo in photos_to_show(reminder.visit):
        with photo.shown.open() as file:
            enclosed.append(Attachment(f"{photo.phase}-{photo.distance}.jpg", file.read(), "image/jpeg"))
    return enclosed
