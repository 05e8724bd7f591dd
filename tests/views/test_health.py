"""What watches the portal from outside is told, and what the office sees when workers have stopped."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from portal.actions.health import beat
from portal.models import Night, Role
from tests import factories

pytestmark = pytest.mark.django_db


def test_alive_without_a_question_to_the_database(client: Client, django_assert_num_queries: Any) -> None:
    with django_assert_num_queries(0):
        answer = client.get("/health/live", REMOTE_ADDR="198.51.100.7")
    assert answer.json() == {
        "alive": True,
        "https": False,
        "host": "testserver",
        "client": "198.51.100.7",
        "forwarded": 0,
    }
    assert "no-store" in answer["Cache-Control"]


def test_behind_a_proxy_it_says_whom_it_takes_the_asker_for(client: Client, settings: Any) -> None:
    settings.ALLAUTH_TRUSTED_PROXY_COUNT = 1
    # what the asker claims himself stands before what our proxy adds
    seen = client.get("/health/live", headers={"X-Forwarded-For": "203.0.113.9, 198.51.100.7"}).json()
    assert (seen["client"], seen["forwarded"]) == ("198.51.100.7", 2)
    assert client.get("/health/live").json()["forwarded"] == 0, "the proxy told nothing"


def test_it_is_reached_without_https_on_the_machine_itself(client: Client, settings: Any) -> None:
    settings.SECURE_SSL_REDIRECT = True
    assert client.get("/health/live").status_code == 200
    assert client.get("/accounts/login/").status_code == 301


@pytest.fixture(autouse=True)
def just_begun(settings: Any) -> None:
    """As if the web server had just come up, however long the tests have been running in this process."""
    settings.UP_SINCE = timezone.now()


@pytest.mark.services
def test_ready_tells_of_broker_workers_and_the_oldest_job(client: Client, queue: str) -> None:
    Night.objects.create(
        site=factories.site(), day=timezone.now().date(), asked_at=timezone.now() - timedelta(minutes=10)
    )
    told = client.get("/health/ready").json()
    assert told.pop("oldest_job_seconds") == pytest.approx(600, abs=30)
    assert told == {"ready": True, "database": True, "broker": True, "workers_standing_still": []}


def test_pages_are_served_while_the_broker_is_away_and_it_is_told(client: Client, settings: Any) -> None:
    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    answer = client.get("/health/ready")
    assert answer.status_code == 200
    assert answer.json()["broker"] is False


def test_the_office_is_told_when_workers_have_stopped(client: Client, settings: Any) -> None:
    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    firm = factories.business()
    beat(queue="nights", now=timezone.now() - timedelta(minutes=1))
    beat(queue="mail", now=timezone.now() - timedelta(hours=3))
    beat(queue="imports", now=timezone.now() - timedelta(hours=3))
    client.force_login(factories.member(firm, Role.OWNER))
    assert "The work behind the pages" not in client.get("/").content.decode(), "they may still be coming up"
    settings.UP_SINCE = timezone.now() - timedelta(hours=4)
    page = client.get("/").content.decode()
    assert "No mail leaves. Last sign of life: 3\u00a0hours ago." in page
    assert "No file is read. Last sign of life: 3\u00a0hours ago." in page
    assert "No roof is assessed." not in page
