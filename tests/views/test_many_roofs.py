"""Pages that would grow with a firm's roofs are searched and turned, and cost no more queries for many than for few."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from portal.models import Lead, Plane, Role, Site, Visit
from portal.views.asked import A_PAGE
from portal.views.leads import TRIPS_A_PAGE
from portal.views.visit_days import DAYS_A_PAGE
from tests import factories

pytestmark = pytest.mark.django_db


def roofs(count: int) -> list[Site]:
    customer = factories.customer(name="Ada Many")
    sites = Site.objects.bulk_create(
        Site(
            customer=customer,
            name=f"Roof {number:03d}",
            address=f"{number} Long Lane",
            latitude=30 + number / 4,
            longitude=-105.0,
            tz="America/Denver",
            ac_kw=5.0,
        )
        for number in range(count)
    )
    Plane.objects.bulk_create(Plane(site=site, tilt=30, azimuth=180, dc_kw=6, module_count=15) for site in sites)
    return sites


def test_the_roof_to_book_for_is_searched_and_turned_to(client: Any, django_assert_max_num_queries: Any) -> None:
    sites = roofs(A_PAGE + 5)
    client.force_login(factories.member(sites[0].customer.business, Role.OFFICE))
    with django_assert_max_num_queries(16):
        first = client.get("/visits/book/").content.decode()
    assert first.count("Long Lane") == A_PAGE
    assert "Page 1 of 2" in first
    assert client.get("/visits/book/?page=2").content.decode().count("Long Lane") == 5
    found = client.get("/visits/book/?q=many+17+lane").content.decode()
    assert found.count("Long Lane") == 1
    assert f"?site={sites[17].pk}" in found
    assert "No roof is found" in client.get("/visits/book/?q=nowhere").content.decode()
    stranger = factories.member(factories.business(), Role.OFFICE)
    client.force_login(stranger)
    assert "Long Lane" not in client.get("/visits/book/?q=lane").content.decode()


def test_coming_visits_are_turned_by_days_for_office_and_technician(
    client: Any, django_assert_max_num_queries: Any
) -> None:
    sites = roofs(DAYS_A_PAGE + 3)
    crew = factories.member(sites[0].customer.business, Role.TECHNICIAN)
    noon = timezone.now().replace(hour=18, minute=0) + timedelta(days=1)
    for number, site in enumerate(sites):
        factories.visit(site=site, starts_at=noon + timedelta(days=number), technicians=(crew,))
    for person in (factories.member(sites[0].customer.business, Role.OFFICE), crew):
        client.force_login(person)
        with django_assert_max_num_queries(40):
            first = client.get("/visits/").content.decode()
        assert first.count("data-visit=") == DAYS_A_PAGE
        second = client.get("/visits/?order=route&page=2").content.decode()
        assert second.count("data-visit=") == 3
        assert "order=route&amp;page=1" in second
    assert Visit.objects.count() == DAYS_A_PAGE + 3


def test_trips_of_near_leads_are_turned(client: Any, django_assert_max_num_queries: Any) -> None:
    sites = roofs(TRIPS_A_PAGE + 2)  # each more than a trip from the others
    Lead.objects.bulk_create(Lead(site=site, opened_at=timezone.now()) for site in sites)
    client.force_login(factories.member(sites[0].customer.business, Role.OFFICE))
    with django_assert_max_num_queries(30):
        first = client.get("/leads/?near=on").content.decode()
    assert first.count("One roof") == TRIPS_A_PAGE
    assert client.get("/leads/?near=on&page=2").content.decode().count("One roof") == 2
