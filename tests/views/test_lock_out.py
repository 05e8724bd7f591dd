"""Guessing passwords, links into logins, and invitations: nobody climbs, and nobody is shut out by somebody else."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core import mail
from django.test import Client, override_settings
from django.utils import timezone

from portal.actions.invitations import MOST_OF_A_FIRM_A_DAY, MOST_TO_ONE_A_DAY
from portal.models import AuditEntry, Business, Customer, Deed, Role, User
from tests import factories
from tests.views.test_account import text_of

pytestmark = pytest.mark.django_db

LINK = re.compile(r"/accounts/password/reset/key/\S+")


def tried(login: str, password: str, address: str) -> Any:
    return Client(REMOTE_ADDR=address).post("/accounts/login/", {"login": login, "password": password})


def test_eight_wrong_passwords_from_eight_addresses_lock_nobody_else_out() -> None:
    user = factories.user()
    for last in range(8):
        assert "not correct" in text_of(tried(user.email, "a guess of mine", f"203.0.113.{last}"))
    assert tried(user.email, factories.PASSWORD, "198.51.100.7").status_code == 302


def test_who_guesses_from_one_address_is_stopped_there_and_mail_is_the_way_out() -> None:
    user = factories.user()
    for _ in range(5):
        tried(user.email, "a guess of mine", "203.0.113.1")
    stopped = text_of(tried(user.email, factories.PASSWORD, "203.0.113.1"))
    assert "Too many wrong passwords" in stopped
    assert "by mail" in stopped
    client = Client(REMOTE_ADDR="203.0.113.1")
    client.post("/accounts/password/reset/", {"email": user.email})
    link = LINK.search(str(mail.outbox[0].body))
    assert link
    form = client.get(link[0], follow=True)
    chosen = "three wet sponges"
    answer = client.post(form.request["PATH_INFO"], {"password1": chosen, "password2": chosen})
    assert answer["Location"] == "/"
    assert tried(user.email, chosen, "203.0.113.1").status_code == 302


@override_settings(ACCOUNT_RATE_LIMITS={"login_failed": "10/m/ip,5/5m/key", "login_failed_from_anywhere": "20/h/key"})
def test_a_thousand_addresses_do_not_guess_on_for_ever() -> None:
    """At most 100 tries an hour on one account (OWASP ASVS 4.0, 2.2.1); here 20, for speed."""
    user = factories.user()
    answers = [text_of(tried(user.email, "a guess of mine", f"203.0.113.{last}")) for last in range(21)]
    assert ["Too many" in answer for answer in answers] == [False] * 20 + [True]
    client = Client(REMOTE_ADDR="198.51.100.7")
    client.post("/accounts/password/reset/", {"email": user.email})
    link = LINK.search(str(mail.outbox[0].body))
    assert link
    form = client.get(link[0], follow=True)
    chosen = "three wet sponges"
    client.post(form.request["PATH_INFO"], {"password1": chosen, "password2": chosen})
    assert tried(user.email, chosen, "198.51.100.8").status_code == 302, "mail is the way out of this too"


def test_the_hour_has_a_hundred_tries(settings: Any) -> None:
    assert settings.ACCOUNT_RATE_LIMITS["login_failed_from_anywhere"] == "100/h/key"


@override_settings(ALLOWED_HOSTS=["*"], BASE_URL="https://portal.washers.example")
def test_a_reset_link_takes_its_host_from_the_settings_whatever_the_request_says() -> None:
    user = factories.user()
    Client(HTTP_HOST="elsewhere.example").post("/accounts/password/reset/", {"email": user.email})
    body = str(mail.outbox[0].body)
    assert "elsewhere.example" not in body
    assert "https://portal.washers.example/accounts/password/reset/key/" in body


@pytest.mark.parametrize("password", ["ida.novak@homes.example", "ida.novak@homes", "Ida Novakova"])
def test_ones_own_address_or_name_is_no_password(client: Client, password: str) -> None:
    user = factories.user(email="ida.novak@homes.example", name="Ida Novakova")
    client.force_login(user)
    given = {"oldpassword": factories.PASSWORD, "password1": password, "password2": password}
    assert "too similar" in text_of(client.post("/accounts/password/change/", given))
    client.logout()
    client.post("/accounts/password/reset/", {"email": user.email})
    link = LINK.search(str(mail.outbox[-1].body))
    assert link
    form = client.get(link[0], follow=True)
    answer = client.post(form.request["PATH_INFO"], {"password1": password, "password2": password})
    assert "too similar" in text_of(answer)
    user.refresh_from_db()
    assert user.check_password(factories.PASSWORD)


# --- no way up ------------------------------------------------------------------------------------------------------


@pytest.fixture
def firm(settings: Any, tmp_path: Path) -> Business:
    """A firm on a portal without a mail server, where the page hands links on."""
    settings.EMAIL_BACKEND = "django.core.mail.backends.filebased.EmailBackend"
    settings.EMAIL_FILE_PATH = tmp_path
    return factories.business()


def unused(email: str, **fields: Any) -> User:
    """A login whose owner has not chosen a password yet."""
    return User.objects.create_user(email, **fields)


def link_shown(firm: Business, by: Role, address: str) -> bool:
    customer = Customer.objects.filter(business=firm, email=address).first()
    customer = customer or factories.customer(business=firm, email=address)
    client = Client()
    client.force_login(factories.member(firm, by))
    said = text_of(client.post(f"/customers/{customer.pk}/access/", {"wish": "invite"}, follow=True))
    return LINK.search(said) is not None


@pytest.mark.parametrize("role", [Role.OWNER, Role.OFFICE])
def test_the_office_reads_no_link_into_a_login_that_ranks_as_high_by_calling_it_a_customer(
    firm: Business, role: Role
) -> None:
    firm.memberships.create(user=unused("boss@washers.example"), role=role)
    assert not link_shown(firm, Role.OFFICE, "boss@washers.example")
    assert link_shown(firm, Role.OWNER, "boss@washers.example") == (role == Role.OFFICE)


def test_nobody_of_a_firm_reads_a_link_into_the_login_of_who_runs_the_portal(firm: Business) -> None:
    unused("root@portal.example", is_staff=True)
    assert not link_shown(firm, Role.OWNER, "root@portal.example")


def test_the_office_still_hands_a_homeowner_their_link(firm: Business) -> None:
    assert link_shown(firm, Role.OFFICE, "ida@homes.example")


def test_an_owner_elsewhere_opens_no_more_than_their_role_here(firm: Business) -> None:
    """What somebody owns in another firm does not count in this one."""
    firm.memberships.create(user=unused("desk@washers.example"), role=Role.OFFICE)
    customer = factories.customer(business=firm, email="desk@washers.example")
    both = factories.member(factories.business(), Role.OWNER)
    firm.memberships.create(user=both, role=Role.OFFICE)
    client = Client()
    client.force_login(both)
    said = text_of(client.post(f"/customers/{customer.pk}/access/", {"wish": "invite"}, follow=True))
    assert LINK.search(said) is None


# --- invitations ----------------------------------------------------------------------------------------------------


def test_one_login_gets_no_more_than_a_few_invitations_a_day() -> None:
    customer = factories.customer()
    client = Client()
    client.force_login(factories.member(customer.business))
    for _ in range(MOST_TO_ONE_A_DAY):
        client.post(f"/customers/{customer.pk}/access/", {"wish": "invite"})
    said = text_of(client.post(f"/customers/{customer.pk}/access/", {"wish": "invite"}, follow=True))
    assert len(mail.outbox) == MOST_TO_ONE_A_DAY
    assert "enough invitations for one day" in said


def test_a_firm_does_not_mail_the_whole_world() -> None:
    customer = factories.customer()
    sender = factories.member(customer.business)
    now = timezone.now()
    for number in range(MOST_OF_A_FIRM_A_DAY):
        AuditEntry.objects.create(
            deed=Deed.INVITED, about=f"login {9000 + number}", business=customer.business, by=sender, at=now
        )
    client = Client()
    client.force_login(sender)
    client.post(f"/customers/{customer.pk}/access/", {"wish": "invite"})
    assert not mail.outbox
    other = factories.customer()
    client.force_login(factories.member(other.business))
    client.post(f"/customers/{other.pk}/access/", {"wish": "invite"})
    assert len(mail.outbox) == 1, "another firm's invitations are its own"


def test_yesterdays_invitations_are_not_counted() -> None:
    customer = factories.customer()
    sender = factories.member(customer.business)
    then = timezone.now() - timedelta(days=1, minutes=1)
    for _ in range(MOST_OF_A_FIRM_A_DAY):
        AuditEntry.objects.create(deed=Deed.INVITED, about="login 1", business=customer.business, by=sender, at=then)
    client = Client()
    client.force_login(sender)
    client.post(f"/customers/{customer.pk}/access/", {"wish": "invite"})
    assert len(mail.outbox) == 1
