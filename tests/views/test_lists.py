"""The lists of customers, leads and visits: searched, also by state, sorted, kept in their address, and as files."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from django.core.files.base import ContentFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.models import Business, Customer, Import, ImportState, Language, Lead, Reminder, Role, Site, VisitState
from tests import factories

pytestmark = pytest.mark.django_db

TODAY = timezone.now().date()


@pytest.fixture
def firm() -> Business:
    return factories.business()


@pytest.fixture
def office(firm: Business, client: Client) -> Client:
    client.force_login(factories.member(firm, Role.OFFICE))
    return client


def roof(firm: Business, name: str, verdict: str, worth: str = "10.00") -> Site:
    site = factories.site(customer=factories.customer(business=firm, name=name))
    factories.day_readings(factories.meter(site=site), TODAY)
    due = None if verdict == "clean" else TODAY
    factories.assessment(
        site=site, verdict=verdict, as_of=TODAY, made_at=timezone.now(), value_lost_per_month=worth, clean_due=due
    )
    return site


@pytest.fixture
def roofs(firm: Business) -> dict[str, Site]:
    return {
        "Ida": roof(firm, "Ida Novak", "soiling", "10.00"),
        "Ole": roof(firm, "Ole Berg", "soiling", "30.00"),
        "Una": roof(firm, "Una Dirtyson", "clean"),
    }


def rows(answer: str) -> list[str]:
    """Names of customers in the order of a page's rows."""
    body = answer.partition("<tbody>")[2]
    found = {name: body.find(name) for name in ("Ida Novak", "Ole Berg", "Una Dirtyson")}
    return [name.split()[0] for name in sorted(found, key=found.__getitem__) if found[name] >= 0]


Lists = Callable[[str], list[str]]


@pytest.fixture(params=["customers", "leads", "visit_list"])
def listed(request: pytest.FixtureRequest, roofs: dict[str, Site], office: Client) -> Lists:
    for number, site in enumerate(roofs.values()):
        if request.param == "leads":
            factories.lead(site=site)
        factories.visit(site=site, starts_at=timezone.now() + timedelta(days=number), state=VisitState.CANCELLED)
    return lambda query: rows(office.get(f"{reverse(request.param)}?{query}").content.decode())


def test_a_search_for_a_state_finds_roofs_that_stand_so(listed: Lists) -> None:
    assert sorted(listed("")) == ["Ida", "Ole", "Una"]
    assert sorted(listed("q=dirty")) == ["Ida", "Ole"]
    assert sorted(listed("q=DIRTY+berg")) == ["Ole"]
    assert listed("state=clean") == ["Una"]
    assert sorted(listed("q=555-0123")) == ["Ida", "Ole", "Una"]
    assert listed("q=nobody") == []
    assert sorted(listed("state=nonsense&sort=x&page=x")) == ["Ida", "Ole", "Una"]
    assert listed("q=dirtyson") == ["Una"]


def test_customers_are_sorted_by_what_dirt_costs_and_by_age(office: Client, roofs: dict[str, Site]) -> None:
    def order(sort: str) -> list[str]:
        return rows(office.get(f"{reverse('customers')}?sort={sort}").content.decode())

    assert order("cost")[:2] == ["Ole", "Ida"]
    assert order("new") == ["Una", "Ole", "Ida"]
    assert order("") == ["Ida", "Ole", "Una"]


def test_visits_are_chosen_by_days_of_the_firm_and_by_how_they_stand(office: Client, firm: Business) -> None:
    site = roof(firm, "Ida Novak", "soiling")
    # half past ten in the evening in Denver is the next day in UTC
    factories.visit(site=site, starts_at=datetime(2026, 6, 17, 4, 30, tzinfo=UTC), price="99.50")
    address = reverse("visits_csv")

    def days(query: str) -> list[str]:
        text = office.get(f"{address}?{query}").content.decode("utf-8-sig")
        return [row["starts_at"] for row in csv.DictReader(io.StringIO(text))]

    assert days("first=2026-06-16&last=2026-06-16") == ["2026-06-16T22:30-06:00"]
    assert days("first=2026-06-17") == []
    assert days("visit=booked") == ["2026-06-16T22:30-06:00"]
    assert days("visit=done") == []
    assert days("last=nonsense") == ["2026-06-16T22:30-06:00"]


