"""The record of a visit, one step a screen."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone
from playwright.sync_api import BrowserContext, Page, expect
from pytest_django.live_server_helper import LiveServer

from portal.models import EntryKind, Look, Phase, Role, Site, VisitEntry, WorkStep
from tests import factories
from tests.browser.phone import (
    booked,
    browser_context_args,
    complaints,
    do_step,
    go_to,
    log_in,
    look_over,
    no_violation,
    ready,
    screens,
    shoot,
    state_of,
    waits_for_nothing,
)

__all__ = ["browser_context_args", "complaints"]  # the fixtures

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def _record(page: Page, live_server: LiveServer) -> str:
    visit, (technician,) = booked()
    log_in(page, live_server, technician)
    address = f"{live_server.url}/visits/{visit.pk}/record/"
    page.goto(address)
    ready(page)
    return address


def test_next_leads_through_every_step_and_a_reload_comes_back_to_the_step_one_was_at(
    page: Page, context: BrowserContext, live_server: LiveServer, complaints: list[str]
) -> None:
    address = _record(page, live_server)
    names = screens(page)
    for number, name in enumerate(names, 1):
        expect(page.locator("[data-where]")).to_have_text(f"{number} of {len(names)}")
        shown = page.locator("[data-step]:visible")
        expect(shown).to_have_count(1)
        expect(shown).to_have_attribute("id", f"at-{name}")
        if name in ("doorstep", "looks", "glass", "sign_off", "finish"):  # one of each kind
            no_violation(page)
        if number < len(names):
            page.locator(f"#at-{name}").get_by_role("link", name="Next").press("Enter")  # by keyboard as by thumb
            expect(page.locator(f"#at-{names[number]} h2")).to_be_focused()
    page.go_back()
    expect(page.locator("[data-where]")).to_have_text(f"{len(names) - 1} of {len(names)}")
    context.set_offline(True)
    page.goto("about:blank")
    page.goto(address)  # without the step in the address: the phone knows it
    expect(page.locator("[data-where]")).to_have_text(f"{len(names) - 1} of {len(names)}")
    page.locator("#at-sign_off").get_by_role("link", name="Back").click()
    expect(page.locator("#at-told")).to_be_visible()
    context.set_offline(False)


def test_all_in_order_is_one_press_and_leaves_alone_what_was_found(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    _record(page, live_server)
    context.set_offline(True)
    look_over(page, Look.FRAME, "seen", "A clamp is loose")
    go_to(page, Look.NESTING)
    page.locator("#note-nesting").fill("Swallows under row")  # half written: not in order
    go_to(page, "looks")
    page.get_by_role("button", name="All in order").click()
    expect(page.locator("#at-nesting")).to_be_visible()  # what is still open comes next
    page.locator("[data-all]").click()
    expect(page.locator("#all a.did")).to_have_text(
        ["8. Glass", "9. Frame and clamps"]
        + [
            f"{number}. {Look(name).label}"
            for number, name in ((10, "cables"), (11, "roof"), (13, "debris"), (14, "shading"))
        ]
    )
    context.set_offline(False)
    waits_for_nothing(page)
    kept = VisitEntry.objects.values_list("item", "answer", "note")
    ok = [(look.value, "ok", "") for look in Look if look not in (Look.FRAME, Look.NESTING)]
    assert sorted(kept) == sorted([*ok, ("frame", "seen", "A clamp is loose")])


def test_an_urgent_finding_stops_the_water_and_is_told_to_the_customer(page: Page, live_server: LiveServer) -> None:
    _record(page, live_server)
    go_to(page, WorkStep.PRE_RINSE)
    stop = page.locator("#at-pre_rinse [data-stop]")
    expect(stop).to_be_hidden()
    look_over(page, Look.CABLES, "urgent", "Connector burnt")
    expect(page.locator("#at-cables button[aria-pressed=true]")).to_have_text("Urgent")
    for _ in ("at once", "after a reload"):
        go_to(page, WorkStep.PRE_RINSE)
        expect(stop).to_contain_text("do not wet it")
        go_to(page, "told")
        expect(page.locator("[data-found]")).to_contain_text("Cables and connectors: Urgent Connector burnt")
        waits_for_nothing(page)
        page.reload()
        ready(page)


def test_a_signature_on_the_glass_and_the_times_there_are_kept_without_a_signal(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    address = _record(page, live_server)
    context.set_offline(True)
    page.get_by_role("button", name="I am here").click()
    expect(state_of(page, EntryKind.ARRIVED)).to_contain_text("waits on this phone")
    go_to(page, "sign_off")
    pad = page.locator("canvas")
    box = pad.bounding_box()
    assert box is not None
    corners = [(0.1, 0.5), (0.5, 0.25), (0.9, 0.5)]
    points = [(box["x"] + x * box["width"], box["y"] + y * box["height"]) for x, y in corners]
    page.mouse.move(*points[0])
    page.mouse.down()
    for point in points[1:]:
        page.mouse.move(*point)
    page.mouse.up()
    form = page.locator("form[data-entry]:has(input[value=sign_off])")
    form.get_by_role("button", name="Customer agreed").click()
    expect(form.locator("[data-state]")).to_have_text("Enter the name first.")
    form.get_by_label("Name of the customer").fill("Ida Novak")
    form.get_by_role("button", name="Customer agreed").click()
    expect(form.get_by_role("img", name="Signature of Ida Novak")).to_be_visible()
    go_to(page, "finish")
    page.get_by_role("button", name="I am leaving").click()
    expect(state_of(page, "left")).to_contain_text("waits on this phone")
    context.set_offline(False)
    waits_for_nothing(page)
    signed = VisitEntry.objects.get(kind=EntryKind.SIGN_OFF)
    moves = [[int(number) for number in step.split()] for step in signed.signature[1:].split("L")]
    wanted = [[round(600 * x), round(200 * y)] for x, y in corners]
    assert len(moves) == 3
    assert all(
        abs(a - b) <= 2 for drawn, told in zip(moves, wanted, strict=True) for a, b in zip(drawn, told, strict=True)
    )
    times = dict(VisitEntry.objects.filter(kind__in=("arrived", "left")).values_list("kind", "at"))
    assert timezone.now() - timedelta(minutes=10) < times["arrived"] <= times["left"] <= timezone.now()
    page.goto(f"{address}#at-sign_off")
    ready(page)
    expect(page.get_by_role("img", name="Signature of Ida Novak")).to_be_visible()


def test_the_phone_says_where_a_roof_is_that_nobody_entered(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = booked()
    Site.objects.update(latitude=None, longitude=None)
    context.grant_permissions(["geolocation"])
    context.set_geolocation({"latitude": 39.742, "longitude": -105.1727})
    log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    ready(page)
    context.set_offline(True)
    page.get_by_role("button", name="The roof is here").click()
    expect(state_of(page, "place")).to_contain_text("39.74200, -105.17270")
    context.set_offline(False)
    waits_for_nothing(page)
    assert Site.objects.get().place == (39.742, -105.1727)


def test_without_the_script_the_record_is_one_page(page: Page, live_server: LiveServer) -> None:
    _record(page, live_server)
    state = page.context.storage_state()
    assert page.context.browser is not None
    plain = page.context.browser.new_context(java_script_enabled=False, storage_state=state)
    bare = plain.new_page()
    bare.goto(page.url.split("#")[0])
    expect(bare.locator("[data-step]:visible")).to_have_count(1 + len(screens(page)))
    bare.locator("#at-tap").get_by_role("button", name="Done").click()
    expect(bare.locator("#at-tap [data-state]")).to_contain_text("Done")
    plain.close()
    assert VisitEntry.objects.get().item == WorkStep.TAP


def test_a_step_with_photos_is_ticked_when_there_are_two(page: Page, live_server: LiveServer) -> None:
    _record(page, live_server)
    shoot(page, Phase.BEFORE, "wide", "one.jpg", 10)
    ticked = page.locator("#all a.did")
    expect(ticked).to_have_count(0)
    shoot(page, Phase.BEFORE, "close", "two.jpg", 40)
    expect(ticked).to_have_count(1)
    do_step(page, WorkStep.TAP)
    expect(ticked).to_have_count(2)
    waits_for_nothing(page)


def test_a_compass_and_pictures_of_pitches_fill_a_planes_numbers(
    page: Page, live_server: LiveServer, complaints: list[str]
) -> None:
    site = factories.site()
    log_in(page, live_server, factories.member(site.customer.business, Role.OFFICE))
    page.goto(f"{live_server.url}/sites/{site.pk}/edit/")
    plane = page.get_by_role("group", name="Roof plane 1")
    plane.get_by_role("button", name="south-west").press("Enter")
    plane.get_by_role("button", name="35°").click()
    expect(page.locator("#id_planes-0-azimuth")).to_have_value("225")
    expect(page.locator("#id_planes-0-tilt")).to_have_value("35")
    expect(plane.locator("button[aria-pressed=true]")).to_have_count(2)
    no_violation(page)
    page.get_by_role("button", name="Keep the facts").click()
    page.wait_for_url(f"**/sites/{site.pk}/")
    assert [(one.azimuth, one.tilt) for one in site.planes.all()] == [(225, 35)]
