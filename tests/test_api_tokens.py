"""What a token may do, how long, and that the API's description tells each answer it gives."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.tokens import LONGEST_LIFE, make_token
from portal.api import api
from portal.models import Meter, Role, Scope, Token, User
from tests import factories
from tests.test_api import Script

pytestmark = pytest.mark.django_db


@pytest.fixture
def meter() -> Meter:
    meter = factories.meter()
    factories.assessment(site=meter.site)
    return meter


@pytest.fixture
def owner(meter: Meter) -> User:
    return factories.member(meter.site.customer.business, Role.OWNER)


def script_of(owner: User, meter: Meter, scope: Scope, *, made_ago: timedelta = timedelta(), **more: Any) -> Script:
    now = timezone.now() - made_ago
    return Script(make_token(name="a", created_by=owner, now=now, site=meter.site, scope=scope, **more)[1])


@pytest.mark.parametrize(
    ("scope", "sends", "reads"), [(Scope.SEND, 202, 403), (Scope.READ, 403, 200), (Scope.BOTH, 202, 200)]
)
def test_a_token_does_what_it_was_made_for(meter: Meter, owner: User, scope: Scope, sends: int, reads: int) -> None:
    script = script_of(owner, meter, scope)
    status, told = script.post(f"/api/meters/{meter.pk}/imports", file=b"time,kwh\n")
    assert status == sends
    if status == 403:
        assert told == {"detail": "This token may not do that."}
    assert script.get(f"/api/sites/{meter.site_id}/assessment")[0] == reads
    assert script.get("/api/sites")[0] == 200, "the meters' numbers, which both need"
    assert script.get("/api/imports")[0] == 200


def test_a_reading_token_undoes_nothing(meter: Meter, owner: User) -> None:
    sent = script_of(owner, meter, Scope.SEND).post(f"/api/meters/{meter.pk}/imports", file=b"time,kwh\n")[1]
    assert script_of(owner, meter, Scope.READ).post(f"/api/imports/{sent['id']}/undo")[0] == 403


def test_a_token_ends_by_itself(meter: Meter, owner: User) -> None:
    day = timedelta(days=1)
    assert script_of(owner, meter, Scope.BOTH, made_ago=7 * day, lasts=8 * day).get("/api/sites")[0] == 200
    assert script_of(owner, meter, Scope.BOTH, made_ago=9 * day, lasts=8 * day).get("/api/sites")[0] == 401


def test_no_token_lasts_longer_than_a_year(meter: Meter, owner: User) -> None:
    script_of(owner, meter, Scope.BOTH, lasts=10 * LONGEST_LIFE)
    assert Token.objects.get().expires_at <= timezone.now() + LONGEST_LIFE
    client = Client()
    client.force_login(owner)
    asked = {"name": "x", "opens": f"site {meter.site_id}", "scope": "send", "days": 366}
    assert client.post(reverse("tokens"), asked).context["secret"] == ""


def test_the_description_tells_each_answer_a_call_may_get() -> None:
    """OpenAPI 3.1, 4.8.16: the responses object is expected to cover any known errors."""
    calls = [(path, call) for path, methods in api.get_openapi_schema()["paths"].items() for call in methods.values()]
    assert len(calls) == 6
    for path, call in calls:
        answers = {int(status) for status in call["responses"]}
        assert answers >= {400, 401, 403, 422, 429}, path
        if "{" in path:
            assert 404 in answers, path
        if "requestBody" in call:
            assert 413 in answers, path
