"""Each kind of mail in a narrow window, as on a phone, by a program that fetches nothing."""

from __future__ import annotations

import pytest
from django.db import transaction
from playwright.sync_api import Page, expect

from portal.actions.mail.compose import compose
from portal.actions.reminders.kinds import kind_of
from portal.models import Business, Language, ReminderKind, Site
from tests.actions.reminders.test_kinds import EVENING, SCENES, planned
from tests.browser.test_pages import NARROWEST
from tests.browser.violations import violations

pytestmark = [pytest.mark.browser, pytest.mark.django_db]

LONG = "Grundstücksverwaltungsgesellschaftshaus"
"""A roof's name without a place to break it."""


def written(kind: ReminderKind, language: Language) -> str:
    """A mail of this kind as the portal writes it, for rows that are gone again afterwards."""
    with transaction.atomic():
        SCENES[kind](language)
        Site.objects.update(name=LONG)
        Business.objects.update(postal_address=f"1 {LONG}\nNowhere")
        reminder = planned(kind)
        mail = compose(reminder, kind_of(reminder).letter, now=max(reminder.due_at, EVENING))
        transaction.set_rollback(True)
    ((html, media_type),) = mail.alternatives
    assert media_type == "text/html"
    return str(html)


def test_each_mail_fits_the_narrowest_phone_and_shows_no_picture(page: Page) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.set_viewport_size(NARROWEST)  # type: ignore[arg-type]
    for kind in ReminderKind:
        for language in Language:
            page.set_content(written(kind, language))
            assert page.evaluate("document.documentElement.scrollWidth") <= NARROWEST["width"], (kind, language)
            expect(page.get_by_role("heading", level=1)).to_be_visible()
            assert page.locator("img, picture, svg, link, script").count() == 0, kind
            assert page.locator("html").get_attribute("lang") == language
        found = {one["id"] for one in violations(page)}
        assert found <= {"landmark-one-main", "region"}, kind  # rules for pages of a site
    assert asked == []
