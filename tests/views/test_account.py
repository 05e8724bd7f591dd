"""Log-in and passwords in our own frame and words."""

from __future__ import annotations

from typing import Any

import pytest
from django.core import mail
from django.test import Client, override_settings
from django.urls import reverse

from tests import factories

pytestmark = pytest.mark.django_db


def text_of(answer: Any) -> str:
    return " ".join(answer.content.decode().split())


def test_a_wrong_password_gets_a_sentence_and_keeps_the_address(client: Client) -> None:
    user = factories.user()
    answer = client.post("/accounts/login/", {"login": user.email, "password": "not the one"})
    assert answer.status_code == 200
    assert "not correct" in text_of(answer)
    assert user.email in text_of(answer)


def test_log_in_lands_on_the_page_one_came_for(client: Client) -> None:
    user = factories.user()
    site = factories.site(customer=factories.customer(user=user))
    asked = client.get(f"/sites/{site.pk}/")
    answer = client.post(asked["Location"], {"login": user.email, "password": factories.PASSWORD})
    assert answer["Location"] == f"/sites/{site.pk}/"


def test_log_in_does_not_lead_elsewhere(client: Client) -> None:
    user = factories.user()
    answer = client.post(
        "/accounts/login/?next=https://elsewhere.example/", {"login": user.email, "password": factories.PASSWORD}
    )
    assert answer["Location"] == "/"


def test_a_forgotten_password_is_mended_by_mail(client: Client) -> None:
    user = factories.user()
    client.post("/accounts/password/reset/", {"email": user.email})
    (sent,) = mail.outbox
    assert sent.subject == "Choose a new password"
    assert "/accounts/password/reset/key/" in str(sent.body)
    assert "within three days" in str(sent.body)


def test_nobody_learns_who_has_a_login(client: Client) -> None:
    factories.user(email="ida@homes.example")
    answers = [
        client.post("/accounts/password/reset/", {"email": address}, follow=True)
        for address in ("ida@homes.example", "nobody@homes.example")
    ]
    assert text_of(answers[0]) == text_of(answers[1])
    assert "There is no login with this address." in str(mail.outbox[1].body)


def test_log_out_asks_first(client: Client) -> None:
    client.force_login(factories.user())
    assert "Log out?" in text_of(client.get("/accounts/logout/"))
    assert client.get("/").status_code == 200
    client.post("/accounts/logout/")
    assert client.get("/").status_code == 302


def test_a_form_from_elsewhere_is_refused_in_plain_words() -> None:
    answer = Client(enforce_csrf_checks=True).post("/accounts/login/", {"login": "x", "password": "y"})
    assert answer.status_code == 403
    assert "reload the page and send it again" in text_of(answer)


@override_settings(ROOT_URLCONF="tests.views.broken")
def test_a_fault_of_ours_shows_no_trace_of_the_code() -> None:
    answer = Client(raise_request_exception=False).get("/")
    assert answer.status_code == 500
    assert "Something broke on our side" in text_of(answer)
    assert "Traceback" not in text_of(answer)
    assert "a secret of the code" not in text_of(answer)
    assert '<html lang="en">' in answer.content.decode(), "a reader aloud must know how to say it"


def test_nobody_takes_an_address_before_its_owner_is_given_access(client: Client) -> None:
    """Access is given by address: who could take one unconfirmed would be given what its owner is meant to get."""
    user = factories.user()
    client.force_login(user)
    for button in ("action_add", "action_primary"):
        assert client.post("/accounts/email/", {button: "", "email": "owner@roof.example"}).status_code == 404
    user.refresh_from_db()
    assert user.email != "owner@roof.example"


def test_nobody_signs_up_unasked() -> None:
    answer = Client().get(reverse("account_signup"))
    assert answer.status_code == 200
    assert b"<form" not in answer.content.split(b"<main")[1].split(b"</main>")[0]
