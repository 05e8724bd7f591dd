"""A roof's life on its page: what each reader may see of it."""

from __future__ import annotations

from datetime import UTC, date, datetime
from html import unescape
from uuid import uuid4

import pytest
from django.test import Client

from portal.models import EntryKind, Role, VisitEntry
from tests import factories

pytestmark = pytest.mark.django_db


def test_the_office_sees_leads_in_a_roofs_life_and_its_owner_does_not(client: Client) -> None:
    firm, homeowner = factories.business(), factories.user()
    site = factories.site(customer=factories.customer(business=firm, user=homeowner), installed_on=date(2024, 5, 1))
    factories.assessment(
        site=site, recoveries=[{"date": "2025-11-03", "gain": 0.04, "low": 0.02, "high": 0.06}], cleanings=[]
    )
    at = datetime(2026, 4, 20, 18, tzinfo=UTC)
    visit = factories.washed(site, at, gain=0.06, low=0.04, high=0.08).visit
    VisitEntry.objects.create(
        visit=visit, client_id=uuid4(), kind=EntryKind.INSPECTION, item="frame", answer="urgent", at=at
    )
    factories.lead(site=site)
    pages = {}
    for who, person in (("office", factories.member(firm, Role.OFFICE)), ("owner", homeowner)):
        client.force_login(person)
        page = " ".join(unescape(client.get(f"/sites/{site.pk}/").content.decode()).split())
        pages[who] = page[page.index('id="life"') :]
    for page in pages.values():
        assert '<th scope="row">3 November 2025</th><td>Came clean by itself</td>' in page
        assert "Gain 4 % (2 to 6 %)" in page
        assert "Gain 6 % (4 to 8 %)" in page
        assert "Frame and clamps: urgent" in page
        assert '<th scope="row">1 May 2024</th>' in page
    assert "Cleaning, to call" in pages["office"]
    assert "to call" not in pages["owner"]
