"""Taking in what a kept mail brought, and answering where somebody has to know."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from email import message_from_bytes
from email.errors import HeaderParseError
from email.header import decode_header, make_header
from email.message import Message
from email.utils import parseaddr
from pathlib import PurePath

from django.conf import settings
from django.core.files.base import ContentFile
from django.core.mail import EmailMessage as Answer
from django.db import transaction
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop, override

from portal.actions.by_mail.address import address_of
from portal.actions.imports.receive import ImportRefused, receive_file
from portal.actions.jobs import ask_for
from portal.models import STUCK_STATES, CameBy, Import, ImportState, MailState, ReadingsMail
from portal.models.meter import WAITING_STATES
from portal.words.kept import in_their_words

log = logging.getLogger(__name__)

ENDINGS = (".csv", ".tsv", ".txt", ".dat", ".xml", ".xlsx", ".xlsm", ".xls", ".ods", ".zip")
"""Endings of the kinds of files that readers know; pictures and signatures go with most mails."""
MOST_FILES = 30
"""Files of one mail that are taken in. A bound on the work, no source."""
LOST_AFTER = timedelta(minutes=2)
"""A mail that nobody took in by then has lost its message; two rounds of the poll. Common practice, no source."""
ANSWERED_WITHIN = timedelta(days=2)
"""An answer later than this is of no use; a question that waits longer was seen on the page or never. Common practice,
no source."""


def poll_mails(*, now: datetime) -> None:
    """Ask again for mails whose message was lost, and answer those whose files are read."""
    waiting = ReadingsMail.objects.filter(state=MailState.WAITING, received_at__lt=now - LOST_AFTER)
    for key in waiting.order_by("pk").values_list("pk", flat=True):
        ask_for("take_mail", key)
    for key in (
        ReadingsMail.objects.filter(answered_at=None).exclude(state=MailState.WAITING).values_list("pk", flat=True)
    ):
        answer_mail(mail_id=key, now=now)


def take_mail(*, mail_id: int, now: datetime) -> None:
    """Put a mail's files into the ledger, all in one transaction. Safe to run twice, or after a worker died in it."""
    with transaction.atomic():
        mail = ReadingsMail.objects.select_for_update(of=("self",), no_key=True).filter(pk=mail_id).first()
        if mail is None or mail.state != MailState.WAITING or mail.raw is None:
            return
        message = message_from_bytes(bytes(mail.raw))
        if why := nobody_wrote(message):
            mail.state, mail.problem, mail.answered_at = MailState.REFUSED, why, now
        else:
            sender = parseaddr(str(message.get("Reply-To") or message.get("From", "")))[1]
            mail.sender = "".join(sender.split())[:254]  # a line may be folded inside of it
            mail.problem = _take_files(mail, message, now)
            mail.state = MailState.TAKEN if mail.imports.exists() else MailState.REFUSED
        mail.raw = None
        mail.save()


def nobody_wrote(message: Message) -> str:
    """Say why a mail is none that somebody, or their portal, has sent with readings; empty where it may be.

    Automatic answers by RFC 3834 (Auto-Submitted: auto-replied; a mail without a sender), lists by RFC 2919 and the
    custom of Precedence, ourselves by our own mark, spam by the mark of the filters before us.
    """

    def said(name: str) -> str:
        return str(message.get(name, "")).strip().lower()

    own = settings.READINGS_ADDRESS.lower().partition("@")[0]
    senders = [parseaddr(said(name))[1] for name in ("From", "Reply-To")]
    if said("Auto-Submitted").startswith("auto-replied") or said("X-Autoreply") or said("X-Autorespond"):
        return "an automatic answer"
    if "Return-Path" in message and said("Return-Path") == "<>":
        return "a report of a mail server"
    if said("X-Rinsemark") or any(sender.partition("@")[0].partition("+")[0] == own for sender in senders):
        return "a mail of our own"
    if said("Precedence") in ("bulk", "junk", "list") or said("List-Id"):
        return "a mail to a list"
    if said("X-Spam-Flag") == "yes" or said("X-Spam-Status").startswith("yes"):
        return "marked as spam"
    return ""


