"""Files sent by page, and the worker's work on them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from typing import Any

import numpy as np
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.imports.drawing import draw_import
from portal.actions.imports.waiting import work_on_import
from portal.models import DayReadings, Drawing, Import, Meter, User, unpack
from tests.actions.exports import days_rows
from tests.factories import NOW

FIRST = date(2026, 5, 4)


def as_user(user: User) -> Client:
    client = Client()
    client.force_login(user)
    return client


def upload(client: Client, meter: Meter, *files: tuple[str, bytes], **how: Any) -> Any:
    sent = [SimpleUploadedFile(name, content) for name, content in files]
    return client.post(reverse("import_upload"), {"meter": meter.pk, "sent": sent}, **how)


def work(import_: Import) -> Import:
    work_on_import(import_id=import_.pk, now=NOW)
    import_.refresh_from_db()
    return import_


def draw() -> None:
    """The worker draws what is asked for."""
    for key in Drawing.objects.filter(drawn_at=None).values_list("pk", flat=True):
        draw_import(drawing_id=key, now=timezone.now())


def ambiguous() -> bytes:
    lines = ["Date;Energy kWh"]
    for day in range(1, 9):
        for hour in range(24):
            energy = max(0.0, 3 - abs(hour + 0.5 - 12) / 2)
            lines.append(f"{day:02d}/{5 + day % 4:02d}/2025 {hour:02d}:00;{energy:.2f}")
    return "\n".join(lines).encode()


def lines(head: str, line: Callable[[datetime, float], str], first: date = FIRST, days: int = 3) -> bytes:
    rows = ((moment, energy or 0.0) for moment, energy in days_rows(first, days))
    return "\n".join([head, *(line(moment, energy) for moment, energy in rows)]).encode()


def kwh_of(meter: Meter) -> float:
    return sum(float(np.nansum(unpack(row.packed))) for row in DayReadings.objects.filter(meter=meter)) / 1000


ALL_KWH = sum(energy or 0.0 for _, energy in days_rows(FIRST, 3))


def filled(form: Any) -> dict[str, Any]:
    """What a browser sends of a form nobody has touched."""
    return {name: field.initial for name, field in form.fields.items() if field.initial}
