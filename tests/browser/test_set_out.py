"""Setting out from the day's list, on a phone, from a page that was put aside the day before."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone
from playwright.sync_api import BrowserContext, Page, expect
from pytest_django.live_server_helper import LiveServer

from portal.models import EntryKind, Reminder, ReminderKind, Visit, VisitEntry
from tests.browser.phone import booked, browser_context_args, log_in, ready, waits_for_nothing

__all__ = ["browser_context_args"]  # the fixtures

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize("path", ["/visits/", "/visits/{visit}/"])
def test_a_copy_of_yesterday_has_the_button_of_today(
    path: str, page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = booked()
    zone = ZoneInfo(visit.site.tz)
    tomorrow = timezone.now().astimezone(zone).date() + timedelta(days=1)
    Visit.objects.update(starts_at=datetime.combine(tomorrow, time(10), zone))
    log_in(page, live_server, technician)
    address = f"{live_server.url}{path.format(visit=visit.pk)}"
    page.goto(address)
    ready(page)
    button = page.get_by_role("button", name="Setting out: tell the customer")
    expect(button).to_be_hidden()

    context.set_offline(True)
    page.clock.set_fixed_time(datetime.combine(tomorrow, time(9), zone))
    page.goto(address)
    page.get_by_label("Minutes to drive").fill("25")
    button.click()
    expect(page.locator(".set-out [data-state]")).to_contain_text("waits on this phone")
    expect(page.locator("[data-waiting]")).to_contain_text("1 entry waits on this phone.")

    context.set_offline(False)
    waits_for_nothing(page)
    said = VisitEntry.objects.get(visit=visit, kind=EntryKind.SET_OUT)
    assert (said.drive_minutes, said.by) == (25, technician)
    assert Reminder.objects.filter(visit=visit, kind=ReminderKind.SET_OUT).count() == 1
