"""A whole visit on a phone, in Chromium: the network cut in the middle, the page reloaded, then all sent once."""

from __future__ import annotations

import io
import os
import re
import signal
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from axe_playwright_python.sync_playwright import Axe
from django.contrib.staticfiles.storage import StaticFilesStorage
from django.utils import timezone
from PIL import Image
from playwright.sync_api import BrowserContext, BrowserType, Page, expect
from playwright.sync_api import Error as PlaywrightError
from pytest_django.live_server_helper import LiveServer

from portal.actions.photos import keep_photo
from portal.actions.proof import link_token, share_report, update_proofs
from portal.actions.record import record_entry
from portal.actions.visits import call_off_for_weather, finish_visit
from portal.models import (
    Distance,
    EntryKind,
    Look,
    Phase,
    Role,
    SiteDaily,
    Step,
    User,
    Visit,
    VisitEntry,
    VisitPhoto,
    VisitState,
)
from portal.models.assessment import pack_daily
from tests import factories

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def browser_context_args(browser_context_args: dict[str, Any]) -> dict[str, Any]:
    """A phone."""
    return browser_context_args | {
        "viewport": {"width": 390, "height": 844},
        "has_touch": True,
        "is_mobile": True,
        "device_scale_factor": 2,
    }


def _jpeg(shade: int) -> bytes:
    packed = io.BytesIO()
    Image.new("RGB", (640, 480), (shade, 120, 200)).save(packed, "JPEG")
    return packed.getvalue()


def _log_in(page: Page, live_server: LiveServer, person: User) -> None:
    page.goto(f"{live_server.url}/accounts/login/")
    page.get_by_label("E-mail").or_(page.get_by_label("Email")).first.fill(person.email)
    page.locator("input[type=password]").fill(factories.PASSWORD)
    page.locator("main form button").first.click()
    page.wait_for_url(lambda url: "/login/" not in url)


def _booked(crew_size: int = 1) -> tuple[Visit, list[User]]:
    site = factories.site()
    crew = [factories.member(site.customer.business, Role.TECHNICIAN) for _ in range(crew_size)]
    return factories.visit(site=site, technicians=tuple(crew)), crew


def _ready(page: Page) -> None:
    """The service worker is there, and the copies of the pages are put aside."""
    page.wait_for_selector("[data-ready=yes]")
    assert page.evaluate("navigator.serviceWorker.ready.then((here) => here.active !== null)")


def _waits_for_nothing(page: Page) -> None:
    page.wait_for_selector("[data-ready=yes]")  # before that the page has not yet looked at what waits
    expect(page.locator("[data-waiting]")).to_be_hidden(timeout=30_000)


def _do_step(page: Page, step: Step, **fields: str) -> None:
    form = page.locator(f"form[data-entry]:has(input[value={step.value}])")
    for name, value in fields.items():
        form.locator(f"[name={name}]").fill(value)
    form.locator("button").click()
    expect(form.locator("[data-state]")).to_contain_text("Done")


def _look(page: Page, look: Look, answer: str, note: str = "") -> None:
    form = page.locator(f"form[data-entry]:has(input[value={look.value}])")
    if note:
        form.locator("[name=note]").fill(note)
    form.locator(f"button[value={answer}]").click()
    expect(form.locator("[data-state]")).to_contain_text(answer, ignore_case=True)


def _shoot(page: Page, phase: Phase, distance: str, name: str, shade: int) -> None:
    field = page.locator(f"#photo-{phase.value}-{distance}")
    shown = page.locator(f"form:has(#photo-{phase.value}-{distance}) [data-photos] li")
    before = shown.count()
    field.set_input_files({"name": name, "mimeType": "image/jpeg", "buffer": _jpeg(shade)})
    expect(shown).to_have_count(before + 1)


