"""What is kept of a customer, for themselves: what erasing them would erase, for people and for programs.

Left out is how the firm means to sell: drafts of invoices, notes and outcomes of its calls, where a lead stands. What
the customer asked for, and all that is kept of their house, is theirs. Whoever wants to read what notes say of them
asks the firm (GDPR, article 15), which looks them through first: a note may tell of others too.
"""

from __future__ import annotations

import csv
import io
import json
import zipfile
from collections.abc import Iterator
from datetime import datetime
from typing import IO, Any

from django.contrib.admin.utils import NestedObjects
from django.core.files.storage import default_storage
from django.core.serializers.json import DjangoJSONEncoder
from django.db import DEFAULT_DB_ALIAS, models
from django.template.loader import render_to_string

from portal.actions.trail import note
from portal.models import (
    Call,
    Customer,
    DayReadings,
    Deed,
    Lead,
    LeadNote,
    Meter,
    Site,
    SiteAssessment,
    User,
    unpack,
)

SECRET = ("hashed", "token", "hint")
"""Fields that open something; they are no personal data, and a file is passed on sooner than a login."""


NOT_THEIRS: tuple[type[models.Model], ...] = (Call, LeadNote)
OF_THE_SALE: dict[type[models.Model], tuple[str, ...]] = {
    Lead: (
        "stage",
        "assigned_to",
        "next_action_on",
        "snoozed_until",
        "closed_because",
        "contacted_at",
        "fading_since",
        "quoted_before",
    )
}
"""Fields that tell what the firm is about, not what is so."""
OF_OTHERS: dict[type[models.Model], tuple[str, ...]] = {Site: ("cell",), SiteAssessment: ("neighbours",)}
"""Fields that tell of roofs nearby, which may be another firm's: a key of one, and how many there are."""


def export_customer(*, customer: Customer, to: IO[bytes], by: User, now: datetime) -> None:
    """Write an archive: a page to read, the rows as JSON, each meter's readings as CSV, and the files."""
    rows = _rows(customer)
    note(deed=Deed.EXPORTED, about=f"customer {customer.pk}", business=customer.business, by=by, now=now)
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as archive:
        tables = {name: [_told(row) for row in listed] for name, listed in sorted(rows.items())}
        archive.writestr("data.json", json.dumps(tables, cls=DjangoJSONEncoder, ensure_ascii=False, indent=1))
        shown = {"customer": customer, "rows": rows, "now": now}
        archive.writestr("read-me.html", render_to_string("customer/data.html", shown))
        for meter in rows.get("Meter", []):
            archive.writestr(f"readings/meter-{meter.pk}.csv", _readings(meter))
        for listed in rows.values():
            for row in listed:
                for name in _files(row):
                    with (
                        default_storage.open(name) as file,
                        archive.open(f"files/{name}", "w", force_zip64=True) as into,
                    ):
                        while part := file.read(1 << 20):
                            into.write(part)


def _rows(customer: Customer) -> dict[str, list[Any]]:
    """Every row that would go with the customer, by table; days of readings come as CSV instead."""
    gone = NestedObjects(using=DEFAULT_DB_ALIAS)
    gone.collect([customer])
    gone.collect(customer.invoices.issued())  # they outlive an erasure, and tell of the customer all the same
    return {
        model.__name__: sorted(rows, key=lambda row: row.pk)
        for model, rows in gone.data.items()
        if model is not DayReadings and model not in NOT_THEIRS
    }


def _told(row: models.Model) -> dict[str, Any]:
    fields = (field for field in row._meta.concrete_fields if not isinstance(field, models.BinaryField))
    left_out = SECRET + OF_THE_SALE.get(type(row), ()) + OF_OTHERS.get(type(row), ())
    return {field.attname: _plain(field, row) for field in fields if field.name not in left_out}


def _plain(field: models.Field[Any, Any], row: models.Model) -> Any:
    value = field.value_from_object(row)
    return str(value) if isinstance(field, models.FileField) else value


def _files(row: models.Model) -> Iterator[str]:
    for field in row._meta.concrete_fields:
        name = str(field.value_from_object(row)) if isinstance(field, models.FileField) else ""
        if name and default_storage.exists(name):
            yield name


def _readings(meter: Meter) -> str:
    """One line an interval; an interval without a reading has no line."""
    out = io.StringIO()
    write = csv.writer(out)
    write.writerow(["day", "interval", "minutes", "energy_wh"])
    for day in meter.days.order_by("day").iterator():
        for interval, energy in enumerate(unpack(day.packed)):
            if energy == energy:
                write.writerow([day.day, interval, day.interval_minutes, round(float(energy), 1)])
    return out.getvalue()
