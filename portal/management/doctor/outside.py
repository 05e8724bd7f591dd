"""What only a try tells: the way through the proxy, and a mail that arrives."""

from __future__ import annotations

import json
import smtplib
import urllib.error
import urllib.request
from collections.abc import Iterator
from datetime import datetime
from email.utils import make_msgid
from urllib.parse import urlsplit

from django.conf import settings
from django.core.mail import get_connection
from django.db import transaction

from portal.actions.mail.compose import compose
from portal.actions.mail.post import MayHaveArrived, NotTaken, Postman, SmtpBackend, mail_folder
from portal.actions.reminders.kinds import FOR_A_TRY, kind_of
from portal.management.doctor.found import CheckResult
from portal.models import Membership, Reminder, Role

INVENTED = "203.0.113.9"
"""An address that nobody has (RFC 5737, section 3): what claims to come from it is forged."""


def proxy_found() -> Iterator[CheckResult]:
    """Ask for a page as a visitor does who lies about where he comes from, and see what the portal takes for true."""
    if not settings.SECURE:
        return  # a portal on one machine has no proxy
    asked = f"{settings.BASE_URL}/health/live"
    lies = {"X-Forwarded-For": INVENTED, "X-Forwarded-Proto": "http"}
    try:
        with urllib.request.urlopen(urllib.request.Request(asked, headers=lies), timeout=10) as answer:
            seen = json.load(answer)
    except urllib.error.HTTPError as error:
        yield CheckResult(f"{asked} answers {error.code}: the proxy or the web server is not set up as the guide says.")
        return
    except (OSError, ValueError) as error:
        yield CheckResult(f"{asked} cannot be opened from here: {error}.")
        return
    if not seen["https"]:
        yield CheckResult(
            "The portal does not learn that people come by HTTPS: the proxy must set X-Forwarded-Proto itself."
        )
    if seen["host"] != urlsplit(settings.BASE_URL).netloc:
        yield CheckResult(f"The portal is asked for as {seen['host']}: the proxy must pass the Host header on.")
    if not seen["forwarded"]:
        yield CheckResult("All visitors seem to be one, so that one locks out all: the proxy must set X-Forwarded-For.")
    elif seen["client"] == INVENTED:
        yield CheckResult(
            "Visitors may forge their address: the proxy must write X-Forwarded-For itself, not pass it on."
        )


def mail_found(now: datetime, to: str) -> Iterator[CheckResult]:
    """Whether the mail server lets us in; with an address, whether a reminder gets there."""
    if (folder := mail_folder()) is not None:
        if settings.SECURE or to:
            yield CheckResult(
                f"Mails do not leave: they are written to {folder}. Set PORTAL_EMAIL_BACKEND, see the guide."
            )
        return
    backend = get_connection()
    if isinstance(backend, SmtpBackend):
        try:
            backend.open()
            backend.close()
        except (smtplib.SMTPException, OSError) as error:
            yield CheckResult(
                f"The mail server {settings.EMAIL_HOST}:{settings.EMAIL_PORT} does not let us in: {error}."
            )
            return
    if to:
        yield _reminder_sent(now, to)


def _reminder_sent(now: datetime, to: str) -> CheckResult:
    """Send one real reminder, made of the first firm's rows and changed in its address only. No row of it is kept."""
    owner = Membership.objects.filter(role=Role.OWNER).select_related("business", "user").order_by("pk").first()
    if owner is None:
        return CheckResult("No mail was sent: open a firm first (manage.py open_business).")
    with transaction.atomic():
        reminder = Reminder.objects.create(
            business=owner.business,
            kind=FOR_A_TRY,
            user=owner.user,
            key=f"doctor:{now.isoformat()}",
            due_at=now,
            stale_at=now,
        )
        mail = compose(reminder, kind_of(reminder).letter, now=now)
        transaction.set_rollback(True)
    mail.to = [to]
    mail.extra_headers["Message-ID"] = make_msgid(domain=settings.SENDER_ADDRESS.rpartition("@")[2])
    post = Postman()
    try:
        post.deliver(mail, handing_over=lambda: None)
    except (NotTaken, MayHaveArrived) as error:
        return CheckResult(f"The test reminder to {to} did not leave: {error}")
    finally:
        post.close()
    return CheckResult(f"A test reminder was handed over for {to}: see that it arrived, and not as spam.", wrong=False)
