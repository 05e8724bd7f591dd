"""A finished visit, and everybody who might knock."""

from __future__ import annotations

import io
from dataclasses import dataclass

from django.test import Client
from PIL import Image

from portal.models import User, Visit, VisitPhoto


def jpeg() -> bytes:
    packed = io.BytesIO()
    Image.new("RGB", (320, 240), (30, 60, 120)).save(packed, "JPEG")
    return packed.getvalue()


@dataclass
class Cast:
    """A finished visit with a photo, and everybody who might knock."""

    visit: Visit
    photo: VisitPhoto
    people: dict[str, User | None]

    def client(self, who: str) -> Client:
        client = Client()
        person = self.people[who]
        if person is not None:
            client.force_login(person)
        return client


ALL = ("owner", "office", "technician", "idle technician", "homeowner", "other homeowner", "other business", "stranger")
OFFICE = {"owner", "office"}
CREW = OFFICE | {"technician"}
OF_THE_VISIT = CREW | {"homeowner"}
