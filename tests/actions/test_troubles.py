"""What is wrong with the readings of a roof stands on its owner's first page, with the way out."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.troubles import Trouble, troubles
from portal.models import Import, ImportState, Meter, Site
from tests import factories
from tests.told import contradictions

pytestmark = pytest.mark.django_db


DAY = timedelta(days=1)


def of(site: Site) -> list[Trouble]:
    return troubles([site], now=timezone.now())[site.pk]


def read_until(meter: Meter, days_ago: int) -> None:
    factories.day_readings(meter, timezone.now().date() - timedelta(days=days_ago))


def sent(meter: Meter, state: ImportState, days_ago: int, problem: str = "") -> Import:
    at = timezone.now() - timedelta(days=days_ago)
    return Import.objects.create(meter=meter, uploaded_at=at, filename="may.csv", state=state, problem=problem)


def home(site: Site) -> str:
    user = factories.user()
    site.customer.user = user
    site.customer.save()
    client = Client()
    client.force_login(user)
    return " ".join(client.get("/").content.decode().split())


def test_a_record_that_stops_says_since_when_and_where_to_send() -> None:
    meter = factories.meter()
    assert of(meter.site) == [], "no readings yet is said by the page itself"
    read_until(meter, 14)
    (trouble,) = of(meter.site)
    assert trouble.stopped_on == timezone.now().date() - timedelta(days=14)
    text = home(meter.site)
    assert text.index("The readings stop on") < text.index("<h2>")
    assert f'href="{reverse("import_upload")}?site={meter.site_id}"' in text
    read_until(meter, 3)
    assert of(meter.site) == []


def test_what_is_next_is_what_the_trouble_asks_for_on_both_pages_of_the_roof() -> None:
    meter = factories.meter()
    read_until(meter, 14)
    today = timezone.now().date()
    factories.assessment(site=meter.site, verdict="clean", clean_due=None, as_of=today, readings_until=today - DAY * 14)
    home(meter.site)
    client = Client()
    client.force_login(meter.site.customer.user)  # type: ignore[arg-type]  # home() made them
    way = f'Next: <a class="button" href="{reverse("import_upload")}?site={meter.site_id}">Send readings</a>'

    def pages() -> list[str]:
        both = ("/", reverse("site", args=[meter.site_id]))
        return [" ".join(client.get(one).content.decode().split()) for one in both]

    for text in pages():
        assert "The readings stop on" in text
        assert way in text
        assert contradictions(text) == []
    read_until(meter, 1)
    refused = sent(meter, ImportState.FAILED, 0, "No column looks like a time.")
    for text in pages():
        assert f'Next: <a class="button" href="{reverse("import_ledger", args=[refused.pk])}">See why' in text
    Import.objects.all().delete()
    for text in pages():
        assert "Next: Nothing to do now" in text


def test_one_meter_of_two_that_is_missing_is_named() -> None:
    meter = factories.meter(name="House")
    garage = factories.meter(site=meter.site, name="Garage")
    read_until(meter, 1)
    read_until(garage, 30)
    (trouble,) = of(meter.site)
    assert (trouble.meter, trouble.meter_until) == (garage, timezone.now().date() - timedelta(days=30))
    assert "The file of “Garage” is missing" in home(meter.site)


def test_a_refused_file_leads_to_its_ledger_until_a_later_one_is_read() -> None:
    meter = factories.meter()
    read_until(meter, 1)
    sent(meter, ImportState.DONE, 5)
    refused = sent(meter, ImportState.FAILED, 4, "No column looks like a time.")
    assert [one.file for one in of(meter.site)] == [refused]
    text = home(meter.site)
    assert "could not be read.</b> No column looks like a time." in text
    assert reverse("import_ledger", args=[refused.pk]) in text
    asked = sent(meter, ImportState.QUESTION, 3)
    assert [one.file for one in of(meter.site)] == [asked]
    assert "needs an answer" in home(meter.site)
    sent(meter, ImportState.DONE, 2)
    assert of(meter.site) == []


def test_an_old_refusal_and_another_owners_are_not_told() -> None:
    meter = factories.meter()
    sent(meter, ImportState.FAILED, 40)
    other = factories.meter(site=factories.site(customer=factories.customer(business=meter.site.customer.business)))
    sent(other, ImportState.FAILED, 1)
    assert of(meter.site) == []
    assert "could not be read" not in home(meter.site)


def test_many_roofs_ask_the_database_no_more_than_one(django_assert_num_queries: Callable[[int], Any]) -> None:
    sites = []
    for _ in range(5):
        meter = factories.meter()
        read_until(meter, 20)
        sent(meter, ImportState.FAILED, 1)
        sites.append(meter.site)
    for some in (sites[:1], sites):
        with django_assert_num_queries(3):
            assert all(len(found) == 2 for found in troubles(some, now=timezone.now()).values())
