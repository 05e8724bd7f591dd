"""Rows and people that several pages are shown to."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.utils import timezone

from portal.actions.photos import keep_photo
from portal.actions.visits import finish_visit
from portal.models import Meter, Role, User
from tests import factories
from tests.views.cast import Cast, jpeg


@pytest.fixture
def meter() -> Meter:
    return factories.meter()


@pytest.fixture
def office(meter: Meter) -> User:
    return factories.member(meter.site.customer.business, Role.OFFICE)


@pytest.fixture
def people(django_capture_on_commit_callbacks: Any) -> Cast:
    owner_of_roof = factories.user()
    site = factories.site(customer=factories.customer(user=owner_of_roof))
    firm = site.customer.business
    technician = factories.member(firm, Role.TECHNICIAN)
    visit = factories.visit(site=site, technicians=(technician,), starts_at=timezone.now() - timedelta(hours=2))
    photo = keep_photo(
        visit=visit,
        client_id=uuid4(),
        data=jpeg(),
        filename="a.jpg",
        phase="before",
        distance="wide",
        at=timezone.now(),
        by=technician,
        now=timezone.now(),
    )
    finish_visit(visit=visit, now=timezone.now())
    visit.refresh_from_db()
    elsewhere = factories.business()
    return Cast(
        visit,
        photo,
        {
            "owner": factories.member(firm, Role.OWNER),
            "office": factories.member(firm, Role.OFFICE),
            "technician": technician,
            "idle technician": factories.member(firm, Role.TECHNICIAN),
            "homeowner": owner_of_roof,
            "other homeowner": factories.customer(business=firm, user=factories.user()).user,
            "other business": factories.member(elsewhere, Role.OWNER),
            "stranger": None,
        },
    )