def test_a_whole_visit_with_the_network_cut_and_the_page_reloaded_arrives_once(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = _booked()
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    _ready(page)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _ready(page)

    # with a signal
    _shoot(page, Phase.BEFORE, "wide", "before-wide.jpg", 10)
    _do_step(page, Step.TAP)
    _do_step(page, Step.WATER, water_ppm="12")
    _waits_for_nothing(page)
    assert VisitEntry.objects.filter(visit=visit).count() == 2

    # the signal goes
    context.set_offline(True)
    _shoot(page, Phase.BEFORE, "close", "before-close.jpg", 40)
    _do_step(page, Step.PRE_RINSE)
    _do_step(page, Step.SOAK, soak_minutes="10")
    expect(page.locator("[data-waiting]")).to_contain_text("3 entries wait")

    # the page is reloaded without a signal; what waits is still there
    page.reload()
    expect(page.locator("[data-waiting]")).to_contain_text("3 entries wait")
    expect(page.locator("form:has(#photo-before-close) [data-photos] li")).to_have_count(1)
    expect(page.locator(f"form[data-entry]:has(input[value={Step.SOAK.value}]) [data-state]")).to_contain_text("10 min")
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    expect(page.get_by_role("heading", level=1)).to_contain_text(visit.site.name)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _do_step(page, Step.SCRUB)
    _do_step(page, Step.RINSE)
    cables = page.locator(f"form[data-entry]:has(input[value={Look.CABLES.value}])")
    cables.get_by_role("button", name="Urgent").click()
    expect(cables.locator("[data-state]")).to_have_text("Say what you saw, then press Urgent.")
    _look(page, Look.CABLES, "urgent", "Connector chewed at the ridge")
    for look in Look:
        if look != Look.CABLES:
            _look(page, look, "ok")
    page.get_by_role("button", name="Finish the visit").click()
    expect(page.locator("form:has(input[value=finish]) [data-state]")).to_contain_text(
        "Two photos before and two after"
    )
    _shoot(page, Phase.AFTER, "wide", "after-wide.jpg", 70)
    _shoot(page, Phase.AFTER, "close", "after-close.jpg", 100)
    sign = page.locator("form[data-entry]:has(input[value=sign_off])")
    sign.get_by_role("button", name="Not at home").click()
    expect(sign.locator("[data-state]")).to_contain_text("Not at home")
    page.get_by_role("button", name="Finish the visit").click()
    assert VisitPhoto.objects.filter(visit=visit).count() == 1, "nothing arrived meanwhile"

    # the signal is back
    context.set_offline(False)
    _waits_for_nothing(page)
    page.reload()
    _waits_for_nothing(page)

    entries = list(VisitEntry.objects.filter(visit=visit))
    assert len(entries) == len({entry.client_id for entry in entries})
    kinds = sorted((entry.kind, entry.item) for entry in entries)
    assert kinds == sorted(
        [(EntryKind.STEP.value, step.value) for step in Step]
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
    assert VisitEntry.objects.get(visit=visit, item=Step.WATER).water_ppm == 12
    visit.refresh_from_db()
    assert visit.state == VisitState.DONE
    assert list(visit.referrals.values_list("item", flat=True)) == [Look.CABLES]
    expect(page.locator("[data-finished]")).to_contain_text("Done")
    expect(page.locator("form:has(#photo-after-wide) [data-photos] img")).to_have_js_property("complete", True)


def test_pages_of_todays_visits_open_without_a_signal_though_only_the_list_was_opened(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = _booked()
    Visit.objects.filter(pk=visit.pk).update(starts_at=timezone.now() + timedelta(hours=1))
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/")
    _ready(page)
    context.set_offline(True)
    page.get_by_role("link", name=visit.site.name).click()
    expect(page.get_by_text("Before anyone goes up")).to_be_visible()
    page.get_by_role("link", name="Record the visit").click()
    _do_step(page, Step.TAP)
    # and with its looks: the style sheet is on the phone too
    assert page.locator(".record button").first.evaluate("one => getComputedStyle(one).minHeight") == "46px"


def test_todays_pages_are_put_aside_on_the_first_page_after_log_in_too(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = _booked()
    Visit.objects.filter(pk=visit.pk).update(starts_at=timezone.now() + timedelta(minutes=1))
    _log_in(page, live_server, technician)
    page.wait_for_selector("[data-ready=yes]")
    context.set_offline(True)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _do_step(page, Step.TAP)


def test_the_copies_of_one_login_are_not_shown_to_the_next(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = _booked()
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    _ready(page)
    context.clear_cookies()
    other = factories.member(factories.business(), Role.TECHNICIAN)
    _log_in(page, live_server, other)
    page.goto(f"{live_server.url}/visits/")
    _ready(page)
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
    visit, (technician,) = _booked()
    options: dict[str, Any] = browser_type_launch_args | browser_context_args

    phone = browser_type.launch_persistent_context(tmp_path / "phone", **options)
    page = phone.pages[0]
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _ready(page)
    phone.set_offline(True)
    _do_step(page, Step.TAP)
    _shoot(page, Phase.BEFORE, "wide", "before-wide.jpg", 10)
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
        _log_in(page, live_server, technician)  # cookies are written to the disk now and then only
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _waits_for_nothing(page)
    phone.close()
    assert VisitEntry.objects.get(visit=visit).item == Step.TAP
    assert VisitPhoto.objects.get(visit=visit).filename == "before-wide.jpg"


def _runs_with(process: Path, folder: str) -> bool:
    """Whether a process was started with this test's own phone folder; never another test's browser."""
    try:
        return folder in (process / "cmdline").read_bytes().decode(errors="replace")
    except OSError:
        return False


def test_two_phones_on_one_visit_add_up(live_server: LiveServer, new_context: Callable[..., BrowserContext]) -> None:
    visit, crew = _booked(crew_size=2)
    phones = []
    for person in crew:
        phone = new_context()
        page = phone.new_page()
        _log_in(page, live_server, person)
        page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
        _ready(page)
        phone.set_offline(True)
        phones.append((phone, page))
    (_, first), (_, second) = phones
    _look(first, Look.GLASS, "ok")
    _look(second, Look.GLASS, "urgent", "Crack at the lower edge")
    _shoot(first, Phase.BEFORE, "wide", "one.jpg", 10)
    _shoot(second, Phase.BEFORE, "wide", "two.jpg", 90)
    for phone, page in phones:
        phone.set_offline(False)
        _waits_for_nothing(page)
    assert VisitEntry.objects.filter(visit=visit).count() == 2
    assert VisitPhoto.objects.filter(visit=visit).count() == 2
    first.reload()
    glass = first.locator(f"form[data-entry]:has(input[value={Look.GLASS.value}]) [data-state]")
    expect(glass).to_contain_text("Urgent")


def test_a_bad_photo_gets_a_sentence_and_the_rest_is_kept(page: Page, live_server: LiveServer) -> None:
    visit, (technician,) = _booked()
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _ready(page)
    page.locator("#photo-before-wide").set_input_files(
        {"name": "roof.jpg", "mimeType": "image/jpeg", "buffer": b"PK\x03\x04" + b"\0" * 500}
    )
    expect(page.locator("[data-refused]")).to_contain_text("“roof.jpg” is not a photo that can be read here")
    line = page.locator("[data-waiting]")  # sticks to the top of the screen, however far down the page is
    expect(line).to_contain_text("1 was not taken")
    _do_step(page, Step.TAP)
    expect(line).not_to_contain_text("on this phone")
    assert VisitEntry.objects.filter(visit=visit).count() == 1
    assert VisitPhoto.objects.filter(visit=visit).count() == 0
    page.get_by_role("button", name="Drop it").click()
    page.get_by_role("button", name="Drop it for good").click()
    expect(page.locator("[data-refused]")).to_be_hidden()


def test_an_entry_waits_while_the_login_is_over(page: Page, context: BrowserContext, live_server: LiveServer) -> None:
    visit, (technician,) = _booked()
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _ready(page)
    context.clear_cookies()
    _do_step(page, Step.TAP)
    expect(page.locator("[data-waiting]")).to_contain_text("You are logged out; nothing is lost.")
    assert VisitEntry.objects.count() == 0
    page.get_by_role("link", name="Log in to send it").click()
    page.locator("input[type=email]").fill(technician.email)
    page.locator("input[type=password]").fill(factories.PASSWORD)
    page.locator("main form button").first.click()
    page.wait_for_url(f"**/visits/{visit.pk}/record/")  # back where it waits
    _waits_for_nothing(page)
    assert VisitEntry.objects.count() == 1


@dataclass
class Finished:
    """A visit with everything on it that a page can show."""

    visit: Visit
    technician: User
    owner: User
    homeowner: User


@pytest.fixture
def finished() -> Finished:
    homeowner = factories.user()
    site = factories.site(customer=factories.customer(user=homeowner), storeys=2, roof_pitch=40)
    firm = site.customer.business
    technician, owner = factories.member(firm, Role.TECHNICIAN), factories.member(firm)
    washed_at = timezone.now() - timedelta(days=40)
    earlier = factories.visit(site=site, starts_at=washed_at - timedelta(days=300))
    finish_visit(visit=earlier, now=earlier.starts_at)
    visit = factories.visit(site=site, technicians=(technician,), starts_at=washed_at)

    def enter(kind: EntryKind, item: str = "", **fields: Any) -> None:
        record_entry(
            visit=visit, client_id=uuid4(), kind=kind, item=item, at=washed_at, by=technician, now=washed_at, **fields
        )

    for phase in (Phase.BEFORE, Phase.AFTER):
        for distance in Distance:
            keep_photo(
                visit=visit,
                client_id=uuid4(),
                data=_jpeg(90),
                filename="a.jpg",
                phase=phase,
                distance=distance,
                at=washed_at,
                by=technician,
                now=washed_at,
            )
    enter(EntryKind.STEP, Step.SOAK, soak_minutes=10)
    enter(EntryKind.INSPECTION, Look.CABLES, answer="urgent", note="Connector chewed")
    enter(EntryKind.INSPECTION, Look.DEBRIS, answer="seen")
    enter(EntryKind.SIGN_OFF, answer="signed", note="Ida Novak")
    enter(EntryKind.FINISH)
    washed_on = washed_at.astimezone(ZoneInfo(site.tz)).date()
    days = [washed_on - timedelta(days=500 - n) for n in range(539)]
    ratio = np.array([0.92 if day <= washed_on else 0.99 for day in days])
    daily = pd.DataFrame(
        {
            "energy_wh": 20_000 * ratio,
            "expected_wh": 25_000.0,
            "index": ratio + 0.01 * np.sin(np.arange(len(days))),
            "used": True,
            "refused": "",
            "soiling_ratio": ratio,
            "soiling_ratio_low": ratio - 0.01,
            "soiling_ratio_high": ratio + 0.01,
        },
        index=pd.Index(days, dtype=object),
    )
    cleaning = {"date": washed_on.isoformat(), "gain": 0.07, "low": 0.055, "high": 0.085}
    factories.assessment(
        site=site,
        as_of=days[-1],
        made_at=timezone.now(),
        cleanings=[cleaning],
        clean_due=days[-1] + timedelta(days=120),
    )
    SiteDaily.objects.create(site=site, as_of=days[-1], table=pack_daily(daily))
    update_proofs(now=timezone.now())
    factories.visit(site=site, technicians=(technician,), starts_at=timezone.now() + timedelta(hours=1))
    visit.refresh_from_db()
    return Finished(visit, technician, owner, homeowner)


@pytest.fixture
def complaints(page: Page) -> Iterator[list[str]]:
    """What the browser complained of: policy violations, script errors, missing files."""
    heard: list[str] = []
    page.on("console", lambda message: heard.append(message.text) if message.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: heard.append(str(error)))
    yield heard
    assert heard == []


def _no_violation(page: Page) -> None:
    found = Axe().run(page).response["violations"]
    assert [(one["id"], one["nodes"][0]["html"]) for one in found] == [], page.url
    page.set_viewport_size({"width": 320, "height": 640})  # WCAG 2.2, 1.4.10: no scrolling sideways
    assert page.evaluate("document.documentElement.scrollWidth") <= 320, page.url
    page.set_viewport_size({"width": 390, "height": 844})


def test_the_pages_of_a_visit_have_no_axe_violation(
    page: Page, live_server: LiveServer, finished: Finished, complaints: list[str]
) -> None:
    pk, site = finished.visit.pk, finished.visit.site.pk
    coming = Visit.objects.get(state=VisitState.BOOKED).pk
    link = share_report(visit=finished.visit, now=timezone.now())
    shared = f"/r/{link_token(link)}/"
    walks: list[tuple[User, list[str]]] = [
        (finished.technician, ["/visits/", f"/visits/{coming}/", f"/visits/{coming}/record/", "/visits/calendar/"]),
        (
            finished.owner,
            [
                "/visits/",
                "/visits/?order=route",
                f"/visits/{pk}/",
                f"/visits/{pk}/record/",
                f"/visits/{coming}/move/",
                "/visits/book/",
                f"/visits/book/?site={site}&nesting=1",
                f"/visits/quote/{site}/",
                f"/visits/{pk}/report/",
            ],
        ),
        (finished.homeowner, [f"/visits/{pk}/report/", shared]),
    ]
    for person, addresses in walks:
        page.context.clear_cookies()
        _log_in(page, live_server, person)
        for address in addresses:
            page.goto(f"{live_server.url}{address}")
            page.wait_for_load_state("networkidle")
            _no_violation(page)
    page.context.clear_cookies()
    page.goto(f"{live_server.url}{shared}")
    expect(page.get_by_text("7 % of what clean panels make")).to_be_visible()
    expect(page.get_by_text("likely 6 % to 8 %").first).to_be_visible()
    _no_violation(page)


def test_a_link_that_is_over_says_so_accessibly(page: Page, live_server: LiveServer) -> None:
    page.goto(f"{live_server.url}/r/no-such-link/")
    expect(page.get_by_role("heading", level=1)).to_have_text("This link is over")
    _no_violation(page)


def test_what_is_pressed_on_the_roof_is_big_enough(page: Page, live_server: LiveServer) -> None:
    visit, (technician,) = _booked()
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    targets = page.locator(".record button, .record input:not([type=hidden])")
    heights = targets.evaluate_all("them => them.map(one => [one.outerHTML, one.getBoundingClientRect().height])")
    assert len(heights) > 30
    assert [(what, height) for what, height in heights if height < 44] == []


# ---- what goes wrong on a roof


def _state(page: Page, value: str) -> Any:
    return page.locator(f"form[data-entry]:has(input[value={value}]) [data-state]")


class NextVersion(StaticFilesStorage):
    """The portal after an update: the same files under other names, in their imports too."""

    def url(self, name: str | None) -> str:
        return super().url(f"next/{name}")


def test_an_update_of_the_portal_takes_nothing_from_a_page_that_is_open(
    page: Page, context: BrowserContext, live_server: LiveServer, settings: Any
) -> None:
    visit, (technician,) = _booked()
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _ready(page)
    context.set_offline(True)
    _do_step(page, Step.TAP)
    path = f"{__name__}.{NextVersion.__qualname__}"
    settings.STORAGES = settings.STORAGES | {"staticfiles": {"BACKEND": path}}
    settings.STATICFILES_DIRS = [("next", settings.ROOT / "portal" / "static"), *settings.STATICFILES_DIRS]
    context.set_offline(False)
    _waits_for_nothing(page)
    # its copy is of the new version now; without a signal it still has its script and its looks
    for _ in range(100):
        if "/next/" in page.evaluate("caches.match(location.pathname).then((copy) => copy.text())"):
            break
        page.wait_for_timeout(100)
    context.set_offline(True)
    page.reload()
    expect(page.locator("script[src*='/next/visit/']")).to_have_count(6)
    _do_step(page, Step.SCRUB)
    assert page.locator(".record button").first.evaluate("one => getComputedStyle(one).minHeight") == "46px"
    context.set_offline(False)
    _waits_for_nothing(page)
    assert sorted(VisitEntry.objects.values_list("item", flat=True)) == ["scrub", "tap"]


def test_entries_of_a_visit_given_to_somebody_else_stay_in_sight_and_are_sent_when_it_is_given_back(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = _booked()
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _ready(page)
    context.set_offline(True)
    _do_step(page, Step.TAP)
    _look(page, Look.GLASS, "urgent", "Crack")
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
    page.get_by_role("button", name="Try all again").click()
    expect(refused).to_be_hidden()
    _waits_for_nothing(page)
    assert sorted(VisitEntry.objects.values_list("item", flat=True)) == ["glass", "tap"]


def test_what_was_entered_while_the_office_called_the_visit_off_arrives(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = _booked()
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _ready(page)
    context.set_offline(True)
    _do_step(page, Step.TAP)
    call_off_for_weather(visit=visit, reason="Thunder", now=timezone.now())
    context.set_offline(False)
    _waits_for_nothing(page)
    assert VisitEntry.objects.get().item == Step.TAP
    page.reload()
    expect(page.get_by_text("finish only if the panels were washed")).to_be_visible()


def test_what_one_login_left_on_a_phone_is_never_sent_as_another(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (first, second) = _booked(crew_size=2)
    _log_in(page, live_server, first)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _ready(page)
    context.set_offline(True)
    _do_step(page, Step.TAP)
    context.clear_cookies()
    context.set_offline(False)
    _log_in(page, live_server, second)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _ready(page)
    expect(page.locator("[data-waiting]")).to_contain_text("1 by another login waits too")
    assert not _state(page, Step.TAP.value).inner_text().strip(), "what the first did is not shown as the second's"
    _do_step(page, Step.SOAK, soak_minutes="8")
    expect(page.locator("[data-waiting]")).not_to_contain_text("on this phone")
    assert list(VisitEntry.objects.values_list("item", "by")) == [("soak", second.pk)]
    page.goto("about:blank")
    context.clear_cookies()
    _log_in(page, live_server, first)
    _waits_for_nothing(page)
    assert set(VisitEntry.objects.values_list("item", "by")) == {("soak", second.pk), ("tap", first.pk)}


def test_whoever_logs_out_leaves_no_customers_pages_on_the_phone_but_what_waits(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = _booked()
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _ready(page)
    context.set_offline(True)
    _do_step(page, Step.TAP)
    page.evaluate("indexedDB.databases()")  # the entry is on the disk
    context.route("**/entries/", lambda route: route.abort())
    context.set_offline(False)
    page.goto(f"{live_server.url}/accounts/logout/")
    page.locator("main form button").first.click()
    page.wait_for_url(lambda url: "/logout/" not in url)
    assert page.evaluate("caches.keys()") == []
    context.unroute("**/entries/")
    _log_in(page, live_server, technician)
    _waits_for_nothing(page)
    assert VisitEntry.objects.get().item == Step.TAP


def test_the_first_page_opens_the_visits_without_a_signal(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = _booked()
    Visit.objects.filter(pk=visit.pk).update(starts_at=timezone.now() + timedelta(minutes=1))
    _log_in(page, live_server, technician)
    _ready(page)
    context.set_offline(True)
    page.goto(f"{live_server.url}/")
    expect(page.get_by_role("heading", level=1)).to_have_text("Visits")
    expect(page.get_by_role("link", name=visit.site.name)).to_be_visible()


def test_a_phone_without_room_says_so_and_sends_at_once_where_there_is_a_signal(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = _booked()
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _ready(page)
    devtools = context.new_cdp_session(page)
    devtools.send("Storage.overrideQuotaForOrigin", {"origin": live_server.url, "quotaSize": 1})
    context.set_offline(True)
    answer = page.locator("#ask-cleaned")
    answer.fill("Never")
    answer.press("Enter")
    expect(page.locator("[data-waiting]")).to_contain_text("This phone could not keep what you just entered")
    expect(answer).to_have_value("Never")
    context.set_offline(False)
    with page.expect_navigation():
        answer.press("Enter")
    expect(_state(page, "cleaned")).to_contain_text("Never")
    assert VisitEntry.objects.get().note == "Never"


def test_a_half_written_note_outlives_the_tab(page: Page, context: BrowserContext, live_server: LiveServer) -> None:
    visit, (technician,) = _booked()
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    page.locator("#note-roof").fill("Two tiles are")
    page.close()
    page = context.new_page()
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _ready(page)
    expect(page.locator("#note-roof")).to_have_value("Two tiles are")
    _look(page, Look.ROOF, "seen", "Two tiles are cracked")
    page.reload()
    _ready(page)
    expect(page.locator("#note-roof")).to_have_value("")


def test_a_phone_whose_clock_is_a_day_slow_does_not_move_the_day_of_the_wash(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, (technician,) = _booked()
    _log_in(page, live_server, technician)
    page.clock.set_system_time(timezone.now() - timedelta(days=1, hours=2))
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    _ready(page)
    context.set_offline(True)
    page.locator("#few").fill("The lens was wet")
    page.get_by_role("button", name="Keep the reason").click()
    expect(_state(page, "few_photos")).to_contain_text("The lens was wet")
    page.get_by_role("button", name="Finish the visit").click()
    expect(_state(page, "finish")).to_contain_text("waits")
    context.set_offline(False)
    _waits_for_nothing(page)
    visit.refresh_from_db()
    assert visit.finished_at is not None
    assert abs(timezone.now() - visit.finished_at) < timedelta(minutes=10)


def test_one_entry_that_the_portal_stumbles_over_does_not_hold_up_the_others_but_the_finish(
    live_server: LiveServer, new_context: Callable[..., BrowserContext]
) -> None:
    visit, (technician,) = _booked()
    context = new_context(service_workers="block")  # playwright sees no request that passes through one
    page = context.new_page()
    _log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    page.wait_for_selector("[data-ready=yes]")
    broken = f"{live_server.url}/visits/{visit.pk}/photos/"
    context.route(broken, lambda route: route.fulfill(status=500, body="oh"))
    _shoot(page, Phase.BEFORE, "wide", "before.jpg", 10)
    page.locator("#few").fill("The lens was wet")
    page.get_by_role("button", name="Keep the reason").click()
    _do_step(page, Step.TAP)
    page.get_by_role("button", name="Finish the visit").click()
    expect(_state(page, "finish")).to_contain_text("waits")  # only now are the two the photo and the finish
    expect(page.locator("[data-waiting]")).to_contain_text(
        "2 entries wait on this phone. The portal has trouble with it"
    )
    assert sorted(VisitEntry.objects.values_list("kind", flat=True)) == ["few_photos", "step"]
    context.unroute(broken)
    page.clock.set_system_time(timezone.now() + timedelta(minutes=11))
    page.reload()
    _waits_for_nothing(page)
    assert VisitPhoto.objects.count() == 1
    visit.refresh_from_db()
    assert visit.state == VisitState.DONE


def test_the_printed_sheet_is_one_page(page: Page, live_server: LiveServer, finished: Finished) -> None:
    coming = Visit.objects.get(state=VisitState.BOOKED)
    _log_in(page, live_server, finished.technician)
    page.goto(f"{live_server.url}/visits/{coming.pk}/")
    _ready(page)
    expect(page.locator(".production .chart")).to_be_visible()
    for paper in ("A4", "Letter"):
        printed = page.pdf(format=paper, prefer_css_page_size=True)
        assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1, paper
