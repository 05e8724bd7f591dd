"""One tick for all rows of a list's page."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from portal.models import Lead
from tests import factories
from tests.browser.phone import log_in

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_one_tick_takes_all_rows_and_shows_when_it_is_some(page: Page, live_server: Any) -> None:
    firm = factories.business()
    owner = factories.member(firm, name="Ada Lind")
    for _ in range(3):
        factories.lead(site=factories.site(customer=factories.customer(business=firm)))
    log_in(page, live_server, owner)
    page.goto(f"{live_server.url}/leads/")
    every = page.get_by_label("Tick all on this page")
    rows = page.locator("input[name=lead]")
    every.check()
    assert [rows.nth(n).is_checked() for n in range(3)] == [True, True, True]
    rows.nth(1).uncheck()
    expect(every).to_be_checked(indeterminate=True)
    page.get_by_label("Give the ticked ones to").select_option("Ada Lind")
    page.get_by_role("button", name="Give").click()
    expect(page.get_by_text("2 leads are given to Ada Lind.")).to_be_visible()
    assert Lead.objects.filter(assigned_to=owner).count() == 2


def test_on_a_phone_a_long_list_shows_ten_rows_and_the_others_on_asking(page: Page, live_server: Any) -> None:
    firm = factories.business()
    owner = factories.member(firm)
    for number in range(12):
        factories.site(customer=factories.customer(business=firm, name=f"Customer {number:02}"))
    log_in(page, live_server, owner)
    page.goto(f"{live_server.url}/customers/")
    rows, more = page.locator("tbody tr"), page.get_by_role("link", name="And 2 more.")
    page.set_viewport_size({"width": 1280, "height": 800})
    expect(rows.locator("visible=true")).to_have_count(12)
    expect(more).to_be_hidden()
    page.set_viewport_size({"width": 390, "height": 844})
    expect(rows.locator("visible=true")).to_have_count(10)
    more.click()
    expect(rows.locator("visible=true")).to_have_count(12)
    expect(more).to_be_hidden()
    page.keyboard.press("Tab")  # goes on where the first ten end
    assert page.evaluate("document.activeElement.closest('tr').id") == "on"
    page.goto(f"{live_server.url}/customers/?q=Customer")
    page.get_by_label("Tick all on this page").check()
    expect(rows.locator("visible=true")).to_have_count(12)  # nobody ticks what they do not see
