"""A full disk: whoever sends something reads a sentence, nothing is left half-written, and with room it all goes on.

The file system refuses by a limit on the size of files that a process of its own is given (setrlimit, POSIX.1-2017).
"""

from __future__ import annotations

import gc
import json
import logging
import os
import resource
from collections.abc import Callable
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.conf import settings as django_settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection, connections
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.holds import trust_clock
from portal.actions.tokens import make_token
from portal.models import Import, Meter, Night, Role, User, Visit, VisitPhoto
from tests import factories
from tests.actions.keeping.firm import files, picture
from workers import tasks

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.any_database("the disk of the files that people send, no database's"),
]

SAID = "The portal's disk is full, so this was not kept. Send it again later."
Answer = tuple[int, str]


@pytest.fixture(autouse=True)
def own_folder(settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    settings.FILE_UPLOAD_TEMP_DIR = str(tmp_path)


def most() -> int:
    """No file may grow beyond what the database has already."""
    name = str(connection.settings_dict["NAME"])
    return 300_000 + (Path(name).stat().st_size if connection.vendor == "sqlite" else 0)


def limited(work: Callable[[], Answer]) -> Answer:
    """Do it in a process of its own for which the disk ends early."""
    limit = most()
    connections.close_all()
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
            logging.disable()  # pytest keeps what is logged, and with it the request
            answer = work()
            gc.collect()  # a temporary file goes with the request that brought it
            os.write(writer, json.dumps(answer).encode()[:60_000])
        finally:
            os._exit(0)
    os.close(writer)
    with os.fdopen(reader) as told:
        status, text = json.loads(told.read())
    os.waitpid(child, 0)
    return status, text


@pytest.fixture
def crew() -> User:
    business = factories.business()
    office = factories.member(business, Role.OWNER)
    site = factories.site(customer=factories.customer(business=business))
    factories.meter(site=site)
    factories.visit(site=site, technicians=(factories.member(business, Role.TECHNICIAN),))
    return office


def by_page(user: User, content: bytes) -> Answer:
    client = Client(raise_request_exception=False)
    client.force_login(user)
    sent = SimpleUploadedFile("may.csv", content)
    answer = client.post(reverse("import_upload"), {"meter": Meter.objects.get().pk, "sent": [sent]})
    return answer.status_code, answer.content.decode()


def by_script(user: User, content: bytes) -> Answer:
    _, secret = make_token(name="logger", created_by=user, now=timezone.now(), site=Meter.objects.get().site)
    answer = Client(raise_request_exception=False).post(
        f"/api/meters/{Meter.objects.get().pk}/imports",
        {"file": SimpleUploadedFile("may.csv", content)},
        headers={"authorization": f"Bearer {secret}"},
    )
    return answer.status_code, answer.content.decode()


def by_phone(user: User, content: bytes) -> Answer:
    visit = Visit.objects.get()
    client = Client(raise_request_exception=False)
    client.force_login(visit.technicians.get())
    answer = client.post(
        reverse("visit_photos", args=[visit.pk]),
        {
            "client_id": str(uuid4()),
            "phase": "before",
            "distance": "wide",
            "at": timezone.now().isoformat(),
            "photo": SimpleUploadedFile("roof.jpg", content),
        },
        headers={"accept": "application/json"},
    )
    return answer.status_code, answer.content.decode()


@pytest.mark.parametrize("in_memory", [True, False], ids=["in memory", "in a temporary file"])
@pytest.mark.parametrize("way", [by_page, by_script, by_phone])
def test_who_sends_something_reads_why_and_may_send_it_again(
    crew: User, settings: Any, way: Callable[[User, bytes], Answer], in_memory: bool
) -> None:
    settings.FILE_UPLOAD_MAX_MEMORY_SIZE = 50_000_000 if in_memory else 100_000
    content = picture(200) + os.urandom(most() + 100_000)  # what follows a JPEG's end is no part of the picture
    status, text = limited(lambda: way(crew, content))
    assert status == 507
    assert SAID in text.replace("&#x27;", "'").replace("\\u2019", "'")
    assert not Import.objects.exists()
    assert not VisitPhoto.objects.exists()
    assert files() == {}
    assert not [path for path in Path(str(django_settings.FILE_UPLOAD_TEMP_DIR)).iterdir() if path.is_file()]
    status, text = way(crew, content)
    assert status in (200, 201, 202, 302), text
    assert len(files()) == (3 if way is by_phone else 1)


def test_a_small_photo_goes_in_while_a_large_one_finds_no_room(crew: User) -> None:
    assert limited(lambda: by_phone(crew, picture(200)))[0] == 200
    assert VisitPhoto.objects.count() == 1


def test_nights_wait_for_room_and_the_office_reads_it(crew: User, settings: Any, caplog: Any) -> None:
    client = Client()
    client.force_login(crew)
    assert "nearly full" not in client.get("/").content.decode()
    settings.ROOM_BYTES = 10**18
    trust_clock(now=timezone.now())
    for task in (tasks.start_night, tasks.assess_next, tasks.poll_nights):
        task()
    assert not Night.objects.exists()
    assert caplog.text.count("as good as full") == 3
    assert "nearly full" in client.get("/").content.decode()
    settings.ROOM_BYTES = 0
    tasks.start_night()
    assert Night.objects.count() == 1
