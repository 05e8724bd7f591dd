"""The booking page: it asks before it writes, keeps what was entered, and proposes times that it takes."""

from __future__ import annotations

import re
from datetime import date, timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.models import Reminder, Role, Visit
from tests import factories

pytestmark = pytest.mark.django_db


def test_a_double_booking_is_asked_before_anything_is_written_or_mailed(client: Client) -> None:
    firm = factories.business()
    crew = factories.member(firm, Role.TECHNICIAN, name="Rosa Brush")
    client.force_login(factories.member(firm, Role.OFFICE))
    there, here = (factories.site(customer=factories.customer(business=firm)) for _ in range(2))
    day = timezone.now().date() + timedelta(days=3)
    entered = {"day": day.isoformat(), "at": "09:00", "minutes": "60", "technicians": [crew.pk], "note": "Blue gate."}
    for site in (there, here):
        answer = client.post(f"{reverse('visit_book')}?site={site.pk}", entered)
    text = answer.content.decode()
    assert f"Rosa Brush is booked then at {there}" in text
    assert "Nothing is booked yet." in text
    assert "Blue gate." in text
    assert Visit.objects.get().site == there
    assert not Reminder.objects.filter(site=here).exists()
    mark = re.search(r'name="despite" value="(\w+)"', text)
    assert mark
    client.post(f"{reverse('visit_book')}?site={here.pk}", entered | {"despite": mark[1]})
    assert Visit.objects.filter(site=here).count() == 1


def test_a_proposed_time_fills_the_form_and_is_booked(client: Client) -> None:
    firm = factories.business(latitude=39.7, longitude=-105.1)
    crew = factories.member(firm, Role.TECHNICIAN)
    client.force_login(factories.member(firm, Role.OFFICE))
    site = factories.site(customer=factories.customer(business=firm))
    address = f"{reverse('visit_book')}?site={site.pk}"
    proposed = re.search(
        r'href="(\?site=\d+&amp;day=([\d-]+)&amp;at=([\d:]+)&amp;who=\d+)#when"', client.get(address).content.decode()
    )
    assert proposed
    _, day, at = proposed.groups()
    text = client.get(reverse("visit_book") + proposed[1].replace("&amp;", "&")).content.decode()
    assert f'value="{at}"' in text
    assert re.search(rf'value="{crew.pk}"[^>]*checked', text)
    client.post(address, {"day": day, "at": at, "minutes": "60", "technicians": [crew.pk]})
    visit = Visit.objects.get()
    assert visit.starts_at.date() == date.fromisoformat(day)
    assert list(visit.technicians.all()) == [crew]


@pytest.mark.parametrize(
    "wish", ["day=x&at=09:00", "day=2026-06-01", "day=2026-06-01&at=25:00&who=x", "who=99999999999999999999"]
)
def test_a_mangled_wish_still_shows_the_form(client: Client, wish: str) -> None:
    firm = factories.business()
    client.force_login(factories.member(firm))
    site = factories.site(customer=factories.customer(business=firm))
    assert client.get(f"{reverse('visit_book')}?site={site.pk}&{wish}").status_code == 200
