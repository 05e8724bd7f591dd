"""What is in flight: files by a script, photos from phones, mails to homeowners; and what became of each of them."""

from __future__ import annotations

import hashlib
import io
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import partial
from typing import Any
from uuid import UUID, uuid4

from django.db import connections
from django.test import Client
from django.utils import timezone
from PIL import Image

from portal.actions.keeping.strays import find_strays
from portal.actions.tokens import make_token
from portal.models import Import, ImportState, Meter, Reminder, ReminderState, Role, Visit, VisitPhoto
from tests import factories
from tests.actions.exports import csv_text, day_rows
from tests.actions.imports.stored import in_wh, stored
from tests.workers.post_office import PostOffice
from tests.workers.post_rows import make_due

METERS = 20
FIRST = date(2026, 5, 1)
AT_ONCE = 8


def post(url: str, headers: dict[str, str], fields: dict[str, str], name: str, content: bytes) -> int:
    """Send as often as it takes, as a phone or a script does; returns how often that was."""
    limit = uuid4().hex
    parts = [f'--{limit}\r\nContent-Disposition: form-data; name="{k}"\r\n\r\n{v}\r\n' for k, v in fields.items()]
    head = f'--{limit}\r\nContent-Disposition: form-data; name="{name}"; filename="{name}.csv"\r\n\r\n'
    body = "".join(parts).encode() + head.encode() + content + f"\r\n--{limit}--\r\n".encode()
    headers |= {"Content-Type": f"multipart/form-data; boundary={limit}", "Accept": "application/json"}
    for sent in range(1, 1000):
        try:
            with urllib.request.urlopen(urllib.request.Request(url, body, headers), timeout=60) as answer:
                assert answer.status in (200, 202)
                return sent
        except urllib.error.HTTPError as refused:
            if refused.code < 500:
                raise
        except OSError:
            pass
        time.sleep(0.2)
    raise AssertionError("it was never confirmed")


