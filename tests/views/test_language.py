"""In which language a page comes: the login's, else the browser's cookie, else what the browser asks for."""

from __future__ import annotations

import pytest
from django.test import Client
from django.utils import translation

from portal.models import Language
from tests import factories

pytestmark = pytest.mark.django_db

LOGIN = "/accounts/login/"
SPANISH_BROWSER = {"Accept-Language": "es-MX,es;q=0.9,en;q=0.5"}


def language_of(client: Client, address: str = LOGIN, **headers: str) -> tuple[str, str]:
    answer = client.get(address, headers=headers or None)
    said = answer["Content-Language"]
    assert f'<html lang="{said}">' in answer.text
    return said, answer.text


def test_a_stranger_gets_what_the_browser_asks_for(client: Client) -> None:
    assert language_of(client)[0] == "en"
    assert language_of(client, **SPANISH_BROWSER)[0] == "es"
    assert language_of(client, **{"Accept-Language": "fi,en-GB;q=0.5"})[0] == "en"
    assert language_of(client, **{"Accept-Language": "fi"})[0] == "en"


def test_what_was_chosen_in_this_browser_comes_first(client: Client) -> None:
    answer = client.post("/language/", {"language": "en", "next": LOGIN})
    assert (answer.status_code, answer["Location"]) == (302, LOGIN)
    assert language_of(client, **SPANISH_BROWSER)[0] == "en"


def test_a_login_keeps_its_language_wherever_it_logs_in(client: Client) -> None:
    user = factories.user(language=Language.ENGLISH)
    client.force_login(user)
    assert language_of(client, "/", **SPANISH_BROWSER)[0] == "en"
    client.post("/language/", {"language": "es", "next": "/"})
    user.refresh_from_db()
    assert user.language == "es"
    other = Client()
    other.force_login(user)
    assert language_of(other, "/")[0] == "es"


def test_nobody_is_led_away_or_given_a_language_that_is_none(client: Client) -> None:
    answer = client.post("/language/", {"language": "xx", "next": "https://elsewhere.example/"})
    assert answer["Location"] == "/"
    assert not answer.cookies
    assert client.get("/language/").status_code == 405


def test_a_page_leaves_no_language_behind(client: Client) -> None:
    before = translation.get_language()
    language_of(client, **SPANISH_BROWSER)
    assert translation.get_language() == before
