"""Keeping a mail as a row, from a mail service's webhook or out of an IMAP box. Nothing of it is read here."""

from __future__ import annotations

import hashlib
import imaplib
import logging
import re
from collections.abc import Iterable
from contextlib import suppress
from datetime import datetime, timedelta
from email import message_from_bytes
from functools import partial

from django.conf import settings
from django.db import transaction

from portal.actions.bounded import PATIENCE_S
from portal.actions.by_mail.address import site_at
from portal.actions.jobs import ask_for
from portal.models import ReadingsMail

log = logging.getLogger(__name__)

MOST_MAIL_BYTES = 40 * 1024 * 1024
"""A mail with 25 MB of attachments, the most that mail servers usually take, grows by a third on its way (base64, RFC
2045)."""
MAILS_A_DAY = 60
"""Mails for one roof; a logger that mails every half hour stays below. Common practice, no source."""
MAILS_AT_ONCE = 20
"""Mails taken out of the box in one round, so that the next one of a minute later finds the job ended. Common practice,
no source."""
DELIVERED_TO = ("Delivered-To", "X-Original-To", "To", "Cc", "Resent-To")


def keep_mail(*, raw: bytes, recipients: Iterable[str], now: datetime) -> ReadingsMail | None:
    """Keep a mail for the roof to whose address it came; None where there is none, or it has had enough for a day."""
    if len(raw) > MOST_MAIL_BYTES:
        log.warning("a mail of %d bytes is larger than any with readings and was not kept", len(raw))
        return None
    head = message_from_bytes(
        raw
    )  # with the old policy, whatever stands in a head: the new one stumbles over a lone "<"
    site = site_at([*recipients, *(str(said) for name in DELIVERED_TO for said in head.get_all(name, []))])
    if site is None:
        return None
    if ReadingsMail.objects.filter(site=site, received_at__gt=now - timedelta(days=1)).count() >= MAILS_A_DAY:
        log.warning("roof %d has been sent %d mails within a day; one more was not kept", site.pk, MAILS_A_DAY)
        return None
    message_id = re.sub(r"\s", "", str(head.get("Message-ID", "")))
    with transaction.atomic():
        mail, fresh = ReadingsMail.objects.get_or_create(
            site=site,
            sha256=hashlib.sha256(message_id.encode() or raw).hexdigest(),
            defaults={"received_at": now, "raw": raw, "message_id": message_id[:250]},
        )
        if fresh:
            transaction.on_commit(partial(ask_for, "take_mail", mail.pk))
    return mail


def collect_mails(*, now: datetime) -> int:
    """Take what is unread out of the IMAP box, where one is set. Returns how many mails were kept.

    A mail is marked as read only after its row is kept: a collector that dies begins again and keeps nothing twice.
    """
    if not settings.IMAP_HOST:
        return 0
    try:
        return _collect(now)
    except (imaplib.IMAP4.error, OSError) as problem:
        log.warning("the box for readings could not be looked into: %s", problem)
        return 0


def _collect(now: datetime) -> int:
    kind = imaplib.IMAP4_SSL if settings.IMAP_TLS else imaplib.IMAP4
    box = kind(settings.IMAP_HOST, settings.IMAP_PORT, timeout=PATIENCE_S)
    try:
        box.login(settings.IMAP_USER, settings.IMAP_PASSWORD)
        box.select("INBOX")
        kept = 0
        _, found = box.uid("SEARCH", "UNSEEN")
        for number in (found[0] or b"").split()[:MAILS_AT_ONCE]:
            kept += _collect_one(box, number.decode(), now)
        return kept
    finally:
        try:
            box.logout()
        except (imaplib.IMAP4.error, OSError):
            with suppress(OSError):
                box.shutdown()


def _collect_one(box: imaplib.IMAP4, number: str, now: datetime) -> bool:
    _, said = box.uid("FETCH", number, "(RFC822.SIZE)")
    size = re.search(rb"RFC822\.SIZE (\d+)", said[0] if isinstance(said[0], bytes) else b"")
    mail = None
    if size and int(size[1]) <= MOST_MAIL_BYTES:
        _, parts = box.uid("FETCH", number, "(BODY.PEEK[])")
        raw = next((part[1] for part in parts if isinstance(part, tuple)), b"")
        mail = keep_mail(raw=raw, recipients=[], now=now) if raw else None
    box.uid("STORE", number, "+FLAGS", r"(\Seen)")
    return mail is not None
