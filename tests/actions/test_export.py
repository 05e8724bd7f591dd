"""What is kept of a customer, taken along: all of it, and nothing that opens anything."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from portal.actions.calls import keep_call
from portal.actions.erase import erase_customer
from portal.actions.export import export_customer
from portal.actions.proof import share_report
from portal.actions.tokens import make_token
from portal.models import AuditEntry, CallOutcome, Deed, LeadEvent, ReportLink
from tests import factories
from tests.actions.test_erase import lived_in, rows
from tests.factories import NOW


@pytest.fixture(autouse=True)
def own_folders(settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    settings.INBOX = tmp_path / "inbox"


@pytest.mark.django_db(transaction=True)
def test_the_archive_holds_just_what_erasing_erases() -> None:
    owner = factories.member(factories.business())
    customer = factories.customer(business=owner.memberships.get().business, name="Ida Novak")
    site = lived_in(customer)
    share_report(visit=site.visits.get(), now=NOW)
    secret = make_token(name="logger", created_by=owner, now=NOW, site=site)[1]
    packed = io.BytesIO()
    export_customer(customer=customer, to=packed, by=owner, now=NOW)
    with zipfile.ZipFile(packed) as archive:
        assert archive.testzip() is None
        told = json.loads(archive.read("data.json"))
        names = set(archive.namelist())
        page = archive.read("read-me.html").decode()
    before = rows()
    erase_customer(customer=customer, by=owner, now=NOW)
    # what is to be told to the utility stays until it is
    gone = {name: count - rows()[name] for name, count in before.items()} | {"AuditEntry": 0, "UtilityFarewell": 0}
    # readings come as tables; an invoice that was sent stays with the firm, and is told of too
    # and what the firm writes down to sell a wash is not told of
    apart = ("DayReadings", "Invoice", "InvoiceLine", "InvoiceTax", "Call", "LeadNote")
    assert {name: len(listed) for name, listed in told.items() if name not in apart} == {
        name: count for name, count in gone.items() if count and name not in apart
    }
    assert [row["state"] for row in told["Invoice"]] == ["issued"]
    assert len(told["InvoiceLine"]) == before["InvoiceLine"] - gone["InvoiceLine"]
    assert {"Customer", "Site", "Meter", "Import", "Visit", "VisitPhoto", "ReportLink", "Token"} <= set(told)
    assert {"UtilityConnection", "UtilityBatch"} <= set(told)
    for listed in told.values():
        for row in listed:
            assert not {"hashed", "token", "hint", "secret"} & set(row)
    assert secret not in str(told)
    kept = {name for row in told["VisitPhoto"] for name in (row["original"], row["shown"], row["small"])}
    kept |= {row["original"] for row in told["Import"]}
    assert {f"files/{name}" for name in kept} <= names
    assert "Ida Novak" in page
    assert not ReportLink.objects.exists()


@pytest.mark.django_db
def test_what_the_customer_asked_is_theirs_and_how_the_firm_means_to_sell_is_not() -> None:
    lead = factories.lead()
    customer = lead.site.customer
    owner = factories.member(customer.business)
    keep_call(
        lead=lead,
        outcome=CallOutcome.QUOTED,
        said="Give her ten percent off if she hesitates",
        by=owner,
        now=NOW,
    )
    LeadEvent.objects.create(lead=lead, kind="call", at=NOW, text="Please ring after six", by=None)
    packed = io.BytesIO()
    export_customer(customer=customer, to=packed, by=owner, now=NOW)
    with zipfile.ZipFile(packed) as archive:
        everything = b"".join(archive.read(name) for name in archive.namelist()).decode(errors="replace")
        (told,) = json.loads(archive.read("data.json"))["Lead"]
    assert "ten percent" not in everything
    assert "ring after six" in everything
    assert "the firm's own notes" in everything.replace("&#x27;", "'"), "and the archive says so"
    assert set(told) == {"id", "site_id", "kind", "opened_at", "closed_at", "by_customer", "booked_at"}


@pytest.mark.django_db
def test_readings_come_as_they_were_brought_and_gaps_as_gaps() -> None:
    meter = factories.meter()
    factories.day_readings(meter, date(2026, 6, 1), np.array([0.0, 120.5, np.nan] + [1.0] * 21))
    packed = io.BytesIO()
    owner = factories.member(meter.site.customer.business)
    export_customer(customer=meter.site.customer, to=packed, by=owner, now=NOW)
    with zipfile.ZipFile(packed) as archive:
        lines = list(csv.DictReader(io.StringIO(archive.read(f"readings/meter-{meter.pk}.csv").decode())))
    read = [(line["interval"], float(line["energy_wh"])) for line in lines]
    assert read[:3] == [("0", 0.0), ("1", 120.5), ("3", 1.0)]
    assert len(lines) == 23
    entry = AuditEntry.objects.get(deed=Deed.EXPORTED)
    assert (entry.by, entry.about) == (owner, f"customer {meter.site.customer.pk}")
