"""Every page that a role may open: nothing scrolls sideways at any width, and axe finds nothing by day or by night."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Page

from portal.models import Customer, SiteDaily, User
from portal.models.assessment import pack_daily
from tests.browser.test_pages import daily_table
from tests.pages import ACCOUNT, NOWHERE, OUT, opened_by
from tests.world import World, utility, world  # noqa: F401 - pytest finds fixtures by their names

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

WIDEST = 1440
WIDTHS = (1280, 1024, 820, 768, 720, 640, 320)
"""Desks; common tablets, upright and lying; 1280 pixels at 200 % zoom (WCAG 2.2, 1.4.4); the narrowest, 320 CSS pixels,
which is also 1280 at 400 % zoom (1.4.10, reflow)."""
LAID_OUT = ("scrollable-region-focusable", "target-size", "aria-hidden-focus")
"""Rules of axe that depend on how a page is laid out; those of colour are asked at the narrowest by night."""
LAYOUTS = (820, 768, 320)
ROLES = ("owner", "technician", "homeowner")
BY_NIGHT = ["color-contrast", "link-in-text-block"]
"""The other rules of axe do not see colours: https://dequeuniversity.com/rules/axe/4.10"""


def pages_of(role: str, client: Client, world: World) -> list[str]:  # noqa: F811
    """Addresses of what answers this role with a page, which an earlier role has not opened alike."""
    found = []
    earlier = frozenset(ROLES[: ROLES.index(role)])
    for _name, address in opened_by(role, world.keys, earlier):
        answer = client.get(address)
        answer.getvalue()  # a streamed file is closed once it is read
        if answer["Content-Type"].startswith("text/html") and b"<html" in answer.content:
            found.append(address)
    return found + ([] if earlier else [reverse(name) for name in ACCOUNT])


@pytest.mark.long(37)
def test_no_page_scrolls_sideways_or_keeps_anyone_out(
    page: Page,
    live_server: Any,
    world: World,  # noqa: F811
) -> None:
    table = pack_daily(daily_table())
    points = [[days, 0.01, 0.05, 0.2] for days in range(0, 361, 15)]
    fan = {"as_of": "2026-06-14", "washed_after": 0, "unwashed": points, "washed": points, "rained": [0.5] * 25}
    SiteDaily.objects.create(site_id=world.keys["site"], as_of=date(2026, 6, 14), table=table, fan=fan)
    Customer.objects.filter(pk=world.keys["customer"]).update(email="withalongnameandanothernamebehind@homes.example")
    wrong: list[Any] = []
    for role in ROLES:
        client = Client()
        client.force_login(User.objects.get(pk=world.people[role].pk))
        key = client.cookies[settings.SESSION_COOKIE_NAME]
        page.context.add_cookies([{"name": key.key, "value": key.value, "url": live_server.url}])
        for address in pages_of(role, client, world):
            wrong += [(role, address, what) for what in what_is_wrong(page, f"{live_server.url}{address}")]
    page.context.clear_cookies()
    join = reverse("member_join", args=[world.keys["join"]])
    for address, status in [*((reverse(name), 200) for name in OUT), (join, 200), (NOWHERE, 404)]:
        wrong += [("", address, what) for what in what_is_wrong(page, f"{live_server.url}{address}", status)]
    assert wrong == []


def what_is_wrong(page: Page, address: str, status: int = 200) -> list[Any]:
    """With all that folds unfolded."""
    page.set_viewport_size({"width": WIDEST, "height": 800})
    page.emulate_media(color_scheme="light")
    answer = page.goto(address)
    assert answer is not None
    assert answer.status == status, address
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.name = ''; one.open = true; })")
    found = Axe().run(page).response["violations"]
    page.emulate_media(color_scheme="dark")
    wrong: list[Any] = [(one["id"], one["nodes"][0]["html"]) for one in found]
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 640})
        seen = page.evaluate("document.documentElement.scrollWidth")
        wrong += [(width, seen)] if seen > width else []
        rules = [*(LAID_OUT if width in LAYOUTS else ()), *(BY_NIGHT if width == WIDTHS[-1] else ())]
        if rules:
            found = page.evaluate("rules => axe.run(document, { runOnly: rules })", rules)["violations"]
            wrong += [(width, one["id"], [node["html"] for node in one["nodes"]][:3]) for one in found]
    return wrong