def test_files_hold_what_is_listed_and_no_formula(office: Client, firm: Business, roofs: dict[str, Site]) -> None:
    factories.customer(business=firm, name="=1+1", phone="")
    text = office.get(f"{reverse('customers_csv')}?q=dirty").content.decode("utf-8-sig")
    assert [row["customer"] for row in csv.DictReader(io.StringIO(text))] == ["Ida Novak", "Ole Berg"]
    text = office.get(reverse("customers_csv")).content.decode("utf-8-sig")
    assert "'=1+1" in text


def test_the_state_is_found_in_the_readers_language(firm: Business, client: Client, roofs: dict[str, Site]) -> None:
    client.force_login(factories.member(firm, Role.OFFICE, language=Language.SPANISH))
    found = client.get(f"{reverse('customers')}?q=sucio").content.decode()
    assert sorted(rows(found)) == ["Ida", "Ole"]


def test_imports_are_searched_chosen_by_state_sorted_and_taken_as_a_file(office: Client, firm: Business) -> None:
    ida, ole = roof(firm, "Ida Novak", "clean"), roof(firm, "Ole Berg", "clean")
    for site, name, state, rejected in (
        (ida, "march.csv", ImportState.DONE, 0),
        (ida, "april.csv", ImportState.FAILED, 7),
        (ole, "=cmd.csv", ImportState.DONE, 2),
    ):
        Import.objects.create(
            meter=site.meters.get(),
            uploaded_at=timezone.now(),
            sha256="-",
            original=ContentFile(b"x", name),
            filename=name,
            state=state,
            rows_rejected=rejected,
        )

    def files(query: str) -> list[str]:
        page = office.get(f"/imports/?{query}").content.decode()
        return re.findall(r'id="import-\d+"[^>]*>([^<]+)<', page)

    assert files("") == ["=cmd.csv", "april.csv", "march.csv"]
    assert files("sort=oldest") == ["march.csv", "april.csv", "=cmd.csv"]
    assert files("sort=rejected") == ["april.csv", "=cmd.csv", "march.csv"]
    assert files("q=novak&sort=name") == ["april.csv", "march.csv"]
    assert files("q=MARCH") == ["march.csv"]
    assert files("state=failed") == ["april.csv"]
    assert files(f"site={ole.pk}") == ["=cmd.csv"]
    taken = list(csv.DictReader(io.StringIO(office.get("/imports/imports.csv?q=berg").content.decode("utf-8-sig"))))
    assert [(row["file"], row["site"], row["rejected"]) for row in taken] == [("'=cmd.csv", str(ole), "2")]


def test_leads_are_given_to_one_of_the_team_together(office: Client, firm: Business, roofs: dict[str, Site]) -> None:
    mine = [factories.lead(site=roofs[name]) for name in ("Ida", "Ole")]
    foreign = factories.lead()
    person = factories.member(firm, Role.TECHNICIAN)
    ticked = {
        "lead": [str(one.pk) for one in (*mine, foreign)],
        "assigned_to": str(person.pk),
        "query": "q=Ida&sort=opened_at",
    }
    answer = office.post("/leads/assign/", ticked)
    assert answer["Location"] == "/leads/?q=Ida&sort=opened_at"
    assert set(Lead.objects.filter(assigned_to=person)) == set(mine)
    assert "2 leads are given to" in office.get(answer["Location"]).content.decode()
    outsider = factories.member(factories.business())
    answer = office.post("/leads/assign/", ticked | {"assigned_to": str(outsider.pk)}, follow=True)
    assert "Give it to somebody who works here." in answer.content.decode()
    assert not Lead.objects.filter(assigned_to=outsider).exists()
    office.post("/leads/assign/", {"lead": str(mine[0].pk), "assigned_to": ""})
    assert set(Lead.objects.filter(assigned_to=person)) == {mine[1]}
    assert "Nothing is ticked." in office.post("/leads/assign/", {}, follow=True).content.decode()


def test_owners_of_ticked_roofs_are_asked_for_readings_once(office: Client, roofs: dict[str, Site]) -> None:
    Customer.objects.filter(pk=roofs["Ole"].customer_id).update(consented_on=None)
    foreign = factories.site()
    ticked = {"site": [str(one.pk) for one in (roofs["Ida"], roofs["Ole"], foreign)], "query": ""}
    for _ in ("once", "and by mistake again"):
        said = office.post("/customers/ask/", ticked, follow=True).content.decode()
        assert "1 mail is on its way." in said
        assert "Ole Berg has not agreed to be written to." in said
    assert list(Reminder.objects.values_list("site", flat=True)) == [roofs["Ida"].pk]
