"""What phones send."""

from __future__ import annotations

import json
from datetime import timedelta
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.photos import MOST_PHOTO_BYTES
from tests.views.cast import Cast

pytestmark = pytest.mark.django_db


def test_a_phone_that_is_logged_out_is_told_so() -> None:
    for send in (
        Client().get(reverse("visit_hello"), headers={"accept": "application/json"}),
        Client().post("/visits/1/entries/", headers={"accept": "application/json"}),
    ):
        assert send.status_code == 401
        assert "nothing is lost" in send.json()["problem"]


def test_a_phone_needs_the_token(people: Cast) -> None:
    strict = Client(enforce_csrf_checks=True)
    technician = people.people["technician"]
    assert technician is not None
    strict.force_login(technician)
    url = reverse("visit_entries", args=[people.visit.pk])
    body = {"client_id": str(uuid4()), "kind": "step", "item": "tap"}
    assert strict.post(url, body).status_code == 403
    token = strict.get(reverse("visit_hello"), headers={"accept": "application/json"}).json()["token"]
    answer = strict.post(url, body, headers={"X-CSRFToken": token, "accept": "application/json"})
    assert answer.status_code == 200


def test_a_refused_photo_is_answered_with_a_sentence(people: Cast) -> None:
    answer = people.client("technician").post(
        reverse("visit_photos", args=[people.visit.pk]),
        {
            "client_id": str(uuid4()),
            "phase": "before",
            "distance": "wide",
            "photo": SimpleUploadedFile("roof.svg", b"<svg><script>alert(1)</script></svg>", "image/svg+xml"),
        },
        headers={"accept": "application/json"},
    )
    assert answer.status_code == 422
    assert "“roof.svg” is not a photo" in json.loads(answer.content)["problem"]


def test_a_photo_beyond_all_cameras_is_answered_with_a_sentence(people: Cast) -> None:
    answer = people.client("technician").post(
        reverse("visit_photos", args=[people.visit.pk]),
        {
            "client_id": str(uuid4()),
            "phase": "before",
            "photo": SimpleUploadedFile("a.jpg", bytes(MOST_PHOTO_BYTES + 1)),
        },
        headers={"accept": "application/json"},
    )
    assert answer.status_code == 422
    assert "“a.jpg” is larger than 30 MB" in json.loads(answer.content)["problem"]


@pytest.mark.parametrize(
    ("at", "sent_at", "minutes_ago"),
    [
        ("2026-06-01T08:00:00+00:00", "2026-06-01T08:45:00+00:00", 45),  # whatever the phone's clock says
        ("1970-01-01T00:10:00Z", "1970-01-01T00:12:00Z", 2),
        ("2999-01-01T00:00:00Z", "2999-01-01T00:00:00Z", 0),
        ("2026-06-01T09:00:00Z", "2026-06-01T08:00:00Z", 0),  # it was set back meanwhile
        ("1970-01-01T00:00:00Z", "2026-06-01T08:00:00Z", 0),  # it was set right meanwhile
        ("yesterday", "", 0),
        ("", "", 0),
    ],
)
def test_an_entry_is_as_old_as_the_phone_says_by_its_own_clock(
    people: Cast, at: str, sent_at: str, minutes_ago: int
) -> None:
    people.client("technician").post(
        reverse("visit_entries", args=[people.visit.pk]),
        {"client_id": str(uuid4()), "kind": "step", "item": "tap", "at": at, "sent_at": sent_at},
    )
    entry = people.visit.entries.get()
    assert abs(timezone.now() - timedelta(minutes=minutes_ago) - entry.at) < timedelta(minutes=1)


def test_a_form_without_the_script_is_kept_too(people: Cast) -> None:
    client = people.client("technician")
    answer = client.post(
        reverse("visit_entries", args=[people.visit.pk]),
        {"client_id": str(uuid4()), "kind": "step", "item": "soak", "soak_minutes": "ten"},
        follow=True,
    )
    assert "must be a whole number" in answer.content.decode()
    client.post(
        reverse("visit_entries", args=[people.visit.pk]),
        {"client_id": str(uuid4()), "kind": "step", "item": "soak", "soak_minutes": "10"},
    )
    assert people.visit.entries.get().soak_minutes == 10
