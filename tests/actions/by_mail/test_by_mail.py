"""A mail to a roof's own address is a row first, its files are read like uploads, and few mails are answered.

With real servers: mails are handed to an SMTP server (aiosmtpd), lie in an IMAP box, and answers go out by SMTP.
"""

from __future__ import annotations

import email
import smtplib
import socket
from collections.abc import Iterator
from datetime import date, timedelta
from email import policy
from email.message import EmailMessage
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session
from django.test import Client

from portal.actions.by_mail import keep
from portal.actions.by_mail.address import address_of, site_at
from portal.actions.by_mail.keep import collect_mails, keep_mail
from portal.actions.by_mail.take import answer_mail, poll_mails, take_mail
from portal.actions.imports.waiting import work_on_import
from portal.models import CameBy, Import, ImportState, MailState, Meter, ReadingsMail
from tests import factories
from tests.actions.by_mail.imap_box import ImapBox
from tests.actions.exports import csv_text, days_rows
from tests.factories import NOW

pytestmark = pytest.mark.django_db

FIRST = date(2026, 5, 4)
GOOD = csv_text(days_rows(FIRST, 2))


class Post:
    """An SMTP server: what comes for a roof goes into the IMAP box, what comes for people is kept."""

    def __init__(self, box: ImapBox) -> None:
        self.box = box
        self.letters: list[EmailMessage] = []

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        content = envelope.content
        assert isinstance(content, bytes)
        if any(address.startswith("readings+") for address in envelope.rcpt_tos):
            self.box.put(f"Delivered-To: {envelope.rcpt_tos[0]}\r\n".encode() + content)
        else:
            self.letters.append(email.message_from_bytes(content, policy=policy.default))
        return "250 kept"


@pytest.fixture
def post(settings: Any) -> Iterator[Post]:
    with ImapBox() as box:
        office = Post(box)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        server = Controller(office, hostname="127.0.0.1", port=port)
        server.start()
        settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
        settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", port
        settings.IMAP_HOST, settings.IMAP_PORT, settings.IMAP_TLS = "127.0.0.1", box.port, False
        settings.IMAP_USER, settings.IMAP_PASSWORD = "readings", "rinse"
        settings.READINGS_ADDRESS = "readings@washers.example"
        yield office
        server.stop()


@pytest.fixture
def meter() -> Meter:
    return factories.meter()


def letter(meter: Meter, files: dict[str, str], **heads: str) -> EmailMessage:
    message = EmailMessage()
    message["From"] = heads.pop("From", "Ana <ana@homes.example>")
    message["To"] = address_of(meter.site)
    message["Message-ID"] = heads.pop(
        "Message_ID", f"<{len(files)}.{abs(hash(str(files) + str(heads)))}@homes.example>"
    )
    for name, said in heads.items():
        message[name.replace("_", "-")] = said
    message.set_content("See the file.")
    for name, content in files.items():
        message.add_attachment(content.encode(), maintype="application", subtype="octet-stream", filename=name)
    return message


def send(message: EmailMessage, settings: Any) -> None:
    with smtplib.SMTP(settings.EMAIL_HOST, settings.EMAIL_PORT) as server:
        server.send_message(message)


def work_off(now: Any = NOW) -> None:
    for key in ReadingsMail.objects.filter(state=MailState.WAITING).order_by("pk").values_list("pk", flat=True):
        take_mail(mail_id=key, now=now)
    for key in Import.objects.unfinished().values_list("pk", flat=True):
        work_on_import(import_id=key, now=now)
    poll_mails(now=now)


