"""Whoever fills a form with the keys of somebody else's rows changes none of them.

`tests/test_who_sees_what.py` asks for foreign addresses; here the address is one's own, and what is sent is not.
Forms are read off the pages that a person may open, so that a new one is tried as soon as a page shows it.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

import pytest
from django.apps import apps
from django.db import connection, models, transaction
from django.db.models import Model, Q
from django.test import Client
from django.test.utils import CaptureQueriesContext

from portal.models import Business, Site, User
from tests.views.test_form_fuzz import forms_of, pages
from tests.world import World, utility, world  # noqa: F401 - pytest finds fixtures by their names

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.any_database("which rows a form may name; tests/test_who_sees_what.py opens the pages as everybody"),
]

FAR = 4
"""So many steps lie between the farthest row and its roof or firm."""


@pytest.mark.long(10)
@pytest.mark.parametrize(
    ("person", "of"), [("rival owner", Business), ("neighbour", Site), ("idle technician", Site)], ids=str
)
def test_no_form_reaches_a_row_of_somebody_else(
    person: str,
    of: type[Business | Site],
    world: World,  # noqa: F811
) -> None:
    owned = world.keys["site"] if of is Site else Business.objects.get(slug="ours").pk
    client = Client()
    client.force_login(world.people[person])
    before, sent, reached = rows(of, owned), 0, []
    assert len(before) > 15, "the roof and the firm have rows of many tables"
    for path, fields in list(tries(client, world)):
        sent += 1
        with transaction.atomic(), CaptureQueriesContext(connection) as asked:
            client.post(path, fields)
            wrote = any(one["sql"].startswith(("INSERT", "UPDATE", "DELETE")) for one in asked.captured_queries)
            if wrote and (after := rows(of, owned)) != before:
                reached.append((path, fields, [label for label in before if before[label] != after.get(label)]))
            transaction.set_rollback(True)
    print(f"{person}: {sent} forms sent with foreign keys")
    assert sent
    assert reached == []


def tries(client: Client, world: World) -> Iterator[tuple[str, dict[str, Any]]]:  # noqa: F811
    """Each form of each page with foreign keys: by its fields' names, and each in each field that holds a number."""
    keys = {name: key for name, key in world.keys.items() if str(key).isdecimal()}
    people = [world.people[name].pk for name in ("technician", "homeowner")]
    firm = Business.objects.get(slug="ours").pk
    named = keys | {
        "technicians": people,
        "technician": people[0],
        "assignee": people[0],
        "business": firm,
        "who": people,
    }
    known = set()  # what a secret link opens is its holder's, whoever else they are
    for path, page in list(pages(client, world.keys)):
        for form in forms_of(path, page):
            key = (form.action, tuple(sorted(form.fields)))
            opens = any(len(str(key)) > 20 and str(key) in form.action for key in world.keys.values())
            if not form.post or key in known or opens or form.action.startswith("/accounts/"):
                continue
            known.add(key)
            guessed = {name: named[name.rstrip("s")] for name in form.fields if name.rstrip("s") in named}
            guessed |= {name: named[name] for name in form.fields if name in named}
            yield form.action, form.fields | guessed
            numbers = [name for name, value in form.fields.items() if value.isdecimal()]
            for name, foreign in itertools.product(
                numbers, {keys["site"], keys["lead"], keys["visit"], people[0], firm}
            ):
                yield form.action, form.fields | guessed | {name: foreign}


def rows(of: type[Model], key: int) -> dict[str, list[dict[str, Any]]]:
    """All rows that lead to one roof or firm by their keys; who tried what is no change."""
    found = {}
    for model in apps.get_app_config("portal").get_models(include_auto_created=True):
        ways = [Q(**{way: key}) for way in to(model, of, FAR)]
        if ways and model._meta.label != "portal.AuditEntry":
            told = model._base_manager.filter(*ways[:1]) if len(ways) == 1 else model._base_manager.filter(any_of(ways))
            found[model._meta.label] = list(told.order_by("pk").values())
    return {label: lines for label, lines in found.items() if lines}


def any_of(ways: list[Q]) -> Q:
    together = Q()
    for way in ways:
        together |= way
    return together


def to(model: type[Model], of: type[Model], steps: int) -> list[str]:
    """The ways from a table to another by its keys, but over people, who belong to many."""
    if model is of:
        return ["pk"]
    if not steps or model is User:
        return []
    ways = []
    for field in model._meta.get_fields():
        if isinstance(field, models.ForeignKey) and field.related_model is not model:
            further = to(field.related_model, of, steps - 1)
            ways += [f"{field.name}__{way}" for way in further]
    return ways
