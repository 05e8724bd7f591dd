"""The rain page takes a gauge's days, fills in what the file says, and shows no other firm's gauges."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from portal.actions.rain import record_rain
from portal.models import Business, RainGauge
from tests import factories, ghcn
from tests.factories import NOW

pytestmark = pytest.mark.django_db

DAY = date(2026, 5, 1)


@pytest.fixture
def firm() -> Business:
    return factories.business()


@pytest.fixture
def office(client: Client, firm: Business) -> Client:
    client.force_login(factories.member(firm))
    return client


def send(office: Client, firm: Business, content: str, **fields: str) -> Any:
    sent = {"business": firm.pk, "name": "", "latitude": "", "longitude": "", **fields}
    if content:
        sent["file"] = SimpleUploadedFile("rain.csv", content.encode())
    return office.post("/rain/", sent, follow=True)


def test_a_stations_file_needs_no_name_and_no_place(office: Client, firm: Business) -> None:
    days = {DAY: (42, "", ""), date(2026, 5, 2): (9, "", "X")}
    page = send(office, firm, ghcn.access("USW00094728", days)).content.decode()
    assert "INVENTED PARK, NY US: a day of rain is in." in page
    assert "A day was left out" in page
    gauge = RainGauge.objects.get()
    assert (gauge.business, gauge.latitude, list(gauge.rain_mm())) == (firm, 40.77898, [4.2])


def test_a_plain_table_says_neither_name_nor_place(office: Client, firm: Business) -> None:
    page = send(office, firm, f"{DAY},4.2\n").content.decode()
    assert page.count("The file does not say this. Fill it in.") == 3
    assert not RainGauge.objects.exists()
    send(office, firm, f"{DAY},4.2\n", name="Yard", latitude="40", longitude="-74")
    assert list(RainGauge.objects.get().rain_mm()) == [4.2]


def test_a_station_is_named_only_where_stations_are_asked(office: Client, firm: Business, settings: Any) -> None:
    place = {"latitude": "40", "longitude": "-74"}
    assert "station" not in office.get("/rain/").context["form"].fields
    settings.RAIN_ADDRESS = "http://archive.example/{station}.csv"
    assert "eleven characters" in send(office, firm, "", station="../../etc", **place).content.decode()
    assert "Choose a file, or give" in send(office, firm, "", **place).content.decode()
    page = send(office, firm, "", station="usw00094728", **place).content.decode()
    assert "its rain is asked for within the hour" in page
    gauge = RainGauge.objects.get()
    assert (gauge.station, gauge.name) == ("USW00094728", "USW00094728")
    RainGauge.objects.update(asked_at=NOW, problem="The server answered 503 Busy.")
    assert "Not fetched on 15 June 2026: The server answered 503 Busy." in office.get("/rain/").content.decode()


def test_another_firms_gauge_is_not_shown_and_the_portals_is(office: Client) -> None:
    record_rain(business=factories.business(), name="Rival yard", latitude=1.0, longitude=1.0, rain_mm={DAY: 1.0})
    record_rain(business=None, name="AIRPORT", latitude=1.0, longitude=1.0, rain_mm={DAY: 1.0}, station="USW00094728")
    page = office.get("/rain/").content.decode()
    assert "AIRPORT" in page
    assert "Rival yard" not in page
