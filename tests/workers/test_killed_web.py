"""Phones and scripts that send while web and worker processes are killed: what was confirmed is kept, and once.

Real gunicorn, real workers, SIGKILL. ``pytest -m benchmark tests/workers/test_killed_web.py -s`` prints the figures.
"""

from __future__ import annotations

import hashlib
import io
import os
import random
import signal
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.test import Client
from django.utils import timezone
from PIL import Image

from deploy.processes import Child, Program, Supervisor, free_port
from portal.actions.imports.waiting import poll_imports
from portal.actions.keeping.strays import find_strays
from portal.actions.tokens import make_token
from portal.models import DayReadings, Import, ImportState, Role, VisitPhoto
from tests import factories
from tests.actions.exports import csv_text, days_rows

pytestmark = [pytest.mark.benchmark, pytest.mark.django_db(transaction=True)]

StartWorker = Callable[..., Child]
PHOTOS, FILES, METERS = 50, 200, 20
ROOT = Path(__file__).resolve().parents[2]


def children(of: Child) -> list[int]:
    pid = of.process.pid
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


class Killer:
    """Kills one process of each server after another, at random moments, until it is stopped."""

    def __init__(self, servers: list[Child]) -> None:
        self.servers, self.kills, self.over = servers, 0, threading.Event()
        self.dice = random.Random(7)
        self.thread = threading.Thread(target=self._kill)

    def __enter__(self) -> Killer:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.over.set()
        self.thread.join()

    def _kill(self) -> None:
        while not self.over.wait(self.dice.uniform(0.4, 1.6)):
            for server in self.servers:
                if alive := children(server):
                    os.kill(self.dice.choice(alive), signal.SIGKILL)
                    self.kills += 1


@pytest.fixture
def web(supervisor: Supervisor, queue: str, process_env: dict[str, str]) -> Iterator[tuple[Child, str]]:
    port = free_port()
    argv = [sys.executable, "-m", "gunicorn", "--config", "deploy/gunicorn_conf.py", "--bind", f"127.0.0.1:{port}"]
    env = process_env | {"PORTAL_REDIS_URL": queue, "PORTAL_BASE_URL": f"http://localhost:{port}"}
    server = supervisor.start(Program(f"web-{port}", argv, env, stop_seconds=15))
    supervisor.wait_until(lambda: "Listening at" in server.log.read_text(), server, 120)
    yield server, f"http://127.0.0.1:{port}"
    supervisor.stop(server)


def post(url: str, headers: dict[str, str], fields: dict[str, str], name: str, content: bytes) -> int:
    """Send as often as it takes; returns how often it was sent before it was confirmed."""
    limit = uuid4().hex
    parts = [f'--{limit}\r\nContent-Disposition: form-data; name="{k}"\r\n\r\n{v}\r\n' for k, v in fields.items()]
    head = f'--{limit}\r\nContent-Disposition: form-data; name="{name}"; filename="{name}.csv"\r\n\r\n'
    body = "".join(parts).encode() + head.encode() + content + f"\r\n--{limit}--\r\n".encode()
    headers |= {"Content-Type": f"multipart/form-data; boundary={limit}", "Accept": "application/json"}
    for sent in range(1, 100):
        try:
            with urllib.request.urlopen(urllib.request.Request(url, body, headers), timeout=60) as answer:
                assert answer.status in (200, 202)
                return sent
        except urllib.error.HTTPError as refused:
            if refused.code < 500:
                raise
        except OSError:
            pass
        time.sleep(0.3)
    raise AssertionError("it was never confirmed")


def test_fifty_photos_in_flight(web: tuple[Child, str]) -> None:
    server, address = web
    business = factories.business()
    technician = factories.member(business, Role.TECHNICIAN)
    site = factories.site(customer=factories.customer(business=business))
    visit = factories.visit(site=site, technicians=(technician,))
    client = Client()
    client.force_login(technician)
    secret = "a" * 32
    headers = {"Cookie": f"sessionid={client.cookies['sessionid'].value}; csrftoken={secret}", "X-CSRFToken": secret}
    photos = {}
    for _ in range(PHOTOS):
        packed = io.BytesIO()
        Image.effect_noise((1200, 900), 80).convert("RGB").save(packed, "JPEG")
        photos[uuid4()] = packed.getvalue()

    def send(one: tuple[Any, bytes]) -> int:
        fields = {"client_id": str(one[0]), "phase": "before", "distance": "wide", "at": timezone.now().isoformat()}
        return post(f"{address}/visits/{visit.pk}/photos/", dict(headers), fields, "photo", one[1])

    with Killer([server]) as killer, ThreadPoolExecutor(8) as phones:
        tries = list(phones.map(send, photos.items()))
    kept: dict[Any, str] = {}
    for photo in VisitPhoto.objects.all():
        with photo.original.open() as file:
            kept[photo.client_id] = hashlib.sha256(file.read()).hexdigest()
    lost = [key for key, data in photos.items() if kept.get(key) != hashlib.sha256(data).hexdigest()]
    doubled = VisitPhoto.objects.count() - len(kept)
    strays = find_strays(now=timezone.now() + timedelta(hours=2))
    print(
        f"\nphotos: sent {PHOTOS}, {killer.kills} web processes killed, {sum(tries) - PHOTOS} sent again, "
        f"lost {len(lost)}, doubled {doubled}, files without a row {len(strays.without_row)}, "
        f"rows without a file {len(strays.without_file)}"
    )
    assert killer.kills >= 3
    assert (len(kept), lost, doubled, strays.without_file) == (PHOTOS, [], 0, [])


def test_two_hundred_files_in_flight(web: tuple[Child, str], celery_worker_process: StartWorker) -> None:
    server, address = web
    worker = celery_worker_process()
    office = factories.member(factories.business(), Role.OWNER)
    customer = factories.customer(business=office.memberships.get().business)
    meters = [factories.meter(site=factories.site(customer=customer)) for _ in range(METERS)]
    secrets = [make_token(name="logger", created_by=office, now=timezone.now(), site=one.site)[1] for one in meters]
    sent = [(number % METERS, date(2026, 5, 1) + timedelta(days=number // METERS)) for number in range(FILES)]

    def send(one: tuple[int, date]) -> int:
        content = csv_text(days_rows(one[1], 1)).encode()
        headers = {"Authorization": f"Bearer {secrets[one[0]]}"}
        return post(f"{address}/api/meters/{meters[one[0]].pk}/imports", headers, {}, "file", content)

    with Killer([server, worker]) as killer, ThreadPoolExecutor(8) as scripts:
        tries = list(scripts.map(send, sent))
        time.sleep(3)
    deadline = time.monotonic() + 240
    while Import.objects.filter(state=ImportState.PENDING).exists() and time.monotonic() < deadline:
        poll_imports(now=timezone.now() + timedelta(minutes=10))  # as beat does, once the dead have been given up
        time.sleep(2)
    read = {(one.meter_id, one.first_day) for one in Import.objects.filter(state=ImportState.DONE)}
    days = DayReadings.objects.count()
    twice = Import.objects.count() - FILES
    states = dict.fromkeys(Import.objects.values_list("state", flat=True), 0)
    print(
        f"\nfiles: sent {FILES}, {killer.kills} web and worker processes killed, {sum(tries) - FILES} sent again, "
        f"{twice} of them kept twice, read {len(read)}, lost {FILES - len(read)}, days {days} of {FILES}, "
        f"states {list(states)}"
    )
    assert killer.kills >= 3
    assert (len(read), days, list(states)) == (FILES, FILES, [ImportState.DONE])
