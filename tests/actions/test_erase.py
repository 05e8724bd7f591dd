"""Whoever wants their data gone gets it: every row and every file, and nobody else's."""

from __future__ import annotations

import io
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.apps import apps
from django.conf import settings
from PIL import Image

from portal.actions.asks import ask
from portal.actions.erase import erase_customer, erase_site
from portal.actions.green_button.farewell import say_farewell
from portal.actions.green_button.utility import seal
from portal.actions.imports.waiting import work_on_import
from portal.actions.invoices.draft import draft_invoice, write_again
from portal.actions.invoices.issue import issue_invoice
from portal.actions.people import NotPossible, give_access
from portal.actions.photos import keep_photo
from portal.models import (
    AuditEntry,
    Customer,
    Deed,
    Distance,
    EventKind,
    Import,
    Invoice,
    InvoiceState,
    Phase,
    Role,
    Site,
    User,
    UtilityConnection,
    UtilityFarewell,
    UtilityState,
    Visit,
    VisitState,
)
from tests import factories
from tests.actions.exports import csv_text, days_rows, send, take_in
from tests.factories import NOW


def files() -> set[Path]:
    return {path for path in Path(settings.MEDIA_ROOT).rglob("*") if path.is_file()}


def rows() -> dict[str, int]:
    return {model.__name__: model._default_manager.count() for model in apps.get_app_config("portal").get_models()}


def lived_in(customer: Customer) -> Site:
    """A roof with something of everything."""
    site = factories.site(customer=customer)
    meter = factories.meter(site=site)
    take_in(meter, csv_text(days_rows(date(2026, 5, 4), 2)))
    utility = UtilityConnection.objects.create(
        site=site,
        state=UtilityState.ACTIVE,
        asked_at=NOW,
        secret=seal({"access_token": "x"}),
        subscription="https://u/1",
    )
    utility.batches.create(address=utility.subscription, due_at=NOW, wanted_at=NOW)
    factories.assessment(site=site)
    lead = factories.lead(site=site)
    ask(site=site, kind=EventKind.CALL, by=customer.user or factories.user(), now=NOW)
    done = factories.visit(site=site, lead=lead, state=VisitState.DONE, starts_at=NOW, finished_at=NOW)
    draft = draft_invoice(visit=done, now=NOW)
    assert draft is not None
    issue_invoice(invoice=draft, by=None, now=NOW)
    write_again(invoice=draft, now=NOW)
    picture = io.BytesIO()
    Image.new("RGB", (640, 480), "grey").save(picture, "JPEG")
    keep_photo(
        visit=done,
        client_id=uuid4(),
        data=picture.getvalue(),
        filename="before.jpg",
        phase=Phase.BEFORE,
        distance=Distance.WIDE,
        at=NOW,
        by=factories.member(customer.business, Role.TECHNICIAN),
        now=NOW,
    )
    inbox = Path(settings.INBOX) / str(meter.pk) / "done"
    inbox.mkdir(parents=True)
    (inbox / "may.csv").write_text("kept")
    return site


@pytest.fixture(autouse=True)
def own_folders(settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    settings.INBOX = tmp_path / "inbox"


@pytest.mark.django_db(transaction=True)
def test_an_erased_customer_leaves_no_row_and_no_file_and_the_neighbour_keeps_everything() -> None:
    business = factories.business()
    neighbour = factories.customer(business=business)
    lived_in(neighbour)
    factories.member(business, Role.TECHNICIAN)
    kept_rows, kept_files = rows(), files()
    customer = factories.customer(business=business)
    give_access(customer=customer)
    lived_in(customer)
    assert len(files()) == 2 * len(kept_files) >= 8
    erase_customer(customer=customer, by=None, now=NOW)
    say_farewell(farewell_id=UtilityFarewell.objects.get().pk, now=NOW)  # a worker does at once
    left = rows()
    # the technician who took the photo works on, and what was issued belongs to the firm's books
    stays = ("User", "Membership", "Invoice", "InvoiceLine", "InvoiceTax")
    assert left | {name: left[name] - 1 for name in stays} | {"AuditEntry": kept_rows["AuditEntry"]} == kept_rows
    assert AuditEntry.objects.filter(deed=Deed.ERASED).count() == 1
    assert Invoice.objects.get(customer=None).state == InvoiceState.ISSUED
    assert files() == kept_files
    assert not User.objects.filter(email=customer.email).exists()
    assert [path.name for path in Path(settings.INBOX).iterdir()] == [str(neighbour.sites.get().meters.get().pk)]


@pytest.mark.django_db
@pytest.mark.parametrize("other", ["another firm's customer", "works somewhere"])
def test_a_login_that_opens_something_else_stays(other: str) -> None:
    customer = factories.customer()
    user = give_access(customer=customer)
    if other == "works somewhere":
        business = factories.business()
        business.memberships.create(user=user, role=Role.TECHNICIAN)
    else:
        factories.customer(user=user)
    erase_customer(customer=customer, by=None, now=NOW)
    assert User.objects.filter(pk=user.pk).exists()
    assert not Customer.objects.filter(pk=customer.pk).exists()


@pytest.mark.django_db
def test_nothing_is_erased_while_somebody_would_drive_there() -> None:
    visit = factories.visit(starts_at=NOW + timedelta(days=1))
    with pytest.raises(NotPossible, match="Call it off first"):
        erase_site(site=visit.site, by=None, now=NOW)
    with pytest.raises(NotPossible, match="Call it off first"):
        erase_customer(customer=visit.site.customer, by=None, now=NOW)
    visit.state = VisitState.CANCELLED
    visit.save()
    erase_site(site=visit.site, by=None, now=NOW)
    assert not Visit.objects.exists()
    assert Customer.objects.exists()


@pytest.mark.django_db
def test_a_file_that_waits_for_the_worker_when_its_roof_is_erased_stops_nothing() -> None:
    meter = factories.meter()
    waiting = send(meter, csv_text(days_rows(date(2026, 5, 4), 1)))
    erase_site(site=meter.site, by=None, now=NOW)
    work_on_import(import_id=waiting.pk, now=NOW)
    assert not Import.objects.exists()
