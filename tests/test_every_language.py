"""Every page as somebody sees it whose language has its own word for everything.

In that language each sentence of the catalogue stands in brackets: ``⟦Log in⟧``. What a page shows outside of brackets
was never translated, unless it is a figure, a unit, what a row holds, or a word of Django's own.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import allauth
import django
import pytest
from babel.messages.mofile import read_mo, write_mo
from django.apps import apps
from django.db import models
from django.test import Client
from django.urls import reverse
from lxml import html

from portal.models import Customer, Invoice, User
from portal.words import kept
from portal.words.catalogues import CATALOGUE, SOURCES, read_catalogue
from tests.test_who_sees_what import ROUTES
from tests.world import World, utility, world  # noqa: F401 - pytest finds fixtures by their names

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.any_database("words; tests/test_who_sees_what.py opens the same pages"),
]

FORMAT = re.compile(r"[A-Za-z](?:[ ,:]+[A-Za-z])+")
"""A date's format ("j F Y") is no sentence."""
ALIKE = {
    *("kWh", "kW", "Wh", "MWh", "MW", "ppm", "km", "min", "kB", "MB", "mm", "UTC", "USD", "US", "Rinsemark", "OK"),
    *("CSV", "NEM12", "NEM", "Green", "Button", "PDF", "Unix", "API", "OpenAPI", "Español", "English", "ISO"),
}
"""Units, formats, our name, and languages' names of themselves."""
WORDING = "mail_wording"
"""The page on which the firm words an English mail: its text is English."""
SPOKEN = ("aria-label", "alt", "title", "placeholder", "data-label", "data-title")
ACCOUNT = (
    "account_login",
    "account_reset_password",
    "account_signup",
    "account_change_password",
    "account_logout",
    "mfa_index",
    "mfa_list_webauthn",
    "usersessions_list",
)


@pytest.fixture
def brackets(tmp_path: Path, settings: Any) -> Iterator[None]:
    """Spanish, with each of our sentences in brackets instead of its translation."""
    catalogue = read_catalogue("es", SOURCES / "es" / CATALOGUE)
    for message in catalogue:
        if isinstance(message.id, tuple):
            message.string = tuple(f"⟦{form}⟧" for form in message.id)
        elif (said := str(message.id)) and not FORMAT.fullmatch(said):
            choices = re.fullmatch(r"\w+(,\w+)+", said)  # of `yesno`, which splits it
            message.string = ",".join(f"⟦{each}⟧" for each in said.split(",")) if choices else f"⟦{said}⟧"
    compiled = tmp_path / "es" / "LC_MESSAGES" / "django.mo"
    compiled.parent.mkdir(parents=True)
    with compiled.open("wb") as file:
        write_mo(file, catalogue)
    settings.LOCALE_PATHS = [tmp_path]
    kept._patterns.cache_clear()
    yield
    kept._patterns.cache_clear()


@cache
def words_of_libraries() -> frozenset[str]:
    """What Django and allauth say in Spanish: months, days, what a form misses."""
    found: set[str] = set()
    for package in (django, allauth):
        for path in Path(package.__file__ or "").parent.rglob("locale/es/LC_MESSAGES/django.mo"):
            with path.open("rb") as file:
                for message in read_mo(file):
                    found.update(re.findall(r"[^\W\d_]+", str(message.string).lower()))
    return frozenset(found)


def held_by_rows() -> list[str]:
    """Every text that a row holds: names, addresses, files; longest first."""
    texts: set[str] = set()
    for model in apps.get_app_config("portal").get_models():
        names = [field.name for field in model._meta.fields if isinstance(field, models.CharField | models.TextField)]
        for row in model._default_manager.values_list(*names):
            texts.update(str(value) for value in row if value)
    return sorted(texts, key=len, reverse=True)


def left_in_english(page: str) -> list[str]:
    """Words that stand outside of brackets and are nobody's name and no figure's unit."""
    tree = html.document_fromstring(page)
    for silent in tree.xpath("//script | //style | //code | //pre | //option[contains(., '/')]"):
        silent.drop_tree()
    spoken = [str(node) for node in tree.xpath("//text()")]
    spoken += [str(value) for name in SPOKEN for value in tree.xpath(f"//@{name}")]
    text = " ".join(spoken)
    while (shorter := re.sub(r"⟦[^⟦⟧]*⟧", " ", text)) != text:
        text = shorter
    rows = "|".join(re.escape(held) for held in held_by_rows())
    text = re.sub(rf"(?<!\w)(?:{rows})(?!\w)", " ", text, flags=re.IGNORECASE)
    words = re.findall(r"[^\W\d_]{2,}", text)
    return [word for word in words if word not in ALIKE and word.lower() not in words_of_libraries()]


@pytest.fixture
def spanish_world(world: World, brackets: None, settings: Any) -> World:  # noqa: F811
    settings.GREEN_BUTTON = dict.fromkeys(settings.GREEN_BUTTON, "https://utility.example/")  # or it has no page
    User.objects.update(language="es")
    Customer.objects.update(language="es")
    Invoice._base_manager.update(language="es")  # as a Spanish customer's would have been issued
    return world


def visitor(spanish_world: World, person: str) -> Client:
    client = Client(headers={"Accept-Language": "es"})
    if person != "stranger":
        client.force_login(User.objects.get(pk=spanish_world.people[person].pk))
    return client


PAGES = sorted(name for name, line in ROUTES.items() if line.ok == 200 and not line.post and name != WORDING)


@pytest.mark.long(10)
def test_no_page_speaks_english_to_somebody_else(spanish_world: World) -> None:
    left: dict[str, list[str]] = {}
    for name in PAGES:
        line = ROUTES[name]
        address = reverse(name, kwargs={key: spanish_world.keys[what] for key, what in line.kwargs.items()})
        for person in ("owner", "technician", "homeowner", "stranger"):
            if person in line.sees or (name == "home" and person == "stranger"):
                answer = visitor(spanish_world, person).get(address, follow=True)
                assert answer.status_code == 200, (name, person)
                answer.getvalue()  # a streamed file is closed once it is read
                if not answer["Content-Type"].startswith("text/html") or not answer.content:
                    continue  # a file, or nothing new
                if words := left_in_english(answer.text):
                    left[f"{name} as {person}"] = words
    assert not left, "\n".join(f"{page}: {words}" for page, words in left.items())


@pytest.mark.parametrize("name", ACCOUNT)
def test_no_page_of_the_login_speaks_english(name: str, spanish_world: World) -> None:
    person = "stranger" if name in ("account_login", "account_reset_password", "account_signup") else "homeowner"
    client = visitor(spanish_world, person)
    assert not left_in_english(client.get(reverse(name)).text)
    if name in (
        "account_login",
        "account_reset_password",
        "account_change_password",
    ):  # an empty form, with what it misses
        assert not left_in_english(client.post(reverse(name), {}).text)


def test_no_error_page_speaks_english(spanish_world: World) -> None:
    client = visitor(spanish_world, "homeowner")
    for address, status in (("/nowhere/", 404), (reverse("customers"), 403)):
        answer = client.get(address)
        assert answer.status_code == status
        assert not left_in_english(answer.text)
    strict = Client(enforce_csrf_checks=True, headers={"Accept-Language": "es"})
    answer = strict.post(reverse("account_login"), {})
    assert answer.status_code == 403
    assert not left_in_english(answer.text)


@pytest.mark.long(7)
def test_a_sentence_outside_the_catalogue_is_found() -> None:
    assert left_in_english("<p>⟦All is ⟦well⟧ here⟧ but not this</p>") == ["but", "not", "this"]
