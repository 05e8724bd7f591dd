"""The office's customers: found, entered, invited."""

from __future__ import annotations

import re
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from django.core import mail
from django.test import Client
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from portal.actions.people import give_access
from portal.models import Customer, Role, User
from portal.views.asked import A_PAGE
from tests import factories

pytestmark = pytest.mark.django_db


def text_of(answer: Any) -> str:
    return " ".join(unescape(answer.content.decode()).split())


def test_customers_are_found_by_name_address_mail_and_phone(client: Client) -> None:
    firm = factories.business()
    zoe = factories.customer(business=firm, name="Zoë Adler", email="zoe@homes.example", phone="555-0177")
    factories.site(customer=zoe, address="9 Kestrel Close")
    factories.customer(business=firm, name="Otto Berg")
    client.force_login(factories.member(firm, Role.OFFICE))
    for wanted in ("adler", "kestrel", "zoe@", "0177", "adler kestrel"):
        text = text_of(client.get("/customers/", {"q": wanted}))
        assert "Zoë Adler" in text, wanted
        assert "Otto Berg" not in text, wanted
    assert "Nobody found" in text_of(client.get("/customers/", {"q": "nobody at all"}))


def test_a_full_page_of_fifty_asks_as_little_as_a_list_of_one(
    client: Client, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    firm = factories.business()
    client.force_login(factories.member(firm))

    def add() -> None:
        site = factories.site(customer=factories.customer(business=firm))
        factories.assessment(site=site)

    add()
    # session, user; may manage; count, customers, sites, what is told of them (newest assessments,
    # readings, visits, gauges); frame: roles, owns a roof, businesses
    with django_assert_num_queries(15):
        client.get("/customers/")
    for _ in range(49):
        add()
    with django_assert_num_queries(15):
        text = text_of(client.get("/customers/"))
    assert "50 customers." in text
    assert text.count("8 % (6 to 10 %)") == A_PAGE


def test_only_the_office_has_the_list(client: Client) -> None:
    firm = factories.business()
    customer = factories.customer(business=firm, user=factories.user())
    assert customer.user
    for person in (customer.user, factories.member(firm, Role.TECHNICIAN)):
        client.force_login(person)
        assert client.get("/customers/").status_code == 403
        assert client.get("/customers/new/").status_code == 403
        assert client.get(f"/customers/{customer.pk}/").status_code == 404


def test_another_business_sees_no_customer(client: Client) -> None:
    theirs = factories.customer()
    client.force_login(factories.member(factories.business()))
    assert theirs.name not in text_of(client.get("/customers/"))
    for address in ("", "edit/", "sites/new/"):
        assert client.get(f"/customers/{theirs.pk}/{address}").status_code == 404
    assert client.post(f"/customers/{theirs.pk}/access/").status_code == 404


def test_a_new_customer_is_kept_with_the_day_of_consent(client: Client) -> None:
    firm = factories.business()
    client.force_login(factories.member(firm))
    answer = client.post(
        "/customers/new/", {"name": "Ida Novak", "email": "Ida@Homes.example", "language": "es", "consented_on": ""}
    )
    kept = Customer.objects.get(name="Ida Novak")
    assert answer["Location"] == f"/customers/{kept.pk}/"
    assert (kept.business, kept.email, kept.language, kept.consented_on) == (firm, "ida@homes.example", "es", None)


def test_the_same_address_twice_gets_a_sentence(client: Client) -> None:
    known = factories.customer(email="ida@homes.example")
    client.force_login(factories.member(known.business))
    answer = client.post("/customers/new/", {"name": "Ida", "email": "ida@homes.example", "language": "en"})
    assert "already has a customer with this e-mail address" in text_of(answer)
    assert Customer.objects.count() == 1


def test_an_invitation_leads_to_a_password_and_to_the_own_roof(client: Client) -> None:
    site = factories.site(customer=factories.customer(name="Ida Novak", email="ida@homes.example"))
    client.force_login(factories.member(site.customer.business))
    client.post(f"/customers/{site.customer.pk}/access/", {"wish": "invite"})
    (sent,) = mail.outbox
    assert sent.to == ["ida@homes.example"]
    link = re.search(r"http://\S+(/accounts/password/reset/key/\S+)", str(sent.body))
    assert link
    client.logout()
    form = client.get(link[1], follow=True)
    assert "Choose a password" in text_of(form)
    chosen = {"password1": "three wet sponges", "password2": "three wet sponges"}
    home = text_of(client.post(form.request["PATH_INFO"], chosen, follow=True))
    assert "Your roof: Home" in home
    assert site.customer.business.email in home, "whom to ask for what has no page"
    client.logout()
    back = client.post("/accounts/login/", {"login": "ida@homes.example", "password": "three wet sponges"}, follow=True)
    assert "Your roof: Home" in text_of(back)
    client.logout()
    again = client.get(link[1], follow=True)
    assert "This link no longer works" in text_of(again)


def test_the_invitation_comes_in_the_customers_language(client: Client) -> None:
    customer = factories.customer(language="es")
    client.force_login(factories.member(customer.business))
    client.post(f"/customers/{customer.pk}/access/", {"wish": "invite"})
    assert "su página está lista" in mail.outbox[0].subject
    assert "Elija aquí una contraseña" in str(mail.outbox[0].body)


def test_inviting_again_makes_no_second_login(client: Client) -> None:
    customer = factories.customer(email="ida@homes.example")
    client.force_login(factories.member(customer.business))
    for _ in range(2):
        client.post(f"/customers/{customer.pk}/access/", {"wish": "invite"})
    assert User.objects.filter(email="ida@homes.example").count() == 1
    assert len(mail.outbox) == 2


def test_without_an_address_the_office_is_told_what_is_missing(client: Client) -> None:
    customer = factories.customer(email="")
    client.force_login(factories.member(customer.business))
    answer = client.post(f"/customers/{customer.pk}/access/", {"wish": "invite"}, follow=True)
    assert "Enter the customer's e-mail address first" in text_of(answer)
    assert not mail.outbox


def test_a_mail_server_that_is_away_gets_a_sentence_and_loses_nothing(client: Client, settings: Any) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", 1  # nobody listens there
    customer = factories.customer()
    client.force_login(factories.member(customer.business))
    answer = client.post(f"/customers/{customer.pk}/access/", {"wish": "invite"}, follow=True)
    assert "could not be sent" in text_of(answer)
    customer.refresh_from_db()
    assert customer.user is not None


def test_a_login_can_be_taken_away(client: Client) -> None:
    user = factories.user()
    site = factories.site(customer=factories.customer(user=user))
    client.force_login(factories.member(site.customer.business))
    client.post(f"/customers/{site.customer.pk}/access/", {"wish": "withdraw"})
    client.force_login(user)
    assert client.get(f"/sites/{site.pk}/").status_code == 404


def test_without_a_mail_server_the_office_gets_the_link_to_hand_on_but_never_into_a_login_in_use(
    client: Client, settings: Any, tmp_path: Any
) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.filebased.EmailBackend"
    settings.EMAIL_FILE_PATH = tmp_path
    firm = factories.business()
    client.force_login(factories.member(firm))
    fresh = factories.customer(business=firm)
    said = text_of(client.post(f"/customers/{fresh.pk}/access/", {"wish": "invite"}, follow=True))
    link = re.search(r"https?://[^/]+(/accounts/password/reset/key/\S+/)", said)
    assert link
    assert "Choose a password" in text_of(Client().get(link[1], follow=True))
    elsewhere = factories.customer(business=firm, email=factories.member(factories.business()).email)
    said = text_of(client.post(f"/customers/{elsewhere.pk}/access/", {"wish": "invite"}, follow=True))
    assert "has a login already" in said
    assert "/accounts/password/reset/key/" not in said
    # nor into one that another firm has made and nobody has used yet
    waiting = factories.customer(email="both@homes.example")
    give_access(customer=waiting)
    shared = factories.customer(business=firm, email="both@homes.example")
    said = text_of(client.post(f"/customers/{shared.pk}/access/", {"wish": "invite"}, follow=True))
    assert "has a login already" in said
    assert "/accounts/password/reset/key/" not in said


def test_a_visit_of_this_morning_that_nobody_finished_is_still_on_the_customers_page(client: Client) -> None:
    visit = factories.visit(starts_at=timezone.now() - timedelta(hours=3))
    client.force_login(factories.member(visit.site.customer.business))
    assert f"/visits/{visit.pk}/" in text_of(client.get(f"/customers/{visit.site.customer.pk}/"))
