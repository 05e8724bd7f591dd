"""The second step at log-in, asking again before what matters, devices, short sessions and pages that nobody keeps."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from allauth.account.internal.flows.login import AUTHENTICATION_METHODS_SESSION_KEY as RECORDS
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value
from django.conf import settings as django_settings
from django.core import mail
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import get_resolver, reverse

from portal.models import AuditEntry, Customer, Deed, Role, User, VisitState
from tests import factories
from tests.test_who_sees_what import names
from tests.views.test_account import text_of

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _required(settings: Any) -> None:
    settings.SECOND_FACTOR_REQUIRED = True


def code_of(secret: str, step: int = 0) -> str:
    """The six digits an app shows now (RFC 6238: half a minute a step)."""
    return str(format_hotp_value(hotp_value(secret, int(time.time()) // 30 + step)))


def test_the_codes_are_those_of_the_standard() -> None:
    """RFC 6238, appendix B: at 59 s the SHA-1 code ends in 287082; its secret in base 32."""
    secret = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"  # the standard's own
    assert format_hotp_value(hotp_value(secret, 59 // 30)) == "287082"


def set_up(client: Client) -> str:
    """Set the app up as somebody does on the page. Returns the app's key."""
    page = text_of(client.get("/accounts/second-step/totp/activate/"))
    key = re.search(r"<code>([A-Z2-7]+)</code>", page)
    assert key, page
    answer = client.post("/accounts/second-step/totp/activate/", {"code": code_of(key[1])})
    assert answer["Location"] == "/accounts/second-step/recovery-codes/"
    return key[1]


@pytest.mark.parametrize("who", [Role.OWNER, Role.OFFICE, "admin"])
def test_who_opens_customers_data_sets_a_second_step_up_before_anything_else(client: Client, who: str) -> None:
    firm = factories.business()
    user = factories.user(is_staff=True) if who == "admin" else factories.member(firm, Role(who))
    client.force_login(user)
    for path in ("/", "/customers/", "/admin/"):
        assert client.get(path)["Location"] == "/accounts/second-step/totp/activate/"
    set_up(client)
    assert client.get("/" if who != "admin" else "/admin/").status_code == 200


def test_technicians_and_homeowners_are_not_made_to(client: Client) -> None:
    homeowner = factories.user()
    site = factories.site(customer=factories.customer(user=homeowner))
    for user in (homeowner, factories.member(site.customer.business, Role.TECHNICIAN)):
        client.force_login(user)
        assert client.get("/").status_code == 200


def test_an_invented_firm_has_no_customers_to_guard(client: Client) -> None:
    client.force_login(factories.member(factories.business(invented=True), Role.OWNER))
    assert client.get("/").status_code == 200


@pytest.mark.parametrize(("said", "required"), [(None, True), ("optional", False), ("nonsense", True)])
def test_it_is_required_unless_a_deployment_says_otherwise(said: str | None, required: bool, tmp_path: Path) -> None:
    env = dict(os.environ) | {"PORTAL_SECRET_KEY": "of this test", "PORTAL_VAR": str(tmp_path)}
    env.pop("PORTAL_SECOND_FACTOR", None)
    env |= {"PORTAL_SECOND_FACTOR": said} if said else {}
    code = "from portal import settings; raise SystemExit(int(settings.SECOND_FACTOR_REQUIRED))"
    assert subprocess.run([sys.executable, "-c", code], env=env, check=False).returncode == int(required)


@pytest.mark.django_db(transaction=True)
def test_whoever_owns_a_login_hears_of_a_change_in_their_language(client: Client) -> None:
    client.force_login(factories.user(language="es"))
    set_up(client)
    assert [sent.subject for sent in mail.outbox] == ["Su acceso ha cambiado"]
    assert "http://localhost:8000/accounts/password/reset/" in str(mail.outbox[0].body)


def test_a_password_alone_does_not_log_in_any_more_and_a_code_works_once(client: Client) -> None:
    user = factories.member(factories.business(), Role.OFFICE)
    client.force_login(user)
    key = set_up(client)
    for attempt, wrong in enumerate((True, False)):
        thief = Client(REMOTE_ADDR=f"203.0.113.{attempt}")
        answer = thief.post("/accounts/login/", {"login": user.email, "password": factories.PASSWORD})
        assert answer["Location"] == "/accounts/second-step/authenticate/"
        assert thief.get("/customers/").status_code == 302, "not logged in yet"
        code = "000000" if wrong else code_of(key, 1)
        answer = thief.post(answer["Location"], {"code": code})
        assert answer.status_code == (200 if wrong else 302)
    assert thief.get("/customers/").status_code == 200
    third = Client(REMOTE_ADDR="203.0.113.9")
    third.post("/accounts/login/", {"login": user.email, "password": factories.PASSWORD})
    assert third.post("/accounts/second-step/authenticate/", {"code": code}).status_code == 200, "seen over a shoulder"


