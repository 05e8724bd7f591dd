"""Every page that a role may open: axe finds nothing at four widths, nothing scrolls sideways, Tab walks it all."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.conf import settings
from django.core.mail import EmailMessage
from django.core.mail.backends.filebased import EmailBackend
from django.test import Client, override_settings
from django.urls import get_resolver, reverse
from playwright.sync_api import Page

from portal.models import Customer, Reminder, SiteDaily, User
from portal.models.assessment import pack_daily
from tests.browser.logins_pages import LOGINS, NOT_OPENED, logged_in, logins_pages
from tests.browser.test_pages import daily_table
from tests.browser.violations import said, violations
from tests.browser.walk import wrong_by_keyboard
from tests.pages import NOWHERE, opened_by
from tests.test_who_sees_what import names
from tests.world import World, utility, world  # noqa: F401 - pytest finds fixtures by their names

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

STYLES = Path(settings.ROOT) / "portal" / "static" / "css"
REM = 16
"""Pixels of a browser's usual letters, by which media queries measure (Media Queries 4, section 1.3)."""
ROLES = ("owner", "office", "technician", "homeowner")
WIDEST = 1440
WIDTHS = (1280, 1024, 820, 768, 720, 640, 320)
"""Desks; common tablets, upright and lying; 1280 pixels at 200 % zoom (WCAG 2.2, 1.4.4); the narrowest, 320 CSS pixels,
which is also 1280 at 400 % zoom (1.4.10, reflow)."""
LAYOUTS = (820, 768, 320)
EACH_LAYOUT = (820, 320)
"""The style sheets lay a page out at 768 pixels as at 820, which a test holds."""
LAID_OUT = (
    *("scrollable-region-focusable", "target-size", "aria-hidden-focus", "nested-interactive"),
    *("link-name", "button-name", "label", "select-name", "image-alt", "svg-img-alt", "summary-name"),
    *("empty-table-header", "th-has-data-cells", "td-headers-attr", "list", "listitem", "definition-list", "dlitem"),
)
"""What may be other where a page is laid out otherwise: what scrolls, how large targets are, what is hidden or shown,
and tables that become cards. The rest reads what stands in the page, which is the same at each width; colours change by
the hour and not by the width, and the narrowest is read by night. The benchmark reads all rules at all widths."""
BY_NIGHT = ("color-contrast", "link-in-text-block")
"""The other rules of axe do not see colours: https://dequeuniversity.com/rules/axe/4.10"""


@pytest.fixture
def _mails_in_files() -> Iterator[None]:
    with override_settings(EMAIL_BACKEND="django.core.mail.backends.filebased.EmailBackend"):
        yield


def addresses_of(role: str, client: Client, world: World, *, whole: bool) -> list[str]:  # noqa: F811
    """Of what answers this role with a page; without ``whole``, but what an earlier role has opened alike."""
    found = []
    earlier = frozenset() if whole else frozenset(ROLES[: ROLES.index(role)])
    for _name, address in opened_by(role, world.keys, earlier):
        answer = client.get(address)
        answer.getvalue()  # a streamed file is closed once it is read
        if answer["Content-Type"].startswith("text/html") and b"<html" in answer.content:
            found.append(address)
    return [*found, a_mail(world), reverse("design")] if role == "owner" else found


def a_mail(world: World) -> str:  # noqa: F811
    """The page of a mail that the embedded portal wrote to a file instead of sending it."""
    said = EmailMessage("Your panels", "They are due for a wash.", "us@ours.example", ["una@homes.example"])
    said.extra_headers["Message-ID"] = "<one@ours.example>"
    EmailBackend(file_path=str(settings.EMAIL_FILE_PATH)).send_messages([said])
    Reminder.objects.filter(pk=world.keys["reminder"]).update(message_id="<one@ours.example>")
    return reverse("mail", args=[world.keys["reminder"]])


