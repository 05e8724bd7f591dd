"""The map of the roofs: all of the firm's own, a closer look at a mark, and a list that says the same."""

from __future__ import annotations

import re
from html import unescape

import pytest
from django.test import Client
from django.utils import timezone

from portal.models import Business, Role
from tests import factories

pytestmark = pytest.mark.django_db


def test_the_map_and_its_list_hold_each_roof_of_the_firm_and_a_closer_look_parts_neighbours(client: Client) -> None:
    firm = factories.business(latitude=39.7, longitude=-105.0)
    client.force_login(factories.member(firm, Role.OFFICE))
    assert "There is no roof here." in client.get("/map/").content.decode()
    places = {"Ida": (39.70, -105.10), "Ole": (39.701, -105.101), "Mia": (40.2, -104.5)}
    sites = {
        name: factories.site(
            customer=factories.customer(business=firm, name=name), latitude=place[0], longitude=place[1]
        )
        for name, place in places.items()
    }
    factories.site(customer=factories.customer(business=Business.objects.create(slug="rival"), name="Theirs"))
    factories.site(
        customer=factories.customer(business=firm, name="Nowhere yet"), latitude=None, longitude=None, planes=False
    )
    factories.lead(site=sites["Mia"])
    crew = factories.member(firm, Role.TECHNICIAN, name="Rosa Brush")
    factories.visit(site=sites["Ida"], technicians=(crew,), starts_at=timezone.now())
    page = client.get("/map/").content.decode()
    assert "Theirs" not in page
    assert "Nowhere yet" in page, "a roof whose place nobody said is on the list"
    rows = re.findall(r'<tr id="at-(\w+)">(.*?)</tr>', page, re.DOTALL)
    assert [[name for name in places if f"{name} · Home" in row] for _, row in rows] == [["Mia"], ["Ida", "Ole"]]
    assert "Open lead" in rows[0][1]
    assert "Visit today" in rows[1][1]
    assert page.count("Rosa Brush</text>") == 2, "her round stands in the legend, for a desk and for a phone"
    (closer,) = re.findall(r'href="(\?box=[^"]+)"', page)
    page = client.get(f"/map/{unescape(closer)}").content.decode()
    assert "Mia" not in page
    assert len(re.findall(r'<tr id="at-', page)) == 2


def test_a_round_begins_where_its_crew_sets_out(client: Client) -> None:
    site = factories.site(customer=factories.customer(business=factories.business(latitude=39.7, longitude=-105.0)))
    firm = site.customer.business
    client.force_login(factories.member(firm, Role.OFFICE))
    crew = factories.member(firm, Role.TECHNICIAN)
    factories.visit(site=site, technicians=(crew,), starts_at=timezone.now())

    def drawn() -> list[str]:
        return re.findall(r"<svg.*?</svg>", client.get("/map/").content.decode(), re.DOTALL)

    from_the_yard = drawn()
    crew.memberships.update(latitude=38.0, longitude=-105.0)
    assert drawn() != from_the_yard


@pytest.mark.parametrize("box", ["", "1,2,3", "a,b,c,d", "nan,0,1,1", "inf,0,1,1", "1e999,0,0,0"])
def test_a_box_that_is_none_shows_all(client: Client, box: str) -> None:
    site = factories.site()
    client.force_login(factories.member(site.customer.business))
    assert site.customer.name in client.get("/map/", {"box": box}).content.decode()