def test_a_spare_code_works_once(client: Client) -> None:
    user = factories.member(factories.business(), Role.OFFICE)
    client.force_login(user)
    set_up(client)
    spare = re.findall(r"<code>(\w+)</code>", text_of(client.get("/accounts/second-step/recovery-codes/")))
    assert len(spare) == len(set(spare)) == 10
    got = []
    for attempt in range(2):
        other = Client(REMOTE_ADDR=f"203.0.113.{attempt}")
        other.post("/accounts/login/", {"login": user.email, "password": factories.PASSWORD})
        got.append(other.post("/accounts/second-step/authenticate/", {"code": spare[0]}).status_code)
    assert got == [302, 200]


def test_a_new_password_by_mail_does_not_go_round_the_second_step(client: Client) -> None:
    user = factories.member(factories.business(), Role.OFFICE)
    client.force_login(user)
    set_up(client)
    other = Client()
    other.post("/accounts/password/reset/", {"email": user.email})
    link = re.search(r"/accounts/password/reset/key/\S+", str(mail.outbox[-1].body))
    assert link
    form = other.get(link[0], follow=True)
    chosen = {"password1": "three wet sponges", "password2": "three wet sponges"}
    assert other.post(form.request["PATH_INFO"], chosen)["Location"] == "/accounts/second-step/authenticate/"


def test_the_key_lies_encrypted_in_the_database(client: Client) -> None:
    user = factories.member(factories.business(), Role.OFFICE)
    client.force_login(user)
    key = set_up(client)
    assert key not in str(Authenticator.objects.get(user=user, type="totp").data)


def test_a_new_secret_key_opens_what_the_old_one_closed(client: Client, settings: Any) -> None:
    user = factories.member(factories.business(), Role.OFFICE)
    client.force_login(user)
    key = set_up(client)
    settings.SECRET_KEY_FALLBACKS = [django_settings.SECRET_KEY]
    settings.SECRET_KEY = "another one, after the old one had been seen"
    other = Client()
    other.post("/accounts/login/", {"login": user.email, "password": factories.PASSWORD})
    assert other.post("/accounts/second-step/authenticate/", {"code": code_of(key, 1)}).status_code == 302


def test_who_must_have_a_second_step_cannot_take_the_last_one_off(client: Client) -> None:
    user = factories.member(factories.business(), Role.OFFICE)
    client.force_login(user)
    set_up(client)
    assert "Add a passkey first" in text_of(client.post("/accounts/second-step/totp/deactivate/"))
    assert Authenticator.objects.filter(user=user, type="totp").exists()


def test_who_runs_the_portal_resets_a_lost_second_step(client: Client, capsys: Any) -> None:
    user = factories.member(factories.business(), Role.OFFICE)
    client.force_login(user)
    set_up(client)
    call_command("reset_second_step", user.email)
    assert "sets a second step up anew" in capsys.readouterr().out
    assert not Authenticator.objects.filter(user=user).exists()
    with pytest.raises(CommandError, match="no login"):
        call_command("reset_second_step", "nobody@homes.example")


# --- asking again ---------------------------------------------------------------------------------------------------


def long_ago(client: Client) -> None:
    """The password was given hours ago."""
    session = client.session
    session[RECORDS] = [{"method": "password", "at": time.time() - 3600}]
    session.save()


@pytest.fixture
def owner(client: Client, settings: Any) -> User:
    settings.SECOND_FACTOR_REQUIRED = False
    user = factories.member(factories.business(slug="ours"), Role.OWNER)
    client.force_login(user)
    long_ago(client)
    return user


ASKS = "/accounts/reauthenticate/"


def test_erasing_asks_again_and_then_goes_on(client: Client, owner: User) -> None:
    customer = factories.customer(business=owner.memberships.get().business)
    answer = client.post(f"/customers/{customer.pk}/erase/")
    assert answer["Location"].startswith(ASKS)
    assert Customer.objects.filter(pk=customer.pk).exists()
    assert client.post(answer["Location"], {"password": "not the one"}).status_code == 200
    assert Customer.objects.filter(pk=customer.pk).exists()
    answer = client.post(answer["Location"], {"password": factories.PASSWORD})
    assert answer["Location"] == "/customers/", "what was asked for is done, and its own answer comes"
    assert not Customer.objects.filter(pk=customer.pk).exists()
    line = AuditEntry.objects.get(deed=Deed.ERASED)
    assert (line.by, line.about) == (owner, f"customer {customer.pk}")