@dataclass
class Flight:
    """One round of files, photos and mails; each is confirmed once the portal has said that it has it."""

    address: str
    office: PostOffice
    files: list[tuple[Meter, str, date]] = field(default_factory=list)
    photos: dict[UUID, bytes] = field(default_factory=dict)
    mails: list[int] = field(default_factory=list)
    resent: int = 0
    confirmed: int = 0
    begun: int = 0
    _counting: threading.Lock = field(default_factory=threading.Lock)
    _gate: threading.Semaphore = field(default_factory=partial(threading.Semaphore, 0))

    def load(self, files: int, photos: int) -> None:
        """Make the rows they are for, and what is to be sent."""
        connections.close_all()  # the database may have been away
        owner = factories.member(factories.business(), Role.OWNER)
        customer = factories.customer(business=owner.memberships.get().business)
        meters = [factories.meter(site=factories.site(customer=customer)) for _ in range(min(files, METERS))]
        keys = [make_token(name="logger", created_by=owner, now=timezone.now(), site=one.site)[1] for one in meters]
        self.files = [
            (meters[number % len(meters)], keys[number % len(meters)], FIRST + timedelta(days=number // len(meters)))
            for number in range(files)
        ]
        technician = factories.member(customer.business, Role.TECHNICIAN)
        self.visit: Visit = factories.visit(site=meters[0].site, technicians=(technician,))
        client = Client()
        client.force_login(technician)
        secret = "a" * 32
        self.cookies = {
            "Cookie": f"sessionid={client.cookies['sessionid'].value}; csrftoken={secret}",
            "X-CSRFToken": secret,
        }
        for _ in range(photos):
            packed = io.BytesIO()
            Image.effect_noise((800, 600), 80).convert("RGB").save(packed, "JPEG")
            self.photos[uuid4()] = packed.getvalue()

    @contextmanager
    def under_way(self) -> Iterator[None]:
        """Files and photos go as they are let, by so many phones and scripts at once; at the end all are confirmed."""
        mixed: list[Any] = [*self.files]
        every = max(1, len(mixed) // max(1, len(self.photos)))
        for number, one in enumerate(self.photos.items()):
            mixed.insert(min(number * (every + 1), len(mixed)), one)
        with ThreadPoolExecutor(AT_ONCE) as senders:
            sent: list[Future[None]] = [senders.submit(self._send, one) for one in mixed]
            try:
                yield
            finally:
                self.let(len(mixed))
            for future in sent:
                future.result()

    def let(self, count: int) -> None:
        """Let so many more go."""
        self._gate.release(count)

    def _send(self, one: Any) -> None:
        self._gate.acquire()
        with self._counting:
            self.begun += 1
        if isinstance(one[0], UUID):
            fields = {"client_id": str(one[0]), "phase": "before", "distance": "wide", "at": timezone.now().isoformat()}
            tries = post(f"{self.address}/visits/{self.visit.pk}/photos/", dict(self.cookies), fields, "photo", one[1])
        else:
            meter, key, day = one
            content = csv_text(day_rows(day)).encode()
            headers = {"Authorization": f"Bearer {key}"}
            tries = post(f"{self.address}/api/meters/{meter.pk}/imports", headers, {}, "file", content)
        with self._counting:
            self.confirmed += 1
            self.resent += tries - 1

    def has_confirmed(self, count: int) -> bool:
        """Whether so many files and photos have been confirmed."""
        return self.confirmed >= count

    def has_begun(self, count: int) -> bool:
        return self.begun >= count

    def mail(self, count: int) -> None:
        """So many reminders are due now, half of a kind that may come twice rather than never."""
        connections.close_all()  # as above
        self.mails += make_due(["due" if number % 2 else "booked" for number in range(count)], timezone.now())

    def waiting(self) -> int:
        """How much a worker has still to do."""
        connections.close_all()  # the database may have been away
        mails = Reminder.objects.filter(pk__in=self.mails, state__in=[ReminderState.DUE, ReminderState.SENDING])
        return Import.objects.filter(state=ImportState.PENDING).count() + mails.count()

    def became(self) -> dict[str, int]:
        """The figures. A mail is told where nobody can know whether it arrived, so that it is not sent again."""
        copies = self.office.copies()
        of = {key: sum(n for mail, n in copies.items() if mail.startswith(f"<reminder-{key}@")) for key in self.mails}
        states = dict(Reminder.objects.filter(pk__in=self.mails).values_list("pk", "state"))
        told = {key for key, state in states.items() if state == ReminderState.FAILED}
        kept: dict[UUID, list[str]] = {}
        for photo in VisitPhoto.objects.filter(visit=self.visit):
            with photo.original.open() as file:
                kept.setdefault(photo.client_id, []).append(hashlib.sha256(file.read()).hexdigest())
        days: dict[Meter, list[date]] = {}
        for meter, _, day in self.files:
            days.setdefault(meter, []).append(day)
        right = {
            meter: in_wh([row for day in sorted(of_meter) for row in day_rows(day)]) for meter, of_meter in days.items()
        }
        imports = Import.objects.filter(meter__in=days)
        read = {(one.meter_id, one.first_day) for one in imports.filter(state=ImportState.DONE)}
        strays = find_strays(now=timezone.now() + timedelta(hours=2))
        return {
            "sent again": self.resent,
            "files lost": sum((meter.pk, day) not in read for meter, _, day in self.files),
            "readings lost, doubled or wrong": sum(
                len(should.items() ^ stored(meter).items()) for meter, should in right.items()
            ),
            "files not done": imports.exclude(state=ImportState.DONE).count(),
            "photos lost": sum(
                hashlib.sha256(data).hexdigest() not in kept.get(key, []) for key, data in self.photos.items()
            ),
            "photos doubled": sum(len(hashes) - 1 for hashes in kept.values()),
            "rows without their file": len(strays.without_file),
            "mails lost": sum(not of[key] and key not in told for key in self.mails),
            "mails doubled": sum(number > 1 for number in of.values()),
            "mails told as unsure": len(told),
            "left sending": sum(state in (ReminderState.DUE, ReminderState.SENDING) for state in states.values()),
        }
