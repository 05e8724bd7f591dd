"""How every page is built, as each role gets it: what a screen reader walks along, and what a line has to carry."""

from __future__ import annotations

import gzip
from itertools import pairwise

import pytest
from django.test import Client
from django.urls import reverse
from lxml import html

from tests.pages import ACCOUNT, OUT, opened_by
from tests.world import World, utility, world  # noqa: F401 - pytest finds fixtures by their names

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.any_database("how pages are built; tests/test_who_sees_what.py opens the same ones"),
]

HEADINGS = ("h1", "h2", "h3", "h4")
MOST_BYTES = 40_000
"""Of a page alone, compressed: with style, font and icons, which tests/views/test_home.py weighs, under 120 kB."""


def what_is_wrong(page: bytes) -> list[str]:
    """Against WCAG 2.2, 1.3.1 and 2.4.1 to 2.4.6 (technique G141 on headings), and the house's one answer a page."""
    tree = html.document_fromstring(page.decode())
    wrong = []
    for what, path in {
        "main": "//main",
        "title": "//head/title[normalize-space()]",
        "h1": "//h1",
        "lang": "/html[@lang]",
    }.items():
        if len(tree.xpath(path)) != 1:
            wrong.append(f"{len(tree.xpath(path))} of {what}")
    levels = [HEADINGS.index(one.tag) for one in tree.iter(*HEADINGS)]
    wrong += [f"h{after + 1} below h{level + 1}" for level, after in pairwise(levels) if after > level + 1]
    ids = tree.xpath("//@id")
    wrong += [f"id {one} twice" for one in {one for one in ids if ids.count(one) > 1}]
    answers = len(tree.xpath("//*[contains(concat(' ', @class, ' '), ' answer ')]"))
    wrong += [f"{answers} answers"] if answers > 1 else []
    wrong += (
        ["something inline"]
        if tree.xpath("//@style | //style | //@onclick | //script[not(@src) and not(contains(@type, 'json'))]")
        else []
    )
    weight = len(gzip.compress(page))
    return wrong + ([f"{weight} bytes"] if weight > MOST_BYTES else [])


@pytest.mark.parametrize("person", ["owner", "office", "technician", "homeowner", "stranger"])
def test_every_page_has_one_heading_one_answer_and_little_weight(person: str, world: World) -> None:  # noqa: F811
    client = Client()
    addresses = [address for _, address in opened_by(person, world.keys)]
    if person == "stranger":
        addresses += [reverse(name) for name in OUT]
    else:
        client.force_login(world.people[person])
        addresses += [reverse(name) for name in ACCOUNT]
    wrong, seen = {}, 0
    for address in addresses:
        answer = client.get(address)
        content = answer.getvalue()
        if answer["Content-Type"].startswith("text/html") and b"<html" in content:
            seen += 1
            if found := what_is_wrong(content):
                wrong[address] = found
    assert seen > 5
    assert not wrong, "\n".join(f"{address}: {', '.join(found)}" for address, found in wrong.items())
