"""A visit that is past says no more how one gets in."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from portal.models import Role
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(("days_ago", "told"), [(-1, True), (6, True), (8, False)])
def test_gates_keys_and_dogs_are_told_until_a_week_after_the_visit(client: Client, days_ago: int, told: bool) -> None:
    customer = factories.customer(notes="Dog in the yard.")
    site = factories.site(customer=customer, access_notes="Gate code 4711", notes="Key under the pot")
    technician = factories.member(site.customer.business, Role.TECHNICIAN)
    starts_at = timezone.now() - timedelta(days=days_ago)
    visit = factories.visit(site=site, technicians=(technician,), starts_at=starts_at)
    client.force_login(technician)
    pages = [
        client.get(f"/visits/{visit.pk}/").content.decode(),
        client.get(f"/visits/{visit.pk}/record/").content.decode(),
    ]
    for secret in ("Gate code 4711", "Dog in the yard.", "Key under the pot"):
        assert any(secret in page for page in pages) == told, secret
    assert ("told until seven days after the visit" in pages[0]) != told
