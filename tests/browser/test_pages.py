"""Three people in a real browser: they log in, read, and nothing breaks the security policy or keeps anyone out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from portal.models import Role, Site, SiteDaily, User
from portal.models.assessment import pack_daily
from tests import factories
from tests.browser.violations import said, violations

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 800}
NARROWEST = {"width": 320, "height": 640}
"""WCAG 2.2, 1.4.10 (reflow): 320 CSS pixels wide, which is also 1280 at 400 % zoom, without scrolling sideways."""


@dataclass
class Firm:
    owner: User
    technician: User
    homeowner: User
    site: Site


@pytest.fixture
def firm() -> Firm:
    business = factories.business(name="Invented Washers", invented=True)
    homeowner = factories.user(name="Ida Novak")
    site = factories.site(customer=factories.customer(business=business, user=homeowner, name="Ida Novak"))
    technician = factories.member(business, Role.TECHNICIAN)
    factories.assessment(site=site, cleanings=[{"date": "2026-03-20", "gain": 0.05, "low": 0.03, "high": 0.07}])
    SiteDaily.objects.create(site=site, as_of=date(2026, 6, 14), table=pack_daily(daily_table()))
    factories.lead(site=site)
    factories.visit(site=site, technicians=(technician,), starts_at=timezone.now())
    return Firm(factories.member(business), technician, homeowner, site)


def daily_table() -> pd.DataFrame:
    days = 200
    ratio = 1 - 0.0005 * np.arange(days)
    used = np.arange(days) % 7 > 0
    return pd.DataFrame(
        {
            "energy_wh": 20_000.0,
            "expected_wh": 25_000.0,
            "index": np.where(used, ratio, np.nan),
            "used": used,
            "refused": np.where(used, "", "clouds all day"),
            "soiling_ratio": ratio,
            "soiling_ratio_low": ratio - 0.01,
            "soiling_ratio_high": ratio + 0.01,
        },
        index=[date(2025, 11, 27) + timedelta(days=n) for n in range(days)],
    )


@pytest.fixture
def complaints(page: Page) -> Iterator[list[str]]:
    """What the browser complained of: policy violations, script errors, missing files. A test must leave it empty."""
    heard: list[str] = []
    page.on("console", lambda message: heard.append(message.text) if message.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: heard.append(str(error)))
    yield heard
    assert heard == []


def log_in(page: Page, live_server: Any, user: User) -> None:
    page.goto(f"{live_server.url}/accounts/login/")
    page.get_by_label("Email").fill(user.email)
    page.get_by_label("Password").fill(factories.PASSWORD)
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url(f"{live_server.url}/")


def no_axe_violation(page: Page) -> None:
    assert said(violations(page)) == []


LARGEST = """() => {
    const size = (one) => parseFloat(getComputedStyle(one).fontSize);
    const shown = [...document.querySelectorAll("main *")].filter((one) => one.checkVisibility() && one.innerText);
    const largest = shown.reduce((most, one) => size(one) > size(most) ? one : most);
    const alone = document.querySelectorAll(".answer").length === 1;
    return alone && largest.closest(".answer") ? "answer" : largest.outerHTML;
}"""
"""What is written largest on a page, which is to be its one answer."""


def test_the_tab_key_goes_from_the_address_to_the_password_and_on_to_the_button(page: Page, live_server: Any) -> None:
    page.goto(f"{live_server.url}/accounts/login/")
    page.get_by_label("Email").focus()
    page.keyboard.press("Tab")
    expect(page.get_by_label("Password")).to_be_focused()
    page.keyboard.press("Tab")
    expect(page.get_by_role("button", name="Log in")).to_be_focused()


@pytest.mark.parametrize(
    ("role", "headline"),
    [("homeowner", "Your roof: Home"), ("owner", "Today"), ("technician", "Today's visits")],
)
def test_each_role_logs_in_and_lands_on_its_page(
    page: Page, live_server: Any, firm: Firm, complaints: list[str], role: str, headline: str
) -> None:
    page.set_viewport_size(PHONE)  # type: ignore[arg-type]
    log_in(page, live_server, getattr(firm, role))
    expect(page.get_by_role("heading", level=1)).to_have_text(headline)
    expect(page.get_by_text("Invented demonstration")).to_be_visible()
    assert page.evaluate(LARGEST) == "answer"
    no_axe_violation(page)


def test_the_picture_is_whole_at_once_and_plotly_comes_only_when_asked_for(
    page: Page, live_server: Any, firm: Firm, complaints: list[str]
) -> None:
    page.set_viewport_size(DESK)  # type: ignore[arg-type]
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    log_in(page, live_server, firm.homeowner)
    page.goto(f"{live_server.url}/cautions/")  # whatever the first page still asks for is over
    asked.clear()
    page.goto(f"{live_server.url}/", wait_until="networkidle")
    chart = page.locator("[data-chart=performance]")
    chart.scroll_into_view_if_needed()
    expect(chart.locator(".chart-desk svg")).to_be_visible()
    expect(chart.locator(".chart-phone svg")).to_be_hidden()
    expect(chart.get_by_text("where it likely lies, 9 in 10").first).to_be_visible()
    assert not any("plotly" in url for url in asked)
    room = chart.locator(".chart-plot").first.bounding_box()
    chart.get_by_role("button", name="Look closer").click()
    expect(chart.locator(".main-svg").first).to_be_visible()
    expect(chart.locator(".chart-desk svg")).to_be_hidden()
    assert chart.locator(".chart-plot").first.bounding_box() == room, "nothing else moves"
    # nothing comes from elsewhere, and no bar of buttons that are not ours offers to send a customer's data away
    assert all(url.startswith(live_server.url) for url in asked)
    expect(chart.locator(".modebar-btn")).to_have_count(0)
    # the style sheet that replaces plotly's own rules is at work
    assert chart.locator(".main-svg").first.evaluate("e => getComputedStyle(e).position") == "absolute"
    shown = "e => e.querySelector('.chart-stage')._fullLayout.xaxis.range.map(end => Date.parse(end))"
    first = chart.evaluate(shown)
    chart.get_by_role("button", name="Zoom in").click()
    page.wait_for_function(
        "first => { const e = document.querySelector('[data-chart=performance] .chart-stage');"
        " const [a, b] = e._fullLayout.xaxis.range.map(end => Date.parse(end)); return b - a < first; }",
        arg=(first[1] - first[0]) * 0.6,
    )
    chart.get_by_role("button", name="As at first").click()
    page.wait_for_function(
        "first => { const e = document.querySelector('[data-chart=performance] .chart-stage');"
        " const [a, b] = e._fullLayout.xaxis.range.map(end => Date.parse(end)); return b - a === first; }",
        arg=first[1] - first[0],
    )
    no_axe_violation(page)
    chart.get_by_role("button", name="Look closer").click()
    expect(chart.locator(".chart-desk svg")).to_be_visible()


def test_a_phone_gets_the_picture_that_was_drawn_for_it(
    page: Page, live_server: Any, firm: Firm, complaints: list[str]
) -> None:
    page.set_viewport_size(PHONE)  # type: ignore[arg-type]
    log_in(page, live_server, firm.homeowner)
    chart = page.locator("[data-chart=performance]")
    expect(chart.locator(".chart-phone svg")).to_be_visible()
    expect(chart.locator(".chart-desk svg")).to_be_hidden()
    heights = chart.locator(".chart-phone text").evaluate_all(
        "them => them.map(one => parseFloat(getComputedStyle(one).fontSize) * one.getScreenCTM().a)"
    )
    assert min(heights) >= 12, "pixels of a letter, by the brief of the house"
    chart.get_by_text("The same as a table").click()
    expect(chart.get_by_role("columnheader", name="Month")).to_be_visible()
    no_axe_violation(page)


def test_without_scripts_the_chart_still_shows(new_context: Any, live_server: Any, firm: Firm) -> None:
    page = new_context(java_script_enabled=False).new_page()
    log_in(page, live_server, firm.homeowner)
    expect(page.get_by_role("img", name="Output of the panels, compared with clean ones")).to_be_visible()


def test_the_keyboard_skips_to_the_page(page: Page, live_server: Any, firm: Firm) -> None:
    log_in(page, live_server, firm.owner)
    page.keyboard.press("Tab")
    skip = page.get_by_role("link", name="Skip to the page")
    expect(skip).to_be_focused()
    expect(skip).to_be_in_viewport()
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_be_focused()


def test_buttons_and_links_of_the_frame_are_big_enough_for_wet_hands(page: Page, live_server: Any, firm: Firm) -> None:
    page.set_viewport_size(PHONE)  # type: ignore[arg-type]
    log_in(page, live_server, firm.technician)
    targets = page.locator(".top nav a, .foot nav a, .button, button, .plain > li > a")
    heights = targets.evaluate_all(
        "them => them.filter(one => one.checkVisibility())"
        ".map(one => [one.textContent, one.getBoundingClientRect().height])"
    )
    assert heights
    assert [(word, height) for word, height in heights if height < 44] == []


def test_a_phone_shows_every_figure_of_the_weeks(page: Page, live_server: Any, firm: Firm) -> None:
    page.set_viewport_size(PHONE)  # type: ignore[arg-type]
    log_in(page, live_server, firm.owner)
    page.goto(f"{live_server.url}/leads/weekly/")
    figures = page.locator("main td")
    expect(figures.first).to_be_visible()
    beyond = "them => them.filter(one => one.getBoundingClientRect().right > innerWidth).length"
    assert figures.evaluate_all(beyond) == 0
    assert page.locator("main td.nothing").filter(visible=True).count() == 0
