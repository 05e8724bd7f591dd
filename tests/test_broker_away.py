"""While the broker is away, log-in, pages and API go on, and what was asked for waits in its row."""

from __future__ import annotations

import signal
import time
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from deploy.processes import Supervisor, start_queue
from portal.actions.imports.waiting import left_lying
from portal.actions.jobs import ask_for
from portal.actions.tokens import make_token
from portal.models import Import, ImportState
from tests.factories import NOW, PASSWORD
from tests.test_who_sees_what import ROUTES
from tests.world import World, utility, world

pytestmark = [pytest.mark.services, pytest.mark.django_db]

__all__ = ["utility", "world"]

ERASES = ("erase", "remove", "revoke", "undo")
"""Of pages that change something these come last: the others need what they take away."""


@pytest.fixture
def stopped_broker(supervisor: Supervisor, tmp_path: Path, settings: Any) -> None:
    queue, url = start_queue(supervisor, tmp_path / "queue")
    settings.REDIS_URL = url
    assert ask_for("poll_nights"), "it was there"
    supervisor.stop(queue)
    assert not ask_for("poll_nights")


def test_every_page_goes_on(stopped_broker: None, world: World, django_capture_on_commit_callbacks: Any) -> None:
    late = sorted(ROUTES, key=lambda name: (ROUTES[name].post, any(word in name for word in ERASES)))
    answers: dict[str, int] = {}
    for name in late:
        line = ROUTES[name]
        person = next((one for one in sorted(line.sees) if one != "stranger"), "owner")
        client = Client()
        client.force_login(world.people[person])
        address = reverse(name, kwargs={key: world.keys[what] for key, what in line.kwargs.items()})
        with django_capture_on_commit_callbacks(execute=True):
            answer = client.post(address) if line.post else client.get(address)
        answer.getvalue()
        answers[name] = answer.status_code
    assert {name: code for name, code in answers.items() if code >= 500} == {}
    gets = {name for name in late if not ROUTES[name].post and ROUTES[name].sees}
    assert {name for name in gets if answers[name] != ROUTES[name].ok} == set()


def test_people_log_in_and_wrong_passwords_are_still_counted(stopped_broker: None, world: World) -> None:
    known = world.people["owner"].email

    def log_in(password: str) -> bool:
        client = Client(REMOTE_ADDR="198.51.100.4")
        client.post(reverse("account_login"), {"login": known, "password": password})
        return client.get(reverse("home")).status_code == 200

    assert log_in(PASSWORD)
    for _ in range(12):
        assert not log_in("not-this-one-either")
    assert not log_in(PASSWORD), "from there nobody tries any more for a while"


def test_a_file_by_the_api_is_kept_and_waits(
    stopped_broker: None, world: World, settings: Any, django_capture_on_commit_callbacks: Any
) -> None:
    owner = world.people["owner"]
    firm = owner.memberships.get().business
    _, secret = make_token(name="script", created_by=owner, now=NOW, business=firm)
    sent = SimpleUploadedFile("day.csv", b"time,kwh\n2026-06-01 12:00,1.5\n")
    with django_capture_on_commit_callbacks(execute=True):
        answer = Client().post(
            f"/api/meters/{world.keys['meter']}/imports",
            {"file": sent},
            headers={"Authorization": f"Bearer {secret}"},
        )
    assert answer.status_code in (200, 201, 202), answer.content
    waiting = Import.objects.get(filename="day.csv")
    assert waiting.state == ImportState.PENDING
    assert waiting.asked_at is not None
    later = waiting.asked_at.replace(year=waiting.asked_at.year + 1)
    assert ("import_file", waiting.pk) in left_lying(now=later), "beat finds it when the broker is back"


def test_a_broker_that_hangs_holds_up_one_request_only_and_for_seconds(
    supervisor: Supervisor, tmp_path: Path, settings: Any
) -> None:
    queue, url = start_queue(supervisor, tmp_path / "queue")
    settings.REDIS_URL = url
    queue.process.send_signal(signal.SIGSTOP)
    try:
        begun = time.monotonic()
        assert not any(ask_for("poll_nights") for _ in range(100))
        # Not a benchmark: were each of the hundred to wait for its own time-out, it would take minutes.
        assert time.monotonic() - begun < 60
    finally:
        queue.process.send_signal(signal.SIGCONT)
        supervisor.stop(queue)
