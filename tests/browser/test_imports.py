"""Sending a file in a real browser: dropped on the page, followed while the worker reads, corrected, undone."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page, expect

from portal.actions.imports.waiting import work_on_import
from portal.models import DayReadings, Import, ImportState, Night, NightState, Role, User
from tests import factories
from tests.actions.exports import csv_text, days_rows, send, take_in
from tests.browser.test_pages import DESK, NARROWEST, complaints, log_in, no_axe_violation
from tests.factories import NOW
from tests.views.uploads import ambiguous, draw

__all__ = ["complaints"]  # the fixture

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

FIRST = date(2026, 5, 4)


@pytest.fixture
def office() -> User:
    meter = factories.meter()
    return factories.member(meter.site.customer.business, Role.OFFICE)


def work() -> None:
    for key in Import.objects.unfinished().values_list("pk", flat=True):
        work_on_import(import_id=key, now=timezone.now())


DROP = """([name, text]) => {
    const data = new DataTransfer();
    data.items.add(new File([text], name, { type: "text/csv" }));
    document.dispatchEvent(new DragEvent("drop", { dataTransfer: data, bubbles: true, cancelable: true }));
}"""


def test_a_dropped_file_is_sent_followed_and_undone(
    page: Page, live_server: Any, office: User, complaints: list[str]
) -> None:
    log_in(page, live_server, office)
    page.goto(f"{live_server.url}{reverse('import_upload')}")
    no_axe_violation(page)
    page.evaluate(DROP, ["may.csv", csv_text(days_rows(FIRST, 3))])
    expect(page.get_by_text("may.csv (2 kB)")).to_be_visible()
    page.get_by_role("button", name="Send", exact=True).click()
    expect(page.get_by_role("progressbar", name="Work in progress")).to_be_visible()
    no_axe_violation(page)
    page.evaluate("window.neverReloaded = true")
    work()
    expect(page.get_by_text("4 May 2026 to 6 May 2026")).to_be_visible()
    expect(page.locator("#said")).to_have_text("may.csv: Read")
    expect(page.get_by_text("Now the roof is being assessed")).to_be_visible()
    no_axe_violation(page)
    site = Import.objects.get().meter.site
    Night.objects.update(state=NightState.DONE)
    factories.assessment(site=site)
    expect(page.get_by_role("link", name="All about this roof")).to_be_visible()
    assert page.evaluate("window.neverReloaded")
    expect(page.get_by_role("progressbar")).to_have_count(0)
    expect(page.get_by_role("img", name="The first days as read")).to_be_visible()
    no_axe_violation(page)
    page.get_by_role("button", name="Undo this import").click()
    expect(page.get_by_text("The worker is undoing this import.")).to_be_visible()
    work()
    expect(page.get_by_text("its days are as they would be without it")).to_be_visible()
    assert Import.objects.get().state == ImportState.UNDONE
    assert not DayReadings.objects.exists()


def test_the_file_input_works_with_several_files_and_without_scripts(
    new_context: Any, live_server: Any, office: User, tmp_path: Path
) -> None:
    page = new_context(java_script_enabled=False).new_page()
    log_in(page, live_server, office)
    page.goto(f"{live_server.url}{reverse('import_upload')}")
    for day in (4, 5):
        (tmp_path / f"{day}.csv").write_text(csv_text(days_rows(date(2026, 5, day), 1)))
    page.get_by_label("Files").set_input_files([tmp_path / "4.csv", tmp_path / "5.csv"])
    page.get_by_role("button", name="Send", exact=True).click()
    expect(page.get_by_text("2 files are in and are being read")).to_be_visible()
    assert Import.objects.count() == 2


def test_a_doubt_is_answered_with_the_keyboard(
    page: Page, live_server: Any, office: User, complaints: list[str]
) -> None:
    site = office.memberships.get().business.customers.get().sites.get()
    take_in(site.meters.get(), ambiguous(), filename="doubt.csv")
    log_in(page, live_server, office)
    page.goto(f"{live_server.url}{reverse('imports')}")
    page.get_by_role("link", name="doubt.csv").click()
    page.get_by_role("link", name="Answer").click()
    page.wait_for_url("**/how/")
    expect(page.get_by_role("img", name="The first days as read")).to_be_visible()
    no_axe_violation(page)
    day_first = page.get_by_role("radio", name="day first")
    day_first.focus()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Draw the first days again").press("Enter")
    expect(page.get_by_text("Your choices wait for the worker")).to_be_visible()
    expect(page.get_by_role("progressbar", name="Being drawn")).to_be_visible()
    no_axe_violation(page)
    expect(page.get_by_role("radio", name="day first")).to_be_checked()
    page.get_by_label("Unit").select_option("Wh")  # one can go on choosing while it is drawn
    draw()
    expect(page.get_by_role("progressbar")).to_have_count(0)
    expect(page.get_by_role("img", name="The first days as read")).to_be_visible()
    no_axe_violation(page)
    expect(page.get_by_label("Unit")).to_have_value("Wh")
    page.get_by_label("Unit").select_option("kWh")
    expect(page.get_by_role("radio", name="day first")).to_be_checked()
    page.get_by_role("button", name="Read it like this").press("Enter")
    expect(page.get_by_role("progressbar")).to_be_visible()
    work()
    expect(page.get_by_text("How it was read")).to_be_visible()
    assert Import.objects.get().state == ImportState.DONE


def test_the_pages_fit_a_narrow_phone_and_have_no_axe_violation(
    page: Page, live_server: Any, office: User, complaints: list[str]
) -> None:
    site = office.memberships.get().business.customers.get().sites.get()
    text = csv_text(days_rows(FIRST, 3)).splitlines()
    text[20] = "not a stamp at all,1.0"
    import_ = take_in(site.meters.get(), "\n".join(text), now=NOW)
    log_in(page, live_server, office)
    for address in (
        reverse("imports"),
        reverse("import_upload"),
        reverse("import_ledger", args=[import_.pk]),
        reverse("import_mapping", args=[import_.pk]),
        reverse("tokens"),
        reverse("api_page"),
    ):
        page.set_viewport_size(DESK)  # type: ignore[arg-type]
        page.goto(f"{live_server.url}{address}")
        no_axe_violation(page)
        page.set_viewport_size(NARROWEST)  # type: ignore[arg-type]
        assert page.evaluate("document.documentElement.scrollWidth") <= NARROWEST["width"], address


def test_who_is_on_a_link_of_the_list_stays_there_while_the_list_follows(
    page: Page, live_server: Any, office: User, complaints: list[str]
) -> None:
    site = office.memberships.get().business.customers.get().sites.get()
    send(site.meters.get(), csv_text(days_rows(FIRST, 1)), filename="waits.csv", now=timezone.now())
    log_in(page, live_server, office)
    page.goto(f"{live_server.url}{reverse('imports')}")
    page.get_by_role("link", name="waits.csv").focus()
    page.evaluate("document.activeElement.first = true")
    work()
    expect(page.locator(".badge").get_by_text("Read", exact=True)).to_be_visible()
    expect(page.get_by_role("link", name="waits.csv")).to_be_focused()
    assert not page.evaluate("document.activeElement.first || false"), "it is the link of the new list"
