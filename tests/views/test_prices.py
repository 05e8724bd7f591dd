"""Who reads what a visit costs."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.models import Business, Role, Site, User, VisitState
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture
def shown() -> dict[str, Any]:
    """A finished visit with an invoice and a draft, and who has to do with it."""
    home = factories.user()
    site = factories.site(customer=factories.customer(user=home))
    business = site.customer.business
    crew, office = (factories.member(business, role) for role in (Role.TECHNICIAN, Role.OFFICE))
    today = timezone.now().date()
    factories.assessment(site=site, as_of=today, clean_due=today)
    done = factories.visit(site=site, technicians=(crew,), starts_at=NOW, state=VisitState.DONE, finished_at=NOW)
    keys = factories.invoiced(done, by=office)
    return keys | {"crew": crew, "office": office, "home": home, "visit": done.pk, "site": site.pk, "firm": business.pk}


def page(person: User, name: str, key: int) -> tuple[int, bytes]:
    client = Client()
    client.force_login(person)
    answer = client.get(reverse(name, args=[key]))
    return answer.status_code, answer.content


def test_a_technician_sees_no_draft_and_no_price_where_the_firm_hides_them(shown: dict[str, Any]) -> None:
    crew = shown["crew"]
    assert page(crew, "invoice", shown["draft"])[0] == 404
    assert b"$150.00" in page(crew, "invoice", shown["invoice"])[1]
    assert b"$150.00" in page(crew, "visit_sheet", shown["visit"])[1]
    assert b'name="amount"' in page(crew, "visit_record", shown["visit"])[1]
    assert b"A wash now costs" in page(crew, "site", shown["site"])[1]
    Business.objects.filter(pk=shown["firm"]).update(technicians_see_prices=False)
    for name in ("invoice", "invoice_pdf"):
        assert page(crew, name, shown["invoice"])[0] == 404
    assert b"$150.00" not in page(crew, "visit_sheet", shown["visit"])[1]
    assert b'name="amount"' not in page(crew, "visit_record", shown["visit"])[1]
    assert b"A wash now costs" not in page(crew, "site", shown["site"])[1]
    for person in ("office", "home"):
        assert b"$150.00" in page(shown[person], "invoice", shown["invoice"])[1]
        assert b"A wash now costs" in page(shown[person], "site", shown["site"])[1]


def test_a_technician_sees_no_invoice_of_a_visit_that_is_anothers(shown: dict[str, Any]) -> None:
    other = factories.member(Business.objects.get(pk=shown["firm"]), Role.TECHNICIAN)
    factories.visit(site=Site.objects.get(pk=shown["site"]), technicians=(other,), starts_at=NOW)  # of the same roof
    for name in ("invoice", "invoice_pdf"):
        assert page(other, name, shown["invoice"])[0] == 404
    client = Client()
    client.force_login(other)
    assert [client.get(reverse(name)).status_code for name in ("invoices", "invoices_csv")] == [403, 403]


def test_no_list_of_a_technician_says_a_price_that_the_firm_hides(shown: dict[str, Any]) -> None:
    Business.objects.filter(pk=shown["firm"]).update(technicians_see_prices=False)
    site = Site.objects.get(pk=shown["site"])
    coming = factories.visit(site=site, technicians=(shown["crew"],), starts_at=timezone.now(), price="173.00")
    client = Client()
    client.force_login(shown["crew"])
    for address in ("/", "/visits/", f"/visits/{coming.pk}/", f"/visits/{coming.pk}/record/", f"/sites/{site.pk}/"):
        answer = client.get(address)
        assert answer.status_code == 200
        said = answer.content.split(b"<main")[1]  # its keys are random, and may hold the figures alone
        assert not any(price in said for price in (b"$173", b"173.00")), address
    assert client.get("/visits/all/").status_code == 403


def test_a_homeowner_sees_no_draft_and_none_of_what_the_office_does(shown: dict[str, Any]) -> None:
    home = shown["home"]
    assert page(home, "invoice", shown["draft"])[0] == 404
    status, content = page(home, "invoice", shown["invoice"])
    assert (status, b"$150.00" in content) == (200, True)
    assert b"<form" not in content.split(b"<main")[1].split(b"</main>")[0]