def test_a_mail_sent_to_a_roof_is_read_and_the_first_one_is_answered(post: Post, meter: Meter, settings: Any) -> None:
    send(letter(meter, {"may.csv": GOOD, "signature.png": "x"}, Subject="Readings"), settings)
    assert collect_mails(now=NOW) == 1
    mail = ReadingsMail.objects.get()
    assert (mail.state, mail.site) == (MailState.WAITING, meter.site)
    assert collect_mails(now=NOW) == 0, "what is read in the box is left there"
    work_off()
    import_ = Import.objects.get()
    assert (import_.state, import_.came_by, import_.filename, import_.meter) == (
        ImportState.DONE,
        CameBy.MAIL,
        "may.csv",
        meter,
    )
    assert import_.readings_new == 48
    mail.refresh_from_db()
    assert (mail.state, mail.raw) == (MailState.TAKEN, None)
    (answer,) = post.letters
    assert (answer["To"], answer["Auto-Submitted"]) == ("ana@homes.example", "auto-replied")
    assert answer["In-Reply-To"] == mail.message_id
    assert "may.csv: read, 48 new readings." in answer.get_content()
    send(letter(meter, {"more.csv": csv_text(days_rows(FIRST + timedelta(2), 1))}), settings)
    collect_mails(now=NOW)
    work_off()
    assert Import.objects.filter(state=ImportState.DONE).count() == 2
    assert len(post.letters) == 1, "what goes well is answered once"


def test_what_fails_is_answered_each_time_with_the_reason(post: Post, meter: Meter, settings: Any) -> None:
    for number in range(2):
        send(letter(meter, {f"notes{number}.csv": f"milk, eggs {number}\n"}), settings)
        collect_mails(now=NOW)
        work_off()
    assert len(post.letters) == 2
    problem = Import.objects.get(filename="notes1.csv").problem
    assert problem
    assert problem[:40] in " ".join(post.letters[1].get_content().split())
    send(letter(meter, {"photo.jpg": "x"}), settings)
    collect_mails(now=NOW)
    work_off()
    assert "No file of readings was attached" in post.letters[2].get_content()
    work_off()
    assert len(post.letters) == 3, "once each"


@pytest.mark.parametrize(
    "head",
    [
        "From: a <",
        'From: "',
        "Message-ID: <x@",
        "From: Ana\r\n <ana@homes.example>",
        "Cc: b <c@[",
        "From: =?no-such-alphabet?b?AA==?= <a@b>",
    ],
)
def test_a_mail_with_a_broken_head_holds_up_no_other(post: Post, meter: Meter, settings: Any, head: str) -> None:
    body = b'Content-Disposition: attachment; filename="=?utf-8?b?bWF5LmNzdg==?="\r\n\r\n' + GOOD.encode()
    own = f"Delivered-To: {address_of(meter.site)}\r\n".encode()
    post.box.put(b"Delivered-To: x <y@[\r\n" + head.encode() + b"\r\n" + body)  # no roof's
    post.box.put(own + head.encode() + b"\r\n" + body)
    send(letter(meter, {"june.csv": csv_text(days_rows(FIRST + timedelta(2), 1))}), settings)
    assert collect_mails(now=NOW) == 2
    work_off()
    assert sorted(Import.objects.values_list("filename", "state")) == [("june.csv", "done"), ("may.csv", "done")]


@pytest.mark.parametrize(
    "heads",
    [
        {"Auto_Submitted": "auto-replied"},
        {"X_Autoreply": "yes"},
        {"Return_Path": "<>"},
        {"Precedence": "bulk"},
        {"List_Id": "<offers.shop.example>"},
        {"X_Spam_Flag": "YES"},
        {"X_Rinsemark": "readings"},
        {"From": "readings@washers.example"},
    ],
)
def test_automatic_answers_lists_spam_and_ourselves_are_refused_without_a_word(
    post: Post, meter: Meter, heads: dict[str, str], settings: Any
) -> None:
    send(letter(meter, {"may.csv": GOOD}, **heads), settings)
    collect_mails(now=NOW)
    work_off()
    mail = ReadingsMail.objects.get()
    assert (mail.state, bool(mail.problem), mail.raw) == (MailState.REFUSED, True, None)
    assert not Import.objects.exists()
    assert post.letters == []