@pytest.mark.parametrize(
    ("path", "data"),
    [
        ("/sites/{site}/erase/", {}),
        ("/imports/tokens/", {"name": "logger", "opens": "site {site}"}),
        ("/visits/calendar/", {"do": "new"}),
        ("/business/ours/", {"price_per_module": "1"}),
        ("/business/ours/members/", {"name": "A", "email": "a@b.example", "role": "owner"}),
        ("/business/ours/members/{member}/remove/", {}),
    ],
)
def test_tokens_roles_and_prices_ask_again(client: Client, owner: User, path: str, data: dict[str, str]) -> None:
    firm = owner.memberships.get().business
    site = factories.site(customer=factories.customer(business=firm))
    factories.member(firm, Role.TECHNICIAN)
    path = path.format(site=site.pk, member=firm.memberships.exclude(user=owner).get().pk)
    assert client.post(path, data)["Location"].startswith(ASKS)
    assert not AuditEntry.objects.exists(), "nothing has been done"


@pytest.mark.parametrize(
    "path",
    [
        "/leads/leads.csv",
        "/customers/customers.csv",
        "/visits/visits.csv",
        "/invoices/invoices.csv",
        "/invoices/month/documents.csv",
        "/invoices/month/payments.csv",
    ],
)
def test_a_file_of_many_people_asks_again_and_is_noted(client: Client, owner: User, path: str) -> None:
    site = factories.site(customer=factories.customer(business=owner.memberships.get().business))
    factories.lead(site=site)
    factories.invoiced(factories.visit(site=site, state=VisitState.DONE, finished_at=factories.NOW), by=owner)
    answer = client.get(path)
    assert answer["Location"].startswith(ASKS)
    answer = client.post(answer["Location"], {"password": factories.PASSWORD})
    assert answer["Location"] == path
    assert client.get(path)["Content-Type"].startswith("text/csv")
    noted = AuditEntry.objects.get(deed=Deed.EXPORTED)
    assert noted.about.endswith(".csv")


def test_who_gave_the_password_a_moment_ago_is_not_asked_again(client: Client) -> None:
    customer = factories.customer()
    client.force_login(factories.member(customer.business, Role.OFFICE))
    set_up(client)
    assert client.post(f"/customers/{customer.pk}/erase/")["Location"] == "/customers/"


# --- sessions and copies --------------------------------------------------------------------------------------------


def test_sessions_last_a_fortnight_and_half_a_day_where_customers_data_lies_open(client: Client, settings: Any) -> None:
    settings.SECOND_FACTOR_REQUIRED = False
    ages = {}
    for role in ("homeowner", Role.TECHNICIAN, Role.OFFICE):
        firm = factories.business()
        user = factories.user() if role == "homeowner" else factories.member(firm, Role(role))
        client.post("/accounts/login/", {"login": user.email, "password": factories.PASSWORD})
        client.get("/")
        ages[str(role)] = timedelta(seconds=client.session.get_expiry_age())
        client.logout()
    fortnight, half_a_day = timedelta(days=14), timedelta(hours=12)
    assert ages == {"homeowner": fortnight, "technician": fortnight, "office": half_a_day}


def test_a_login_is_ended_on_a_lost_phone(client: Client) -> None:
    user = factories.user()
    name = "Mozilla/5.0 (Android 15; Mobile; rv:139.0) Gecko/139.0 Firefox/139.0"
    phone = Client(HTTP_USER_AGENT=name, REMOTE_ADDR="203.0.113.1")
    for browser in (phone, client):
        browser.post("/accounts/login/", {"login": user.email, "password": factories.PASSWORD})
    page = text_of(client.get("/accounts/devices/"))
    assert "Firefox on Android" in page
    assert "Mozilla" not in page
    assert "203.0.113.1" in page
    client.post("/accounts/devices/")
    assert phone.get("/")["Location"].startswith("/accounts/login/")
    assert client.get("/").status_code == 200


def test_nobody_ends_anothers_logins(client: Client) -> None:
    victim = Client()
    user = factories.user()
    victim.post("/accounts/login/", {"login": user.email, "password": factories.PASSWORD})
    client.force_login(factories.user())
    client.post("/accounts/devices/")
    assert victim.get("/").status_code == 200


def test_no_copy_of_a_private_page_stays_on_the_way_or_in_the_browser(client: Client) -> None:
    homeowner = factories.user()
    site = factories.site(customer=factories.customer(user=homeowner))
    assert client.get("/method/").get("Cache-Control") is None, "everybody's page"
    client.force_login(homeowner)
    for path in ("/", f"/sites/{site.pk}/", "/method/", "/accounts/second-step/"):
        assert "no-store" in client.get(path)["Cache-Control"], path


@pytest.mark.parametrize(
    "name", sorted(name for name in names(get_resolver().url_patterns) if name.startswith(("mfa_", "usersessions_")))
)
def test_a_stranger_has_no_second_step_and_no_devices(name: str) -> None:
    kwargs: dict[str, Any] = (
        {"pk": 1} if "webauthn" in name and name.endswith(("edit_webauthn", "remove_webauthn")) else {}
    )
    answer = Client().get(reverse(name, kwargs=kwargs))
    assert answer.status_code == 302 or (name == "mfa_login_webauthn" and answer.status_code == 200)
