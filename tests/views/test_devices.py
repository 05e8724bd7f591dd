"""What is said of a browser, for the names that browsers give themselves (RFC 9110, 10.1.5)."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from allauth.usersessions.models import UserSession
from django.test import Client

from portal.models import User
from portal.views.devices import device
from tests import factories

LIKE = "AppleWebKit/537.36 (KHTML, like Gecko) "


@pytest.mark.parametrize(
    ("name", "said"),
    [  # shapes as MDN Web Docs, "User-Agent header", shows them
        ("Mozilla/5.0 (Windows NT 10.0; Win64; x64; rv:139.0) Gecko/20100101 Firefox/139.0", "Firefox on Windows"),
        ("Mozilla/5.0 (Android 15; Mobile; rv:139.0) Gecko/139.0 Firefox/139.0", "Firefox on Android"),
        (f"Mozilla/5.0 (X11; Linux x86_64) {LIKE}Chrome/137.0.0.0 Safari/537.36", "Chrome on Linux"),
        (f"Mozilla/5.0 (Linux; Android 10; K) {LIKE}Chrome/137.0.0.0 Mobile Safari/537.36", "Chrome on Android"),
        (f"Mozilla/5.0 (Windows NT 10.0; Win64; x64) {LIKE}Chrome/137.0 Safari/537.36 Edg/137.0", "Edge on Windows"),
        (
            (
                "Mozilla/5.0 (iPhone; CPU iPhone OS 18_5 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) "
                "Version/18.5 Mobile/15E148 Safari/604.1"
            ),
            "Safari on iPhone",
        ),
        (
            (
                "Mozilla/5.0 (Macintosh; Intel Mac OS X 10_15_7) AppleWebKit/605.1.15 (KHTML, like Gecko) "
                "Version/18.5 Safari/605.1.15"
            ),
            "Safari on Mac",
        ),
        ("curl/8.14.1", "An unknown browser"),
        ("", "An unknown browser"),
    ],
)
def test_a_browser_is_called_as_its_owner_would(name: str, said: str) -> None:
    assert device(name) == said


def devices(user: User) -> str:
    client = Client()
    client.post("/accounts/login/", {"login": user.email, "password": factories.PASSWORD})
    UserSession.objects.update(created_at=datetime(2026, 6, 15, 18, 0, tzinfo=UTC))
    return client.get("/accounts/devices/").content.decode()


@pytest.mark.django_db
def test_times_are_those_of_the_firm_or_of_the_roof() -> None:
    assert "15 Jun 2026, 12:00" in devices(factories.member(factories.business(tz="America/Denver")))
    owner = factories.user()
    factories.site(customer=factories.customer(user=owner), tz="Europe/Madrid")
    assert "15 Jun 2026, 20:00" in devices(owner)
