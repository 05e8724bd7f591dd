"""The page that shows every part is there for who changes the pages, and shows each part in both lights."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from portal.charts.colours import ACCENT, tones
from portal.management.appearance import ICONS, make_appearance
from portal.models import Business, Role
from portal.words.advice import SIGNS
from tests import factories

pytestmark = pytest.mark.django_db


def test_the_page_shows_each_colour_sign_and_icon_by_day_and_by_night(client: Client, settings: Any) -> None:
    make_appearance(settings.VAR / "assets")
    assert client.get("/design/").status_code == 404
    settings.DEBUG = True
    page = client.get("/design/").content.decode()
    for part in ("by-day mode", "by-night mode"):
        assert page.count(part) == 1
    for name in tones():
        assert page.count(f'class="tone-{name}"') == 2
    for name in ICONS:
        assert page.count(f"#{name}") >= 2
    for colour, _ in SIGNS.values():
        assert page.count(f'class="answer {colour}"') == 2


def test_a_firm_chooses_its_colour_and_its_peoples_pages_and_nobody_elses_take_it(client: Client) -> None:
    firm, other = factories.business(), factories.business()
    owner = factories.member(firm)
    client.force_login(owner)
    assert "/colours/" not in client.get("/business/").content.decode()
    form = client.get("/business/").context["form"]
    asked = {name: form[name].value() for name in form.fields if form[name].value() not in (None, "")}
    answer = client.post("/business/", asked | {"accent": "#B00020", "currency": "USD"}, follow=True)
    assert Business.objects.get(pk=firm.pk).accent == "#b00020"
    assert 'href="/colours/b00020.css"' in answer.content.decode()
    sheet = client.get("/colours/b00020.css")
    assert sheet["Content-Type"] == "text/css"
    assert f"--press:{tones('#b00020')['press']}" in sheet.content.decode()
    client.force_login(factories.member(other, Role.OFFICE))
    assert "/colours/" not in client.get("/").content.decode()
    assert Business.objects.get(pk=other.pk).accent == ACCENT
    client.force_login(owner)
    refused = client.post("/business/", asked | {"accent": "red;}*{"}).content.decode()
    assert "Give a colour as # and six hexadecimal digits." in refused
    assert client.get("/colours/zzz.css").status_code == 404
