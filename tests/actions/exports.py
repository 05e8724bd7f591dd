"""Files as customers send them, made of figures the test knows."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.core.files.base import ContentFile

from portal.actions.imports.reading import read_import
from portal.actions.imports.receive import receive_file
from portal.models import Import, Meter
from tests.factories import NOW

TZ = "America/Denver"
Rows = list[tuple[datetime, float | None]]


def day_rows(day: date, *, minutes: int = 60, scale: float = 1.0, tz: str = TZ) -> Rows:
    """One local day of plausible production [kWh], nothing at night, rounded as a meter does."""
    zone = ZoneInfo(tz)
    begin = datetime(day.year, day.month, day.day, tzinfo=zone)
    after = datetime.combine(day + timedelta(days=1), datetime.min.time(), zone)
    moment = begin.astimezone(ZoneInfo("UTC"))
    rows: Rows = []
    while moment < after.astimezone(ZoneInfo("UTC")):
        local = moment.astimezone(zone)
        hour = local.hour + local.minute / 60 + minutes / 120
        height = max(0.0, math.sin((hour - 6) / 12 * math.pi)) if 6 <= hour <= 18 else 0.0
        # every day a little different, so that days cannot be mixed up unseen
        energy = round(height * scale * (4 + day.toordinal() % 7 / 10) * minutes / 60, 3)
        rows.append((moment.astimezone(zone), energy))
        moment += timedelta(minutes=minutes)
    return rows


def days_rows(first: date, count: int, **how: float | str | int) -> Rows:
    return [row for number in range(count) for row in day_rows(first + timedelta(days=number), **how)]  # type: ignore[arg-type]


def csv_text(rows: Iterable[tuple[datetime, float | None]]) -> str:
    """Stamps with their offset, energies in kWh, nothing left to guess."""
    out = io.StringIO()
    out.write("timestamp,energy_kwh\n")
    for moment, energy in rows:
        out.write(f"{moment.isoformat()},{'' if energy is None else energy}\n")
    return out.getvalue()


def send(meter: Meter, text: str | bytes, *, filename: str = "readings.csv", now: datetime = NOW) -> Import:
    content = text.encode() if isinstance(text, str) else text
    return receive_file(meter=meter, filename=filename, file=ContentFile(content), uploaded_by=None, now=now)


def take_in(meter: Meter, text: str | bytes, *, filename: str = "readings.csv", now: datetime = NOW) -> Import:
    """Send and read, and return the ledger as stored."""
    import_ = send(meter, text, filename=filename, now=now)
    read_import(import_id=import_.pk, now=now)
    return Import.objects.get(pk=import_.pk)