def test_an_answer_of_ours_that_comes_back_ends_there(post: Post, meter: Meter, settings: Any) -> None:
    send(letter(meter, {"may.csv": GOOD}), settings)
    collect_mails(now=NOW)
    work_off()
    back = post.letters.pop()
    back.replace_header("To", address_of(meter.site))
    send(back, settings)
    assert collect_mails(now=NOW) == 1
    work_off()
    assert post.letters == []


def test_a_portals_own_report_is_taken_although_a_machine_wrote_it(post: Post, meter: Meter, settings: Any) -> None:
    """RFC 3834: "auto-generated" is a mail by a program of its own accord, such as an export each night."""
    send(letter(meter, {"may.csv": GOOD}, Auto_Submitted="auto-generated"), settings)
    collect_mails(now=NOW)
    work_off()
    assert Import.objects.get().state == ImportState.DONE


def test_a_mail_to_nobody_or_with_a_guessed_token_is_not_kept(post: Post, meter: Meter, settings: Any) -> None:
    address = address_of(meter.site)
    assert site_at([address.upper()]) == meter.site
    other = factories.site()
    for guessed in (
        f"readings+{meter.site.pk}x{'a' * 16}@washers.example",
        address.replace(f"+{meter.site.pk}x", f"+{other.pk}x"),
        address.replace("washers", "rivals"),
        "readings@washers.example",
    ):
        assert site_at([guessed]) is None
    settings.READINGS_ADDRESS = ""
    assert address_of(meter.site) == ""
    assert site_at([address]) is None


def test_a_mail_that_comes_twice_and_a_job_that_runs_twice_take_it_once(post: Post, meter: Meter) -> None:
    raw = letter(meter, {"may.csv": GOOD}).as_bytes()
    mails = {keep_mail(raw=raw, recipients=[], now=NOW) for _ in range(2)}
    assert len(mails) == 1
    (mail,) = mails
    assert mail is not None
    for _ in range(2):
        take_mail(mail_id=mail.pk, now=NOW)
    assert Import.objects.count() == 1
    assert not answer_mail(mail_id=mail.pk, now=NOW), "not before its files are read"
    work_off()
    assert not answer_mail(mail_id=mail.pk, now=NOW)
    assert len(post.letters) == 1


def test_a_collector_whose_connection_breaks_begins_again_and_keeps_nothing_twice(
    post: Post, meter: Meter, settings: Any
) -> None:
    send(letter(meter, {"may.csv": GOOD}), settings)
    post.box.drop_at = "UID STORE"
    collect_mails(now=NOW)
    assert post.box.seen == set()
    collect_mails(now=NOW)
    assert post.box.seen == {1}
    assert ReadingsMail.objects.count() == 1
    settings.IMAP_PORT = 9  # nobody listens there
    assert collect_mails(now=NOW) == 0


def test_what_is_too_large_or_too_much_is_left(post: Post, meter: Meter) -> None:
    raw = letter(meter, {"may.csv": GOOD}).as_bytes()
    site = meter.site
    ReadingsMail.objects.bulk_create(
        ReadingsMail(site=site, received_at=NOW, sha256=str(number), state=MailState.TAKEN, answered_at=NOW)
        for number in range(keep.MAILS_A_DAY)
    )
    assert keep_mail(raw=raw, recipients=[], now=NOW) is None
    assert keep_mail(raw=raw, recipients=[], now=NOW + timedelta(days=2)) is not None
    post.box.put(raw + b"0" * keep.MOST_MAIL_BYTES)
    assert collect_mails(now=NOW + timedelta(days=2)) == 0
    assert post.box.fetched == [], "its size is asked first"
    assert post.box.seen == {1}


def test_the_upload_page_tells_the_address_of_a_roof_of_ones_own(client: Client, meter: Meter, settings: Any) -> None:
    client.force_login(factories.member(meter.site.customer.business))
    assert "Or by mail" not in client.get(f"/imports/new/?site={meter.site.pk}").content.decode()
    settings.READINGS_ADDRESS = "readings@washers.example"
    assert address_of(meter.site) in client.get(f"/imports/new/?site={meter.site.pk}").content.decode()
