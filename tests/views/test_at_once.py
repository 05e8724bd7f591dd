"""A doubled click, and eight people at the same moment: one row where one is meant, and no answer of 500."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier
from typing import Any
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.utils import timezone

from portal.models import CalendarFeed, Customer, Membership, Role, User, VisitEntry, VisitPhoto
from tests import factories
from tests.views.cast import jpeg

pytestmark = pytest.mark.django_db(transaction=True)

AT_ONCE = 8


def at_once(user: User, path: str, data: Callable[[], dict[str, Any]]) -> list[int]:
    """The same form from eight browsers that press at the same moment."""
    clients = [Client(raise_request_exception=True) for _ in range(AT_ONCE)]
    for client in clients:
        client.force_login(user)
    together = Barrier(AT_ONCE)

    def press(client: Client) -> int:
        try:
            together.wait(30)
            return client.post(path, data(), headers={"Accept": "application/json"}).status_code
        finally:
            connection.close()

    with ThreadPoolExecutor(AT_ONCE) as pool:
        return list(pool.map(press, clients))


@pytest.fixture
def owner() -> User:
    return factories.member(factories.business(slug="ours"), Role.OWNER)


def test_one_customer_an_address(owner: User) -> None:
    entered = {"name": "Ida", "email": "ida@homes.example", "language": "en"}
    assert max(at_once(owner, "/customers/new/", lambda: entered)) < 500
    assert Customer.objects.filter(email="ida@homes.example").count() == 1


def test_one_login_and_one_place_in_the_firm(owner: User) -> None:
    entered = {"name": "Ben", "email": "ben@washers.example", "role": "office"}
    assert max(at_once(owner, "/business/ours/members/", lambda: entered)) < 500
    assert Membership.objects.filter(user__email="ben@washers.example").count() == 1


def test_one_login_for_a_customer(owner: User) -> None:
    customer = factories.customer(business=owner.memberships.get().business)
    assert max(at_once(owner, f"/customers/{customer.pk}/access/", lambda: {"wish": "invite"})) < 500
    assert User.objects.filter(email=customer.email).count() == 1


def test_one_live_calendar_feed(owner: User) -> None:
    assert max(at_once(owner, "/visits/calendar/", lambda: {"do": "new"})) < 500
    assert CalendarFeed.objects.filter(user=owner, revoked_at=None).count() == 1


def test_one_erasing_and_the_rest_find_nothing(owner: User) -> None:
    customer = factories.customer(business=owner.memberships.get().business)
    factories.site(customer=customer)
    assert max(at_once(owner, f"/customers/{customer.pk}/erase/", dict)) < 500
    assert not Customer.objects.filter(pk=customer.pk).exists()


def test_one_entry_one_photo_and_one_finish_of_a_visit(owner: User) -> None:
    site = factories.site(customer=factories.customer(business=owner.memberships.get().business))
    visit = factories.visit(site=site, starts_at=timezone.now() - timedelta(hours=1))
    client_id = str(uuid4())
    entry = {"client_id": client_id, "kind": "step", "item": "rinse"}
    assert max(at_once(owner, f"/visits/{visit.pk}/entries/", lambda: entry)) < 500
    assert VisitEntry.objects.filter(client_id=client_id).count() == 1
    photo = jpeg()

    def taken() -> dict[str, Any]:
        place = {"client_id": client_id, "phase": "before", "distance": "wide"}
        return place | {"photo": SimpleUploadedFile("a.jpg", photo)}

    assert max(at_once(owner, f"/visits/{visit.pk}/photos/", taken)) < 500
    assert VisitPhoto.objects.filter(client_id=client_id).count() == 1
    assert max(at_once(owner, f"/visits/{visit.pk}/finish/", dict)) < 500


def test_one_link_and_one_revocation_of_a_report(owner: User) -> None:
    site = factories.site(customer=factories.customer(business=owner.memberships.get().business))
    now = timezone.now()
    visit = factories.visit(site=site, starts_at=now, state="done", finished_at=now)
    assert max(at_once(owner, f"/visits/{visit.pk}/report/share/", dict)) < 500
    link = visit.report_links.order_by("pk").first()
    assert link
    assert max(at_once(owner, f"/visits/{visit.pk}/report/share/", lambda: {"revoke": str(link.pk)})) < 500


def test_a_file_sent_eight_times_is_one_import(owner: User) -> None:
    meter = factories.meter(site=factories.site(customer=factories.customer(business=owner.memberships.get().business)))

    def sent() -> dict[str, Any]:
        return {"meter": str(meter.pk), "sent": SimpleUploadedFile("june.csv", b"time,kwh\n2026-06-01 10:00,1\n")}

    assert max(at_once(owner, "/imports/new/", sent)) < 500
    assert meter.imports.values("sha256").distinct().count() == 1
