"""What scripts say reaches their pages in the language of the page."""

from __future__ import annotations

import json
import re

import pytest
from django.test import Client
from django.utils import translation

from portal.models import Language, Role
from portal.words.scripts import script_words
from tests import factories


def test_in_english_scripts_say_what_stands_in_them() -> None:
    with translation.override("en"):
        assert script_words() == {}


@pytest.mark.django_db
def test_the_pages_of_visits_and_their_worker_carry_the_words() -> None:
    user = factories.member(factories.business(), Role.TECHNICIAN)
    user.language = Language.SPANISH
    user.save()
    client = Client()
    client.force_login(user)
    page = client.get("/visits/").text
    found = re.search(r'<script id="words" type="application/json">(.*?)</script>', page)
    assert found is not None
    said = json.loads(found[1])
    assert said["{count} entries wait on this phone."] == "{count} anotaciones esperan en este teléfono."
    worker = client.get("/visits/worker.js").text
    kept = re.search(r"const WORDS = (.*);", worker)
    assert kept is not None
    assert json.loads(kept[1])["No signal"] == "Sin cobertura"
