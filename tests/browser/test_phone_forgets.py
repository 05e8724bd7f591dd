"""What a phone puts aside ends: with the login, and after two days."""

from __future__ import annotations

import time

import pytest
from django.contrib.sessions.models import Session
from playwright.sync_api import BrowserContext, Page, expect
from pytest_django.live_server_helper import LiveServer

from portal.models import Role
from tests import factories
from tests.browser.phone import booked, browser_context_args, log_in, ready, until

__all__ = ["browser_context_args"]  # the fixtures

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

UNTIL = "caches.open('visits').then((kept) => kept.match('{path}')).then((copy) => copy.headers.get('X-Kept-Until'))"
END = """
    caches.open('visits').then(async (kept) => {
      const copy = await kept.match('PATH');
      const headers = new Headers(copy.headers);
      headers.set('X-Kept-Until', String(Date.now() - 1));
      await kept.put('PATH', new Response(await copy.blob(), { headers }));
    })
"""


def test_a_copy_ends_after_two_days(page: Page, context: BrowserContext, live_server: LiveServer) -> None:
    visit, (technician,) = booked()
    log_in(page, live_server, technician)
    path = f"/visits/{visit.pk}/"
    page.goto(live_server.url + path)
    ready(page)
    hours = (float(page.evaluate(UNTIL.format(path=path))) / 1000 - time.time()) / 3600
    assert 47.5 < hours <= 48
    context.set_offline(True)
    page.goto(live_server.url + path)
    expect(page.get_by_text("Before anyone goes up")).to_be_visible()
    page.evaluate(END.replace("PATH", path))  # as if the two days had passed
    page.goto(live_server.url + path)
    expect(page.get_by_role("heading", level=1)).to_have_text("No signal")
    assert page.evaluate(f"caches.match('{path}').then((copy) => copy === undefined)"), "thrown away, not only hidden"


def test_a_copy_ends_with_the_login_of_the_office(page: Page, live_server: LiveServer) -> None:
    visit, _ = booked()
    log_in(page, live_server, factories.member(visit.site.customer.business, Role.OFFICE))
    path = f"/visits/{visit.pk}/"
    page.goto(live_server.url + path)
    ready(page)
    assert (float(page.evaluate(UNTIL.format(path=path))) / 1000 - time.time()) / 3600 <= 12


def test_when_the_login_is_ended_elsewhere_the_next_signal_takes_the_copies_along(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = booked()
    log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    ready(page)
    Session.objects.all().delete()
    page.goto(f"{live_server.url}/visits/")
    page.wait_for_url("**/accounts/login/**")
    until(page, f"caches.match('/visits/{visit.pk}/').then((copy) => !copy)")
    context.set_offline(True)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    expect(page.get_by_role("heading", level=1)).to_have_text("No signal")
