"""The page that shows every part is there for who changes the pages, and shows each part in both lights."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from portal.charts.colours import tones
from portal.management.appearance import ICONS, make_appearance
from portal.words.advice import SIGNS

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
