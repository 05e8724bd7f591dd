"""Passkeys and codes in a real browser, with an authenticator that Chromium plays itself (W3C WebAuthn, section 11)."""

from __future__ import annotations

import os
import re
import time
from typing import Any

import pytest
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value
from playwright.sync_api import Page, expect

from portal.models import Role, User
from tests import factories
from tests.browser.test_pages import DESK, PHONE, complaints  # noqa: F401 - a fixture, by its name
from tests.browser.violations import violations

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def office(settings: Any) -> User:
    settings.SECOND_FACTOR_REQUIRED = True
    return factories.member(factories.business(), Role.OFFICE)


def log_in(page: Page, live_server: Any, user: User) -> None:
    page.goto(f"{live_server.url}/accounts/login/")
    page.get_by_label("Email").fill(user.email)
    page.get_by_label("Password").fill(factories.PASSWORD)
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url("**/accounts/second-step/**")


def seen(page: Page, name: str) -> None:
    """Whoever works on the pages can look at them: PORTAL_SHOTS names a folder."""
    if folder := os.environ.get("PORTAL_SHOTS"):
        for size, view in (("phone", PHONE), ("desk", DESK)):
            page.set_viewport_size(view)  # type: ignore[arg-type]
            page.screenshot(path=f"{folder}/{name}-{size}.png", full_page=True)


def test_a_passkey_takes_the_place_of_a_code_and_of_a_password_when_it_is_asked_again(
    page: Page,
    live_server: Any,
    office: User,
    complaints: list[str],  # noqa: F811
    settings: Any,
) -> None:
    devtools = page.context.new_cdp_session(page)
    devtools.send("WebAuthn.enable")
    played = {"protocol": "ctap2", "transport": "internal", "hasUserVerification": True, "isUserVerified": True}
    devtools.send("WebAuthn.addVirtualAuthenticator", {"options": played | {"automaticPresenceSimulation": True}})
    log_in(page, live_server, office)
    expect(page.get_by_role("heading", name="Set up the app with codes")).to_be_visible()
    page.get_by_role("link", name="A passkey instead").click()
    page.wait_for_url("**/webauthn/add/**")  # and loaded, with the script that answers its button
    page.get_by_label("Name").fill("The office's phone")
    seen(page, "passkey-add")
    page.get_by_role("button", name="Add it").click()
    expect(page.get_by_role("heading", name="Spare codes")).to_be_visible()
    seen(page, "spare-codes")
    page.goto(f"{live_server.url}/accounts/second-step/webauthn/")
    expect(page.get_by_text("The office's phone")).to_be_visible()
    seen(page, "passkeys")
    settings.ACCOUNT_REAUTHENTICATION_TIMEOUT = 0
    page.goto(f"{live_server.url}/accounts/reauthenticate/")
    page.get_by_role("link", name="By passkey instead").click()
    page.wait_for_url("**/webauthn/reauthenticate/**")  # the page before it asks in the same words
    expect(page.get_by_role("heading", name="Is it still you?")).to_be_visible()
    seen(page, "still-you-passkey")
    settings.ACCOUNT_REAUTHENTICATION_TIMEOUT = 900
    page.get_by_role("button", name="Use a passkey").click()
    page.wait_for_url(f"{live_server.url}/")  # the links of the head are there before it, and say nothing
    page.goto(f"{live_server.url}/accounts/logout/")
    page.get_by_role("button", name="Log out").click()
    page.wait_for_url(lambda url: "/logout/" not in url)
    log_in(page, live_server, office)
    page.wait_for_url("**/second-step/authenticate/**")
    expect(page.get_by_role("heading", name="Second step")).to_be_visible()
    seen(page, "second-step")
    page.get_by_role("button", name="Use a passkey").click()
    expect(page.get_by_role("link", name="Customers")).to_be_visible()
    assert Authenticator.objects.filter(user=office, type="webauthn").count() == 1


def test_the_app_is_set_up_and_what_matters_asks_again(
    page: Page,
    live_server: Any,
    office: User,
    complaints: list[str],  # noqa: F811
    settings: Any,
) -> None:
    log_in(page, live_server, office)
    seen(page, "app")
    assert not violations(page)
    key = page.locator("code").inner_text()
    page.get_by_label("Code").fill(format_hotp_value(hotp_value(key, int(time.time()) // 30)))
    page.get_by_role("button", name="Set it up").click()
    expect(page.get_by_role("heading", name="Spare codes")).to_be_visible()
    page.goto(f"{live_server.url}/accounts/second-step/")
    seen(page, "your-login")
    page.goto(f"{live_server.url}/accounts/devices/")
    seen(page, "devices")
    customer = factories.customer(business=office.memberships.get().business, name="Ida Novak")
    settings.ACCOUNT_REAUTHENTICATION_TIMEOUT = 0
    page.goto(f"{live_server.url}/customers/{customer.pk}/")
    page.locator("summary", has_text="Erase").click()
    page.locator(f"form[action$='/customers/{customer.pk}/erase/'] button").click()
    expect(page.get_by_role("heading", name="Is it still you?")).to_be_visible()
    seen(page, "still-you")
    settings.ACCOUNT_REAUTHENTICATION_TIMEOUT = 900
    page.get_by_label("Password").fill(factories.PASSWORD)
    page.get_by_role("button", name="Go on").click()
    expect(page.get_by_text("Ida Novak is erased.")).to_be_visible()
    assert re.search(r"/customers/$", page.url)