def _take_files(mail: ReadingsMail, message: Message, now: datetime) -> str:
    """Receive the attachments of known kinds. Returns what is to be said of those that were not."""
    meter = mail.site.meters.order_by("pk").first()
    if meter is None:
        return gettext_noop("The roof has no meter to read files for.")
    files = [part for part in message.walk() if PurePath(_name(part)).suffix.lower() in ENDINGS]
    if not files:
        return gettext_noop("No file of readings was attached. Attach it as it was exported: {kinds}.").format(
            kinds=", ".join(ENDINGS)
        )
    for part in files[:MOST_FILES]:
        content = part.get_payload(decode=True)
        if not isinstance(content, bytes):
            continue
        name = _name(part)
        try:
            receive_file(
                meter=meter,
                filename=name,
                file=ContentFile(content, name=name),
                uploaded_by=None,
                now=now,
                came_by=CameBy.MAIL,
                mail=mail,
            )
        except ImportRefused as refused:
            return str(refused)
    if len(files) > MOST_FILES:
        return gettext_noop("Only the first {most} files were taken in; pack many files into one zip.").format(
            most=MOST_FILES
        )
    return ""


def _name(part: Message) -> str:
    """The name of an attached file, which many programs write as an encoded word."""
    said = part.get_filename() or ""
    try:
        return str(make_header(decode_header(said)))
    except (HeaderParseError, LookupError, ValueError):  # no such alphabet, or no word of it
        return said


def answer_mail(*, mail_id: int, now: datetime) -> bool:
    """Answer a mail once its files are read: the first that a roof got, and what needs somebody. Says whether it did.

    Settled before the answer leaves: rather none than two.
    """
    with transaction.atomic():
        mail = ReadingsMail.objects.select_for_update(of=("self",), no_key=True).filter(pk=mail_id).first()
        if mail is None or mail.answered_at is not None or mail.state == MailState.WAITING:
            return False
        imports = list(mail.imports.order_by("pk"))
        if any(one.state in WAITING_STATES for one in imports):
            return False
        mail.answered_at = now
        mail.save(update_fields=["answered_at"])
    needing = [one for one in imports if one.state in STUCK_STATES]
    first = not ReadingsMail.objects.filter(site=mail.site, pk__lt=mail.pk, state=MailState.TAKEN).exists()
    wanted = mail.problem or needing or (first and imports)
    if not mail.sender or not wanted or now - mail.received_at > ANSWERED_WITHIN:
        return False
    with override(mail.site.customer.language):
        letter = Answer(
            subject=_("Readings of {roof}").format(roof=mail.site.name),
            body=_body(mail, imports),
            to=[mail.sender],
            headers={"Auto-Submitted": "auto-replied", "X-Rinsemark": "readings"}
            | ({"In-Reply-To": mail.message_id, "References": mail.message_id} if mail.message_id else {}),
        )
    try:
        letter.send()
    except OSError:
        log.exception("the answer to mail %d did not leave", mail.pk)
        return False
    return True


def _body(mail: ReadingsMail, imports: list[Import]) -> str:
    lines = [in_their_words(mail.problem)] if mail.problem else []
    for one in imports:
        if one.state == ImportState.DONE:
            lines.append(_("{file}: read, {new} new readings.").format(file=one.filename, new=one.readings_new))
        elif one.state == ImportState.QUESTION:
            address = settings.BASE_URL.rstrip("/") + reverse("import_mapping", args=[one.pk])
            lines.append(
                _("{file}: needs an answer before it is read. {address}").format(file=one.filename, address=address)
            )
        else:
            lines.append(
                _("{file}: could not be read. {problem}").format(file=one.filename, problem=in_their_words(one.problem))
            )
    lines.append(
        _("What comes to {address} is read as it arrives. You are written to only where something is wrong.").format(
            address=address_of(mail.site)
        )
    )
    return "\n\n".join(lines) + "\n"
