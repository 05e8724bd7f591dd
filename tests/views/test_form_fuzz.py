"""Every form and address of the portal, sent what no person sends: no answer of 500, and nothing is raised.

The forms are read off the pages themselves, so a new one is tried as soon as a page of the table shows it. What is sent
is drawn from a seed, and each request is undone after it, so that the next finds the same rows.
"""

from __future__ import annotations

import io
import random
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode, urlsplit

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test import Client
from django.urls import reverse
from lxml import html
from PIL import Image

from tests.test_who_sees_what import ROUTES
from tests.world import World, utility, world  # noqa: F401 - pytest finds fixtures by their names

pytestmark = pytest.mark.django_db

SEED = 20261126
DIGITS = "9" * 5000
"""More digits than Python turns into a number (4,300), and than any column holds."""
TEXTS = (
    *("\0", "a\0b", DIGITS, "-" + DIGITS, "9" * 20, "9223372036854775808", "-1", "0", "1e999", "nan", "-inf", "½", "٣"),
    *("", " ", "a" * 70_000, "🧽" * 300, "' OR 1=1 --", "%s%n{}{0}", "../../etc/passwd", "<script>", "\u202e\ufeff"),
    *(
        "0000-00-00",
        "9999-12-31",
        "0001-01-01",
        "2026-02-30",
        "24:61",
        "9999-12-31T23:59:59.999999",
        "2026-06-01T10:00",
    ),
    *("[]", "{}", "null", "true", "00000000-0000-0000-0000-000000000000", "visit", "http://[", "//elsewhere.example"),
)
QUERIES = ("page", "q", "business", "site", "lead", "enquiry", "day", "next", "as", "first", "visit", "customer")
MOST_TRIES = 100
"""Of each person in one run, drawn by the seed; beside each form with all its fields wrong, which is always sent."""
DONE_ELSEWHERE = ("account_logout", "language")


def _png(width: int, height: int) -> bytes:
    packed = io.BytesIO()
    Image.new("1", (width, height)).save(packed, "PNG", compress_level=1)
    return packed.getvalue()


def files() -> list[tuple[str, bytes]]:
    small = _png(20, 20)
    wide = small.replace((20).to_bytes(4), (65_000).to_bytes(4), 2)  # says 4.2 billion pixels, holds 400
    return [
        ("empty.png", b""),
        ("wide.png", wide),
        ("cut.png", small[:40]),
        ("a\0b.csv", b"time,kwh\n\0\0\0\n"),
        ("x" * 300 + ".jpg", small),
        ("table.xlsx", b"PK\x03\x04" + b"\0" * 60),
        ("photo.jpg", b"\xff\xd8\xff\xe0" + b"\0" * 60),
        ("text.csv", b"\xff\xfe\x00\xd8"),
    ]


@dataclass(frozen=True)
class Form:
    """A form as a page shows it."""

    action: str
    post: bool
    fields: dict[str, str]
    files: tuple[str, ...]


def forms_of(path: str, page: str) -> Iterator[Form]:
    for form in html.fromstring(page).iter("form"):
        fields, uploads = {}, []
        for field in form.iter("input", "select", "textarea", "button"):
            name = field.get("name")
            if not name or name == "csrfmiddlewaretoken":
                continue
            if field.get("type") == "file":
                uploads.append(name)
            elif field.tag == "select":
                fields[name] = next((option.get("value", "") for option in field.iter("option")), "")
            else:
                fields[name] = (field.text or "") if field.tag == "textarea" else field.get("value", "")
        action = urlsplit(form.get("action") or path).path
        yield Form(action, (form.get("method") or "get").lower() == "post", fields, tuple(uploads))


def pages(client: Client, keys: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Every page of the table that this person may open."""
    for name, route in sorted(ROUTES.items()):
        if route.post:
            continue
        path = reverse(name, kwargs={key: keys[what] for key, what in route.kwargs.items()})
        answer = client.get(path)
        content = answer.getvalue()  # a streamed file is closed once it is read
        if content and answer.status_code == 200 and "html" in answer["Content-Type"]:
            yield path, content.decode()


class Tries:
    """Sends, undoes, and remembers what broke."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self.broke: dict[str, str] = {}
        self.sent = 0

    def __call__(self, what: str, path: str, data: dict[str, Any], *, post: bool) -> None:
        self.sent += 1
        try:
            with transaction.atomic():
                answer = self.client.post(path, data) if post else self.client.get(f"{path}?{urlencode(data)}")
                answer.getvalue()  # a streamed file is closed once it is read
                transaction.set_rollback(True)
        except Exception as error:  # noqa: BLE001 - whatever it is, it would have been a 500
            self.broke.setdefault(f"{what} {path[:80]}", f"{type(error).__name__}: {str(error)[:200]}")
            return
        if answer.status_code >= 500:
            self.broke.setdefault(f"{what} {path}", str(answer.status_code))


@pytest.mark.long(10)
@pytest.mark.parametrize("person", ["owner", "technician", "homeowner"])
def test_no_form_breaks_whatever_is_sent(person: str, world: World) -> None:  # noqa: F811
    client = Client()
    client.force_login(world.people[person])
    drawn = random.Random(f"{SEED} {person}")
    tries = list(all_tries(client, world, drawn))
    assert len(tries) > 50, "the pages have forms"
    tried = Tries(client)
    whole = [one for one in tries if one[0] == "all"]
    single = [one for one in tries if one[0] != "all"]
    for what, form, data in whole + drawn.sample(single, min(MOST_TRIES, len(single))):
        tried(what, form.action, data, post=form.post)
    assert not tried.broke, tried.broke


def all_tries(client: Client, world: World, drawn: random.Random) -> Iterator[tuple[str, Form, dict[str, Any]]]:  # noqa: F811
    """Each field of each form in turn, all at once, and each file."""
    known: set[tuple[Any, ...]] = set()
    for path, page in list(pages(client, world.keys)):
        for form in forms_of(path, page):
            key = (form.action, form.post, tuple(sorted(form.fields)), form.files)
            if key in known or any(reverse(name) == form.action for name in DONE_ELSEWHERE):
                continue
            known.add(key)
            for name in form.fields:
                for text in drawn.sample(TEXTS, 4):
                    yield f"{name}={text[:12]!r}", form, form.fields | {name: text}
            yield "all", form, {name: drawn.choice(TEXTS) for name in form.fields}
            for name in form.files:
                for filename, content in files():
                    yield f"{name} {filename!r}", form, form.fields | {name: SimpleUploadedFile(filename, content)}


def test_no_address_breaks_whatever_stands_in_it(world: World) -> None:  # noqa: F811
    """Numbers of 20 and of 5,000 digits, zero bytes and nonsense in the place of each key of each address."""
    client = Client()
    client.force_login(world.people["owner"])
    tried = Tries(client)
    for name, route in sorted(ROUTES.items()):
        keys = {key: world.keys[what] for key, what in route.kwargs.items()}
        good = reverse(name, kwargs=keys)
        for value in map(str, keys.values()):
            for bad in ("9" * 20, DIGITS, "a%00b"):
                tried(bad[:8], good.replace(f"/{value}", f"/{bad}"), {}, post=route.post)
        for bad in ("\0", DIGITS):
            tried(f"?{bad[:8]}", good, dict.fromkeys(QUERIES, bad), post=False)
    assert not tried.broke, tried.broke
