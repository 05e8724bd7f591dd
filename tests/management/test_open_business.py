"""A firm from nothing: one command, one link, and the owner is in."""

from __future__ import annotations

import re
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from portal.models import Business, Role

pytestmark = pytest.mark.django_db


def run(name: str, *arguments: str) -> str:
    said = StringIO()
    call_command(name, *arguments, stdout=said)
    return said.getvalue()


def test_an_owner_opens_a_firm_chooses_a_password_and_sees_what_to_do_first(client: Client) -> None:
    assert "manage.py open_business" in run("standing")
    said = run(
        "open_business", "Bright Roofs", "Ada Lind", "Ada@Bright.example", "--tz", "America/Denver", "--language", "es"
    )
    assert "open_business" not in run("standing")
    link = re.search(r"http://[^/]+(/\S+)", said)
    assert link
    form = client.get(link[1], follow=True)
    password = {"password1": "rinse-soak-scrub-9", "password2": "rinse-soak-scrub-9"}
    page = client.post(form.request["PATH_INFO"], password, follow=True)
    business = Business.objects.get()
    assert (business.slug, business.language, business.tz) == ("bright-roofs", "es", "America/Denver")
    assert [(str(one.user), one.role) for one in business.memberships.all()] == [("Ada Lind", Role.OWNER)]
    assert reverse("customer_new") in page.content.decode()
    assert client.get(reverse("business_settings")).status_code == 200


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["Bright Roofs", "Ada Lind", "ada@bright.example", "--tz", "Denver"], "“Denver” is not a time zone"),
        (["Bright Roofs", "Ada Lind", "ada", "--tz", "America/Denver"], "valid email address"),
        (["!!!", "Ada Lind", "ada@bright.example", "--tz", "America/Denver"], "letters"),
        (["Dim  Roofs", "Ada Lind", "ada@bright.example", "--tz", "America/Denver"], "another name"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(arguments: list[str], sentence: str) -> None:
    run("open_business", "Dim Roofs", "Bo Dim", "bo@dim.example", "--tz", "America/Denver")
    with pytest.raises(CommandError, match=sentence):
        run("open_business", *arguments)
    assert Business.objects.count() == 1
