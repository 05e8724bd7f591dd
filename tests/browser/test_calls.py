"""The office's first page in a real browser: a call, what came of it, and taking that back, by keyboard."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from portal.models import Lead, LeadStage
from tests import factories
from tests.browser.test_pages import NARROWEST, complaints, log_in, no_axe_violation

__all__ = ["complaints"]

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_a_call_is_kept_and_taken_back_by_keyboard(page: Page, live_server: Any, complaints: list[str]) -> None:
    owner = factories.member(factories.business())
    business = owner.memberships.get().business
    site = factories.site(customer=factories.customer(business=business, name="Ida Novak"))
    factories.assessment(site=site)
    lead = factories.lead(site=site)
    page.set_viewport_size(NARROWEST)  # type: ignore[arg-type]
    log_in(page, live_server, owner)
    no_axe_violation(page)
    page.locator("summary", has_text="What came of it").focus()
    page.keyboard.press("Enter")
    page.get_by_label("What was said").focus()
    page.keyboard.type("Away until summer.")
    page.get_by_role("button", name="Call again").focus()
    no_axe_violation(page)
    page.keyboard.press("Enter")
    expect(page.get_by_text("Nobody to call.")).to_be_visible()
    assert Lead.objects.get(pk=lead.pk).stage == LeadStage.CONTACTED
    no_axe_violation(page)
    page.get_by_role("button", name="Take back").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("Nobody to call.")).to_have_count(0)
    expect(page.get_by_role("link", name="Ida Novak · Home").first).to_be_visible()
    assert Lead.objects.get(pk=lead.pk).stage == LeadStage.NEW
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