@dataclass
class Reader:
    """Goes through pages and notes what is wrong with them."""

    page: Page
    site: str
    whole: bool
    wrong: list[tuple[str, str, Any]] = field(default_factory=list)
    opened: int = 0
    seconds: dict[str, float] = field(default_factory=dict)

    def as_whom(self, client: Client) -> None:
        self.page.context.clear_cookies()
        cookies = client.cookies.values()
        self.page.context.add_cookies([{"name": one.key, "value": one.value, "url": self.site} for one in cookies])

    def read(self, who: str, address: str, status: int = 200) -> None:
        self.page.set_viewport_size({"width": WIDEST, "height": 800})
        self.page.emulate_media(color_scheme="light")
        answer = self.page.goto(f"{self.site}{address}")
        assert answer is not None
        assert (answer.status, urlsplit(self.page.url).path) == (status, address)
        # with all that folds unfolded
        self.page.evaluate("document.querySelectorAll('details').forEach(one => { one.name = ''; one.open = true; })")
        for part in (self._walk, self._widest, self._narrower):
            began = time.perf_counter()
            self.wrong += [(who, address, what) for what in part()]
            self.seconds[part.__name__] = self.seconds.get(part.__name__, 0.0) + time.perf_counter() - began
        self.opened += 1

    def _walk(self) -> list[Any]:
        return wrong_by_keyboard(self.page)

    def _widest(self) -> list[Any]:
        return said(violations(self.page))

    def _narrower(self) -> Iterator[Any]:
        for width in LAYOUTS if self.whole else ():
            self.page.set_viewport_size({"width": width, "height": 640})
            yield from self._axe(width, ())
        self.page.emulate_media(color_scheme="dark")
        for width in WIDTHS:
            self.page.set_viewport_size({"width": width, "height": 640})
            seen = self.page.evaluate("document.documentElement.scrollWidth")
            if seen > width:
                yield width, seen
            night = BY_NIGHT if width == WIDTHS[-1] or (self.whole and width in LAYOUTS) else ()
            rules = [*(LAID_OUT if width in (LAYOUTS if self.whole else EACH_LAYOUT) else ()), *night]
            if rules:
                yield from self._axe(width, rules)

    def _axe(self, width: int, rules: Sequence[str]) -> list[Any]:
        return [(width, *one) for one in said(violations(self.page, rules=rules, again=True))]


def read_all(reader: Reader, world: World) -> None:  # noqa: F811
    table = pack_daily(daily_table())
    points = [[days, 0.01, 0.05, 0.2] for days in range(0, 361, 15)]
    fan = {"as_of": "2026-06-14", "washed_after": 0, "unwashed": points, "washed": points, "rained": [0.5] * 25}
    SiteDaily.objects.create(site_id=world.keys["site"], as_of=date(2026, 6, 14), table=table, fan=fan)
    Customer.objects.filter(pk=world.keys["customer"]).update(email="withalongnameandanothernamebehind@homes.example")
    for role in ROLES:
        client = Client()
        client.force_login(User.objects.get(pk=world.people[role].pk))
        reader.as_whom(client)
        for address in addresses_of(role, client, world, whole=reader.whole):
            with override_settings(DEBUG=address == reverse("design")):
                reader.read(role, address)
    for client, addresses in logins_pages(User.objects.get(pk=world.people["office"].pk)):
        reader.as_whom(client)
        for address in addresses:
            reader.read("login", address)
    reader.as_whom(logged_in(world.people["rival owner"]))
    reader.read("invited", reverse("member_join", args=[world.keys["join"]]))
    reader.as_whom(Client())
    reader.read("", NOWHERE, 404)


@pytest.mark.long(45)
@pytest.mark.usefixtures("_mails_in_files")
def test_every_page_is_whole_at_each_width_and_by_keyboard(
    page: Page,
    live_server: Any,
    world: World,  # noqa: F811
) -> None:
    reader = Reader(page, live_server.url, whole=False)
    read_all(reader, world)
    assert reader.wrong == []


@pytest.mark.benchmark
@pytest.mark.usefixtures("_mails_in_files")
def test_every_page_by_every_rule_at_each_width_as_each_role(
    page: Page,
    live_server: Any,
    world: World,  # noqa: F811
) -> None:
    reader = Reader(page, live_server.url, whole=True)
    read_all(reader, world)
    spent = ", ".join(f"{name.strip('_')} {seconds:.0f} s" for name, seconds in reader.seconds.items())
    print(f"\n{reader.opened} pages; {spent}")
    assert reader.wrong == []


def test_a_page_that_is_wrong_is_found(page: Page) -> None:
    page.set_content("<html lang=en><title>A page</title><main><h1>A page</h1><img src=none><button></button></main>")
    assert {what for what, _ in said(violations(page))} == {"image-alt", "button-name"}
    assert said(violations(page, rules=["button-name"], again=True)) == [("button-name", ["<button></button>"])]


def test_no_style_sheet_tells_768_pixels_from_820() -> None:
    sheets = "".join(path.read_text() for path in sorted(STYLES.glob("*.css")))
    asked = {float(rem) * REM for rem in re.findall(r"@media[^{]*\((?:min|max)-width: ([\d.]+)rem\)", sheets)}
    assert len(asked) >= 5
    assert len(asked) == len(set(re.findall(r"@media[^{]*-width: ([^)]+)\)", sheets))), "in rem, each"
    assert [width for width in asked if 768 <= width <= 820] == []


def test_each_page_of_a_login_is_opened_or_it_is_said_why_not() -> None:
    libraries = ("account_", "mfa_", "usersessions_")
    routes = {name for name in names(get_resolver().url_patterns) if name.startswith(libraries)}
    assert routes == {*LOGINS, *NOT_OPENED}
