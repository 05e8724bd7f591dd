"""A whole visit on a phone, in Chromium: the network cut in the middle, the page reloaded, then all sent once."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import BrowserContext, BrowserType, Page, expect
from playwright.sync_api import Error as PlaywrightError
from pytest_django.live_server_helper import LiveServer

from portal.models import (
    EntryKind,
    Look,
    Phase,
    Role,
    Visit,
    VisitEntry,
    VisitPhoto,
    VisitState,
    WorkStep,
)
from tests import factories
from tests.browser.phone import (
    booked,
    browser_context_args,
    do_step,
    go_to,
    log_in,
    look_over,
    lose_session,
    on_the_record,
    ready,
    shoot,
    state_of,
    waits_for_nothing,
)

__all__ = ["browser_context_args"]  # the fixtures

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_a_whole_visit_with_the_network_cut_and_the_page_reloaded_arrives_once(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = booked()
    log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    ready(page)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    ready(page)

    # with a signal
    shoot(page, Phase.BEFORE, "wide", "before-wide.jpg", 10)
    do_step(page, WorkStep.TAP)
    do_step(page, WorkStep.WATER, water_ppm="12")
    waits_for_nothing(page)
    assert VisitEntry.objects.filter(visit=visit).count() == 2

    # the signal goes
    context.set_offline(True)
    shoot(page, Phase.BEFORE, "close", "before-close.jpg", 40)
    do_step(page, WorkStep.LADDER)
    do_step(page, WorkStep.PRE_RINSE)
    do_step(page, WorkStep.SOAK, soak_minutes="10")
    expect(page.locator("[data-waiting]")).to_contain_text("4 entries wait")

    _go_on_without_a_signal(page, live_server, visit)

    # the signal is back
    context.set_offline(False)
    waits_for_nothing(page)
    page.reload()
    waits_for_nothing(page)

    _every_entry_and_photo_arrived_once(visit)
    assert VisitEntry.objects.get(visit=visit, item=WorkStep.WATER).water_ppm == 12
    visit.refresh_from_db()
    assert visit.state == VisitState.DONE
    assert list(visit.referrals.values_list("item", flat=True)) == [Look.CABLES]
    expect(page.locator("[data-finished]")).to_contain_text("Done")
    expect(page.locator("form:has(#photo-after-wide) [data-photos] img")).to_have_js_property("complete", True)


def _go_on_without_a_signal(page: Page, live_server: LiveServer, visit: Visit) -> None:
    # the page is reloaded without a signal; what waits is still there
    page.reload()
    expect(page.locator("[data-waiting]")).to_contain_text("4 entries wait")
    expect(page.locator("form:has(#photo-before-close) [data-photos] li")).to_have_count(1)
    expect(page.locator(f"form[data-entry]:has(input[value={WorkStep.SOAK.value}]) [data-state]")).to_contain_text(
        "10 min"
    )
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    expect(page.get_by_role("heading", level=1)).to_contain_text(visit.site.name)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    do_step(page, WorkStep.SCRUB)
    do_step(page, WorkStep.RINSE)
    go_to(page, Look.CABLES)
    cables = page.locator(f"form[data-entry]:has(input[value={Look.CABLES.value}])")
    cables.get_by_role("button", name="Urgent").click()
    expect(cables.locator("[data-state]")).to_have_text("Say what you saw, then press Urgent.")
    look_over(page, Look.CABLES, "urgent", "Connector chewed at the ridge")
    for look in Look:
        if look != Look.CABLES:
            look_over(page, look, "ok")
    go_to(page, "finish")
    page.get_by_role("button", name="Finish the visit").click()
    expect(page.locator("form:has(input[value=finish]) [data-state]")).to_contain_text(
        "Two photos before and two after"
    )
    shoot(page, Phase.AFTER, "wide", "after-wide.jpg", 70)
    shoot(page, Phase.AFTER, "close", "after-close.jpg", 100)
    go_to(page, "sign_off")
    sign = page.locator("form[data-entry]:has(input[value=sign_off])")
    sign.get_by_role("button", name="Not at home").click()
    expect(sign.locator("[data-state]")).to_contain_text("Not at home")
    go_to(page, "finish")
    page.get_by_role("button", name="Finish the visit").click()
    expect(state_of(page, "finish")).to_contain_text("waits")
    assert VisitPhoto.objects.filter(visit=visit).count() == 1, "nothing arrived meanwhile"


def _every_entry_and_photo_arrived_once(visit: Visit) -> None:
    entries = list(VisitEntry.objects.filter(visit=visit))
    assert len(entries) == len({entry.client_id for entry in entries})
    kinds = sorted((entry.kind, entry.item) for entry in entries)
    assert kinds == sorted(
        [(EntryKind.STEP.value, step.value) for step in WorkStep]
        + [(EntryKind.INSPECTION.value, look.value) for look in Look]
        + [(EntryKind.SIGN_OFF.value, ""), (EntryKind.FINISH.value, "")]
    ), "every entry once"
    photos = VisitPhoto.objects.filter(visit=visit).values_list("phase", "distance", "filename")
    assert sorted(photos) == [
        ("after", "close", "after-close.jpg"),
        ("after", "wide", "after-wide.jpg"),
        ("before", "close", "before-close.jpg"),
        ("before", "wide", "before-wide.jpg"),
    ], "every photo once"


def test_pages_of_todays_visits_open_without_a_signal_though_only_the_list_was_opened(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = booked()
    Visit.objects.filter(pk=visit.pk).update(starts_at=timezone.now() + timedelta(hours=1))
    log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/")
    ready(page)
    context.set_offline(True)
    page.goto(f"{live_server.url}/sites/{visit.site_id}/")  # the history, read before driving out
    expect(page.get_by_role("heading", name="The last cleaning")).to_be_visible()
    page.goto(f"{live_server.url}/visits/")
    page.get_by_role("link", name=visit.site.name).click()
    expect(page.get_by_text("Before anyone goes up")).to_be_visible()
    page.get_by_role("link", name="Record the visit").click()
    page.wait_for_url(f"{live_server.url}/visits/{visit.pk}/record/*")
    do_step(page, WorkStep.TAP)
    # and with its looks: the style sheet is on the phone too
    assert page.locator(".record button").first.evaluate("one => parseFloat(getComputedStyle(one).minHeight)") >= 44


def test_todays_pages_are_put_aside_on_the_first_page_after_log_in_too(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = booked()
    Visit.objects.filter(pk=visit.pk).update(starts_at=timezone.now() + timedelta(minutes=1))
    log_in(page, live_server, technician)
    page.wait_for_selector("[data-ready=yes]")
    context.set_offline(True)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    do_step(page, WorkStep.TAP)


def test_the_copies_of_one_login_are_not_shown_to_the_next(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = booked()
    log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    ready(page)
    lose_session(context)
    other = factories.member(factories.business(), Role.TECHNICIAN)
    log_in(page, live_server, other)
    page.goto(f"{live_server.url}/visits/")
    ready(page)
    context.set_offline(True)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    expect(page.get_by_role("heading", level=1)).to_have_text("No signal")


def test_what_waits_outlives_the_phone_dying(
    browser_type: BrowserType,
    browser_type_launch_args: dict[str, Any],
    browser_context_args: dict[str, Any],
    live_server: LiveServer,
    tmp_path: Path,
) -> None:
    visit, (technician,) = booked()
    options: dict[str, Any] = browser_type_launch_args | browser_context_args

    phone = browser_type.launch_persistent_context(tmp_path / "phone", **options)
    page = phone.pages[0]
    log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    ready(page)
    phone.set_offline(True)
    do_step(page, WorkStep.TAP)
    shoot(page, Phase.BEFORE, "wide", "before-wide.jpg", 10)
    # no goodbye: the browser's processes are killed, as when the battery is empty
    killed = [
        int(process.name)
        for process in Path("/proc").iterdir()
        if process.name.isdigit() and _runs_with(process, str(tmp_path / "phone"))
    ]
    assert killed
    for process in killed:
        with suppress(ProcessLookupError):
            os.kill(process, signal.SIGKILL)
    with suppress(PlaywrightError):
        phone.close()
    (tmp_path / "phone" / "SingletonLock").unlink(missing_ok=True)

    phone = browser_type.launch_persistent_context(tmp_path / "phone", **options)
    page = phone.pages[0]
    if "sessionid" not in {cookie["name"] for cookie in phone.cookies()}:
        log_in(page, live_server, technician)  # cookies are written to the disk now and then only
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    waits_for_nothing(page)
    phone.close()
    assert VisitEntry.objects.get(visit=visit).item == WorkStep.TAP
    assert VisitPhoto.objects.get(visit=visit).filename == "before-wide.jpg"


def _runs_with(process: Path, folder: str) -> bool:
    """Whether a process was started with this test's own phone folder; never another test's browser."""
    try:
        return folder in (process / "cmdline").read_bytes().decode(errors="replace")
    except OSError:
        return False


def test_two_phones_on_one_visit_add_up(live_server: LiveServer, new_context: Callable[..., BrowserContext]) -> None:
    visit, crew = booked(crew_size=2)
    phones = []
    for person in crew:
        phone = new_context()
        page = phone.new_page()
        log_in(page, live_server, person)
        page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
        ready(page)
        phone.set_offline(True)
        phones.append((phone, page))
    (_, first), (_, second) = phones
    look_over(first, Look.GLASS, "ok")
    look_over(second, Look.GLASS, "urgent", "Crack at the lower edge")
    shoot(first, Phase.BEFORE, "wide", "one.jpg", 10)
    shoot(second, Phase.BEFORE, "wide", "two.jpg", 90)
    for phone, page in phones:
        phone.set_offline(False)
        waits_for_nothing(page)
    assert VisitEntry.objects.filter(visit=visit).count() == 2
    assert VisitPhoto.objects.filter(visit=visit).count() == 2
    first.reload()
    glass = first.locator(f"form[data-entry]:has(input[value={Look.GLASS.value}]) [data-state]")
    expect(glass).to_contain_text("Urgent")


def test_a_bad_photo_gets_a_sentence_and_the_rest_is_kept(page: Page, live_server: LiveServer) -> None:
    visit, _ = on_the_record(page, live_server)
    page.locator("#photo-before-wide").set_input_files(
        {"name": "roof.jpg", "mimeType": "image/jpeg", "buffer": b"PK\x03\x04" + b"\0" * 500}
    )
    expect(page.locator("[data-refused]")).to_contain_text("“roof.jpg” is not a photo that can be read here")
    line = page.locator("[data-waiting]")  # sticks to the top of the screen, however far down the page is
    expect(line).to_contain_text("1 was not taken")
    do_step(page, WorkStep.TAP)
    expect(line).not_to_contain_text("on this phone")
    assert VisitEntry.objects.filter(visit=visit).count() == 1
    assert VisitPhoto.objects.filter(visit=visit).count() == 0
    page.goto(f"{live_server.url}/visits/{visit.pk}/")  # whichever page says so has them at its top
    expect(line).to_contain_text("1 was not taken: see the top of this page.")
    expect(page.locator("[data-refused]")).to_contain_text("“roof.jpg” is not a photo that can be read here")
    page.get_by_role("button", name="Drop it").click()
    page.get_by_role("button", name="Drop it for good").click()
    expect(page.locator("[data-refused]")).to_be_hidden()


def test_an_entry_waits_while_the_login_is_over(page: Page, context: BrowserContext, live_server: LiveServer) -> None:
    visit, technician = on_the_record(page, live_server)
    lose_session(context)
    do_step(page, WorkStep.TAP)
    expect(page.locator("[data-waiting]")).to_contain_text("You are logged out; nothing is lost.")
    assert VisitEntry.objects.count() == 0
    page.get_by_role("link", name="Log in to send it").click()
    page.locator("input[type=email]").fill(technician.email)
    page.locator("input[type=password]").fill(factories.PASSWORD)
    page.locator("main form button").first.click()
    page.wait_for_url(f"**/visits/{visit.pk}/record/")  # back where it waits
    waits_for_nothing(page)
    assert VisitEntry.objects.count() == 1
