"""A mail in a narrow window, as on a phone, by a program that fetches nothing."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from portal.actions.reminders.send import send_due
from tests.actions.mail.test_compose import sent_message
from tests.actions.reminders.planned import due
from tests.browser.test_pages import NARROWEST
from tests.factories import NOW

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_a_mail_fits_the_narrowest_phone_and_shows_no_picture(page: Page) -> None:
    due()
    send_due(now=NOW)
    parts = {part.get_content_type(): part for part in sent_message().walk()}
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.set_viewport_size(NARROWEST)  # type: ignore[arg-type]
    page.set_content(parts["text/html"].get_payload(decode=True).decode())  # type: ignore[union-attr]
    assert page.evaluate("document.documentElement.scrollWidth") <= NARROWEST["width"]
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    assert (asked, page.locator("img, picture, svg, link, script").count()) == ([], 0)
    assert [one["id"] for one in Axe().run(page).response["violations"]] in ([], ["landmark-one-main", "region"])
