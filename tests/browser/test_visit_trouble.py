"""What goes wrong on a roof."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.staticfiles.storage import StaticFilesStorage
from django.utils import timezone
from playwright.sync_api import BrowserContext, Page, expect
from pytest_django.live_server_helper import LiveServer

from portal.actions.visits import put_off_visit
from portal.models import (
    Look,
    Phase,
    Visit,
    VisitEntry,
    VisitPhoto,
    VisitState,
    WorkStep,
)
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
    until,
    waits_for_nothing,
)

__all__ = ["browser_context_args"]  # the fixtures

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


class NextVersion(StaticFilesStorage):
    """The portal after an update: the same files under other names, in their imports too."""

    def url(self, name: str | None) -> str:
        return super().url(f"next/{name}")


def test_an_update_of_the_portal_takes_nothing_from_a_page_that_is_open(
    page: Page, context: BrowserContext, live_server: LiveServer, settings: Any
) -> None:
    on_the_record(page, live_server)
    context.set_offline(True)
    do_step(page, WorkStep.TAP)
    path = f"{__name__}.{NextVersion.__qualname__}"
    settings.STORAGES = settings.STORAGES | {"staticfiles": {"BACKEND": path}}
    settings.STATICFILES_DIRS = [
        *(("next", folder) for folder in (settings.ROOT / "portal" / "static", settings.VAR / "assets")),
        *settings.STATICFILES_DIRS,
    ]
    context.set_offline(False)
    waits_for_nothing(page)
    # its copy is of the new version now; without a signal it still has its script and its looks
    until(page, "caches.match(location.pathname).then((copy) => copy.text()).then((text) => text.includes('/next/'))")
    context.set_offline(True)
    page.reload()
    expect(page.locator("script[src*='/next/visit/']")).to_have_count(9)
    do_step(page, WorkStep.SCRUB)
    assert page.locator(".record button").first.evaluate("one => parseFloat(getComputedStyle(one).minHeight)") >= 44
    context.set_offline(False)
    waits_for_nothing(page)
    assert sorted(VisitEntry.objects.values_list("item", flat=True)) == ["scrub", "tap"]


def test_entries_of_a_visit_given_to_somebody_else_stay_in_sight_and_are_sent_when_it_is_given_back(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, technician = on_the_record(page, live_server)
    context.set_offline(True)
    do_step(page, WorkStep.TAP)
    look_over(page, Look.GLASS, "urgent", "Crack")
    visit.technicians.clear()
    context.set_offline(False)
    # its own page is gone; the first page after log-in shows what was not taken
    page.goto(f"{live_server.url}/")
    refused = page.locator("[data-refused]")
    expect(refused).to_contain_text("not yours, or not any more")
    expect(refused).to_contain_text(f"{visit.site}: Tap and hose")
    expect(refused).to_contain_text("Urgent Crack")
    refused.get_by_role("button", name="Drop it").first.click()
    expect(refused.get_by_role("button", name="Drop it for good")).to_have_count(1)
    expect(refused.get_by_role("listitem")).to_have_count(3)  # and the button for all
    assert VisitEntry.objects.count() == 0
    visit.technicians.add(technician)
    page.get_by_role("button", name="Send all again").click()
    expect(refused).to_be_hidden()
    waits_for_nothing(page)
    assert sorted(VisitEntry.objects.values_list("item", flat=True)) == ["glass", "tap"]


def test_what_can_never_be_a_photo_is_told_once_and_not_sent_again_and_again(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    on_the_record(page, live_server)
    go_to(page, "photos-before")
    field = page.locator("#photo-before-wide")
    said = page.locator("form:has(#photo-before-wide) [data-no-photo]")
    context.set_offline(True)
    field.set_input_files({"name": "letter.pdf", "mimeType": "application/pdf", "buffer": b"%PDF-1.7"})
    expect(said).to_have_text("“letter.pdf” is not a photo and was not kept. Choose a photo, or take one.")
    field.set_input_files({"name": "none.jpg", "mimeType": "image/jpeg", "buffer": b""})
    expect(said).to_have_text("“none.jpg” is empty and was not kept. Take the photo again.")
    context.set_offline(False)
    shoot(page, Phase.BEFORE, "wide", "roof.jpg", 90)
    expect(said).to_be_hidden()
    # only the portal sees that this one is none
    field.set_input_files({"name": "no.jpg", "mimeType": "image/jpeg", "buffer": b"no photo at all"})
    refused = page.locator("[data-refused]")
    expect(refused).to_contain_text("“no.jpg” is not a photo that can be read here")
    expect(refused.get_by_role("button")).to_have_text(["Drop it"])
    refused.get_by_role("button", name="Drop it").click()
    refused.get_by_role("button", name="Drop it for good").click()
    waits_for_nothing(page)
    assert VisitPhoto.objects.get().filename == "roof.jpg"


def test_what_was_entered_while_the_office_called_the_visit_off_arrives(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, _ = on_the_record(page, live_server)
    context.set_offline(True)
    do_step(page, WorkStep.TAP)
    put_off_visit(visit=visit, why=VisitState.WEATHER, reason="Thunder", now=timezone.now())
    context.set_offline(False)
    waits_for_nothing(page)
    assert VisitEntry.objects.get().item == WorkStep.TAP
    page.reload()
    expect(page.get_by_text("finish only if the panels were washed")).to_be_visible()


def test_what_one_login_left_on_a_phone_is_never_sent_as_another(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (first, second) = booked(crew_size=2)
    log_in(page, live_server, first)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    ready(page)
    context.set_offline(True)
    do_step(page, WorkStep.TAP)
    lose_session(context)
    context.set_offline(False)
    log_in(page, live_server, second)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    ready(page)
    expect(page.locator("[data-waiting]")).to_contain_text("1 by another login waits too")
    assert not state_of(page, WorkStep.TAP.value).inner_text().strip(), (
        "what the first did is not shown as the second's"
    )
    do_step(page, WorkStep.SOAK, soak_minutes="8")
    expect(page.locator("[data-waiting]")).not_to_contain_text("on this phone")
    assert list(VisitEntry.objects.values_list("item", "by")) == [("soak", second.pk)]
    page.goto("about:blank")
    lose_session(context)
    log_in(page, live_server, first)
    waits_for_nothing(page)
    assert set(VisitEntry.objects.values_list("item", "by")) == {("soak", second.pk), ("tap", first.pk)}


def test_whoever_logs_out_leaves_no_customers_pages_on_the_phone_but_what_waits(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    _, technician = on_the_record(page, live_server)
    context.set_offline(True)
    do_step(page, WorkStep.TAP)
    page.evaluate("indexedDB.databases()")  # the entry is on the disk
    context.route("**/entries/", lambda route: route.abort())
    context.set_offline(False)
    page.goto(f"{live_server.url}/accounts/logout/")
    page.locator("main form button").first.click()
    page.wait_for_url(lambda url: "/logout/" not in url)
    assert page.evaluate("caches.keys()") == []
    context.unroute("**/entries/")
    log_in(page, live_server, technician)
    waits_for_nothing(page)
    assert VisitEntry.objects.get().item == WorkStep.TAP


def test_the_first_page_opens_the_visits_without_a_signal(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = booked()
    Visit.objects.filter(pk=visit.pk).update(starts_at=timezone.now() + timedelta(minutes=1))
    log_in(page, live_server, technician)
    ready(page)
    context.set_offline(True)
    page.goto(f"{live_server.url}/")
    expect(page.get_by_role("heading", level=1)).to_have_text("Visits")
    expect(page.get_by_role("link", name=visit.site.name)).to_be_visible()


def test_a_phone_without_room_says_so_and_sends_at_once_where_there_is_a_signal(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    on_the_record(page, live_server)
    devtools = context.new_cdp_session(page)
    devtools.send("Storage.overrideQuotaForOrigin", {"origin": live_server.url, "quotaSize": 1})
    context.set_offline(True)
    go_to(page, "doorstep")
    answer = page.locator("#ask-cleaned")
    answer.fill("Never")
    answer.press("Enter")
    expect(page.locator("[data-waiting]")).to_contain_text("This phone could not keep what you just entered")
    expect(answer).to_have_value("Never")
    context.set_offline(False)
    with page.expect_navigation():
        answer.press("Enter")
    expect(state_of(page, "cleaned")).to_contain_text("Never")
    assert VisitEntry.objects.get().note == "Never"


def test_a_half_written_note_outlives_the_tab(page: Page, context: BrowserContext, live_server: LiveServer) -> None:
    visit, (technician,) = booked()
    log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    go_to(page, Look.ROOF)
    page.locator("#note-roof").fill("Two tiles are")
    page.close()
    page = context.new_page()
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    ready(page)
    expect(page.locator("#note-roof")).to_have_value("Two tiles are")
    look_over(page, Look.ROOF, "seen", "Two tiles are cracked")
    page.reload()
    ready(page)
    expect(page.locator("#note-roof")).to_have_value("")


def test_a_phone_whose_clock_is_a_day_slow_does_not_move_the_day_of_the_wash(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = booked()
    log_in(page, live_server, technician)
    page.clock.set_system_time(timezone.now() - timedelta(days=1, hours=2))
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    ready(page)
    context.set_offline(True)
    go_to(page, "photos-after")
    page.locator("#few").fill("The lens was wet")
    page.get_by_role("button", name="Keep the reason").click()
    expect(state_of(page, "few_photos")).to_contain_text("The lens was wet")
    go_to(page, "finish")
    page.get_by_role("button", name="Finish the visit").click()
    expect(state_of(page, "finish")).to_contain_text("waits")
    context.set_offline(False)
    waits_for_nothing(page)
    visit.refresh_from_db()
    assert visit.finished_at is not None
    assert abs(timezone.now() - visit.finished_at) < timedelta(minutes=10)


def test_one_entry_that_the_portal_stumbles_over_does_not_hold_up_the_others_but_the_finish(
    live_server: LiveServer, new_context: Callable[..., BrowserContext]
) -> None:
    visit, (technician,) = booked()
    context = new_context(service_workers="block")  # playwright sees no request that passes through one
    page = context.new_page()
    log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    page.wait_for_selector("[data-ready=yes]")
    broken = f"{live_server.url}/visits/{visit.pk}/photos/"
    context.route(broken, lambda route: route.fulfill(status=500, body="oh"))
    shoot(page, Phase.BEFORE, "wide", "before.jpg", 10)
    go_to(page, "photos-after")
    page.locator("#few").fill("The lens was wet")
    page.get_by_role("button", name="Keep the reason").click()
    do_step(page, WorkStep.TAP)
    go_to(page, "finish")
    page.get_by_role("button", name="Finish the visit").click()
    expect(state_of(page, "finish")).to_contain_text("waits")  # only now are the two the photo and the finish
    expect(page.locator("[data-waiting]")).to_contain_text(
        "2 entries wait on this phone. The portal has trouble with it"
    )
    assert sorted(VisitEntry.objects.values_list("kind", flat=True)) == ["few_photos", "step"]
    context.unroute(broken)
    page.clock.set_system_time(timezone.now() + timedelta(minutes=11))
    page.reload()
    waits_for_nothing(page)
    assert VisitPhoto.objects.count() == 1
    visit.refresh_from_db()
    assert visit.state == VisitState.DONE
