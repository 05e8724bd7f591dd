"""The doctor's sentences: each thing that is put wrong here is named, and nothing else is."""

from __future__ import annotations

import io
import socket
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from django.core.files.base import ContentFile
from django.core.management import call_command
from django.db import connection
from django.utils import timezone

from deploy.processes import free_port
from portal.actions.health import QUEUE_SILENT_AFTER, beat
from portal.actions.holds import trust_clock
from portal.management.doctor.machine import files_found, folders_found, settings_found
from portal.management.doctor.outside import mail_found
from portal.management.doctor.service import broker_found, clock_found, database_found, holds_found, workers_found
from portal.models import Heartbeat, Import, MailHold, Night, Reminder, Role
from tests import factories
from tests.deploy.server import Box
from tests.factories import NOW

pytestmark = pytest.mark.django_db

UTILITY = dict.fromkeys(
    ("name", "authorize", "token", "revoke", "resources", "client", "secret", "scope"), "https://utility.test/"
)


@pytest.fixture
def server(settings: Any, tmp_path: Path) -> Path:
    """Settings as the guide has them, with a data folder as it should be."""
    tmp_path.chmod(0o700)
    (tmp_path / "static").mkdir()
    (tmp_path / "static" / "staticfiles.json").write_text("{}")
    (tmp_path / "media").mkdir()
    settings.VAR, settings.INBOX = tmp_path, tmp_path / "inbox"
    settings.STATIC_ROOT, settings.MEDIA_ROOT = tmp_path / "static", tmp_path / "media"
    settings.BASE_URL, settings.SECURE = "https://portal.washers.test", True
    settings.ALLOWED_HOSTS = ["portal.washers.test"]
    settings.SECRET_KEY = "Kq3vX8" * 10
    settings.DATABASE_URL = "postgres://localhost/rinsemark"
    settings.REDIS_URL = "redis://localhost"
    settings.SENDER_ADDRESS = "office@washers.test"
    return tmp_path


def test_a_server_set_up_by_the_guide_has_nothing_to_mend(server: Path) -> None:
    assert [*settings_found(), *folders_found()] == []


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("ALLOWED_HOSTS", ["localhost"], "PORTAL_HOSTS does not name portal.washers.test"),
        ("SECURE", False, "without https:// passwords can be read"),
        ("SECRET_KEY", "short", "PORTAL_SECRET_KEY is shorter than 50"),
        ("REDIS_URL", "", "PORTAL_REDIS_URL is not set"),
        ("SENDER_ADDRESS", "portal@rinsemark.example", "an address that cannot exist"),
        ("RAIN_ADDRESS", "https://rain.test/daily.csv", "has no {station} in it"),
        ("IMAP_HOST", "imap.washers.test", "without PORTAL_READINGS_ADDRESS"),
        (
            "GREEN_BUTTON",
            UTILITY | {"client": "", "scope": ""},
            "PORTAL_GREEN_BUTTON_CLIENT, PORTAL_GREEN_BUTTON_SCOPE is missing",
        ),
        (
            "GREEN_BUTTON",
            UTILITY | {"token": "http://utility.test/token"},
            "PORTAL_GREEN_BUTTON_TOKEN does not begin with https://",
        ),
    ],
)
def test_a_variable_that_is_wrong(server: Path, settings: Any, name: str, value: Any, said: str) -> None:
    setattr(settings, name, value)
    (one,) = settings_found()
    assert one.wrong
    assert said in one.sentence


def test_a_utility_that_is_set_whole_is_nothing_to_mend(server: Path, settings: Any) -> None:
    settings.GREEN_BUTTON = UTILITY
    assert [*settings_found()] == []
    settings.SECURE = False
    assert "the utility will not send people back" in [one.sentence for one in settings_found()][-1]


def test_a_folder_that_others_can_read_and_assets_that_are_missing(server: Path) -> None:
    server.chmod(0o755)
    (server / "static" / "staticfiles.json").unlink()
    assert [one.sentence for one in folders_found()] == [
        f"Others on this machine can read {server}, where customers' files are: chmod 700 {server}",
        "Style sheets and scripts are not prepared, so that no page opens: manage.py prepare_assets",
    ]


def test_files_without_rows_and_rows_without_files(server: Path) -> None:
    meter = factories.meter()
    for name, content in (("kept.csv", b"time,kwh\n"), ("gone.csv", b"time,kwh\n"), ("empty.csv", b"")):
        Import.objects.create(
            meter=meter, uploaded_at=NOW, filename=name, original=ContentFile(content, name), sha256="0" * 64
        )
    gone = Import.objects.get(filename="gone.csv").original
    Path(gone.path).unlink()
    (server / "media" / "lost.jpg").write_bytes(b"x")
    missing, lost = files_found(timezone.now() + timedelta(hours=2))
    assert missing.wrong
    assert "2 files that the database names are missing or empty" in missing.sentence
    assert str(gone.name) in missing.sentence
    assert not lost.wrong
    assert "1 files are named by no row" in lost.sentence
    assert "lost.jpg" in lost.sentence


def test_what_waits_for_a_person() -> None:
    assert trust_clock(now=NOW)
    assert list(holds_found(NOW)) == []
    MailHold.objects.create(business=factories.business(), taken_at=NOW)
    clock, mails = holds_found(NOW + timedelta(days=365))
    assert "The clock says 2027-06-15 18:00, but the portal last ran on 2026-06-15 18:00" in clock.sentence
    assert "1 firms have not said yet" in mails.sentence


def test_workers_that_nobody_hears_of_and_jobs_that_wait() -> None:
    (never,) = workers_found(NOW)
    assert never.sentence.startswith("Neither beat nor any worker was heard of ever: look at the services")
    for queue in QUEUE_SILENT_AFTER:
        beat(queue=queue, now=NOW)
    assert list(workers_found(NOW)) == []
    Heartbeat.objects.filter(queue="mail").update(beaten_at=NOW - timedelta(hours=3))
    Night.objects.create(site=factories.site(), day=NOW.date(), asked_at=NOW - timedelta(hours=49))
    assert [one.sentence for one in workers_found(NOW)] == [
        (
            "No worker of the queue mail was heard of for 3 hours, so that no mail leaves: look at the service "
            "rinsemark-worker@mail."
        ),
        "A roof to assess has been waiting for 2 days.",
    ]


def test_tables_of_another_version() -> None:
    assert list(database_found()) == []
    with connection.cursor() as cursor:
        cursor.execute(
            "DELETE FROM django_migrations"
            " WHERE name = (SELECT max(name) FROM django_migrations WHERE app = 'portal') AND app = 'portal'"
        )
    (one,) = database_found()
    assert one.sentence == "1 changes of the tables are not made yet: manage.py migrate"


@pytest.mark.services
def test_a_broker_that_is_there_and_one_that_is_not(queue: str, settings: Any) -> None:
    assert [one for one in broker_found() if one.wrong] == []
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        settings.REDIS_URL = f"redis://127.0.0.1:{free.getsockname()[1]}/0"
        (one,) = broker_found()
    assert one.sentence.startswith("The queue's server (PORTAL_REDIS_URL) does not answer: ")


@pytest.mark.services
def test_a_clock_that_is_wrong(queue: str) -> None:
    now = timezone.now()
    assert list(clock_found(now)) == []
    said = [one.sentence for one in clock_found(now - timedelta(days=365))]
    assert "This machine's clock and that of the queue's server are 365 days apart: let both follow NTP." in said
    assert len(said) == (2 if connection.vendor == "postgresql" else 1)
    beat(queue="mail", now=now + timedelta(hours=5))
    assert [one.sentence for one in clock_found(now)] == [
        "A worker's clock is 5 hours ahead, or this one's was set back."
    ]


@pytest.fixture
def mail_server(settings: Any) -> Iterator[Box]:
    box = Box()
    controller = Controller(box, hostname="127.0.0.1", port=free_port())
    controller.start()
    settings.EMAIL_BACKEND = "portal.actions.mail.post.SmtpBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", controller.port
    yield box
    controller.stop()


def test_a_real_reminder_is_sent_and_none_is_kept(mail_server: Box, settings: Any) -> None:
    settings.SENDER_ADDRESS = "portal@washers.test"
    factories.member(factories.business(name="Roof & Rinse"), Role.OWNER)
    (said,) = mail_found(NOW, "me@elsewhere.test")
    assert not said.wrong, said.sentence
    (mail,) = mail_server.mails
    assert mail.rcpt_tos == ["me@elsewhere.test"]
    assert mail.mail_from == "portal@washers.test"
    assert b'From: "Roof & Rinse" <portal@washers.test>' in mail.content
    assert Reminder.objects.count() == 0


def test_a_mail_server_that_is_away(mail_server: Box, settings: Any) -> None:
    assert list(mail_found(NOW, "")) == []
    settings.EMAIL_PORT = 1
    (said,) = mail_found(NOW, "")
    assert said.sentence.startswith("The mail server 127.0.0.1:1 does not let us in: ")


def test_it_ends_with_1_where_something_is_wrong(server: Path, settings: Any) -> None:
    settings.SECURE, settings.BASE_URL, settings.REDIS_URL = False, "http://localhost:8000", ""
    settings.ALLOWED_HOSTS = ["localhost"]
    for queue in QUEUE_SILENT_AFTER:
        beat(queue=queue, now=timezone.now())
    out = io.StringIO()
    call_command("doctor", stdout=out)
    assert out.getvalue().endswith("All is well.\n"), out.getvalue()
    server.chmod(0o755)
    with pytest.raises(SystemExit) as end:
        call_command("doctor", stdout=io.StringIO())
    assert end.value.code == 1
