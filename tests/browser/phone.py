"""A technician's phone in a browser: what is pressed on it, and a visit that is finished."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from django.conf import settings
from django.utils import timezone
from PIL import Image
from playwright.sync_api import BrowserContext, Page, expect
from pytest_django.live_server_helper import LiveServer

from portal.actions.photos import keep_photo
from portal.actions.proof import update_proofs
from portal.actions.record import record_entry
from portal.actions.visits import finish_visit
from portal.models import (
    Distance,
    EntryKind,
    Look,
    Phase,
    Role,
    Site,
    SiteDaily,
    User,
    Visit,
    WorkStep,
)
from portal.models.assessment import pack_daily
from tests import factories
from tests.browser.conftest import LONG_MS
from tests.browser.violations import said, violations


@pytest.fixture
def browser_context_args(browser_context_args: dict[str, Any]) -> dict[str, Any]:
    """A phone."""
    return browser_context_args | {
        "viewport": {"width": 390, "height": 844},
        "has_touch": True,
        "is_mobile": True,
        "device_scale_factor": 2,
    }


def jpeg(shade: int) -> bytes:
    packed = io.BytesIO()
    Image.new("RGB", (640, 480), (shade, 120, 200)).save(packed, "JPEG")
    return packed.getvalue()


def log_in(page: Page, live_server: LiveServer, person: User) -> None:
    page.goto(f"{live_server.url}/accounts/login/")
    page.get_by_label("E-mail").or_(page.get_by_label("Email")).first.fill(person.email)
    page.locator("input[type=password]").fill(factories.PASSWORD)
    page.locator("main form button").first.click()
    page.wait_for_url(lambda url: "/login/" not in url)


def lose_session(context: BrowserContext) -> None:
    """Log the phone out behind its back.

    The session's cookie alone goes: a page that the worker is just putting aside brings its form's token along, and
    would set it over that of the next log-in's form.
    """
    context.clear_cookies(name=settings.SESSION_COOKIE_NAME)


def booked(crew_size: int = 1) -> tuple[Visit, list[User]]:
    site = factories.site()
    crew = [factories.member(site.customer.business, Role.TECHNICIAN) for _ in range(crew_size)]
    return factories.visit(site=site, technicians=tuple(crew)), crew


def ready(page: Page) -> None:
    """The service worker is there, and the copies of the pages are put aside."""
    page.wait_for_selector("[data-ready=yes]")
    assert page.evaluate("navigator.serviceWorker.ready.then((here) => here.active !== null)")


def on_the_record(page: Page, live_server: LiveServer) -> tuple[Visit, User]:
    """The record of a visit, open on its technician's phone and put aside there."""
    visit, (technician,) = booked()
    log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    ready(page)
    return visit, technician


def waits_for_nothing(page: Page) -> None:
    page.wait_for_selector("[data-ready=yes]")  # before that the page has not yet looked at what waits
    expect(page.locator("[data-waiting]")).to_be_hidden()


def until(page: Page, promised: str) -> None:
    """Ask the page until what it promises is true; `wait_for_function` takes the promise itself for a yes."""
    for _ in range(LONG_MS // 100):
        if page.evaluate(promised):
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"never came true: {promised}")


def go_to(page: Page, screen: str) -> None:
    """To one screen of the record, as its link in the list of all steps goes."""
    page.evaluate("name => { location.hash = `#at-${name}`; }", screen)
    expect(page.locator(f"#at-{screen}")).to_be_visible()


def screens(page: Page) -> list[str]:
    """The screens of the record, in their order."""
    names = page.locator("#all a").evaluate_all("links => links.map(one => one.hash.replace('#at-', ''))")
    assert len(names) > 20
    return list(names)


def do_step(page: Page, step: WorkStep, **fields: str) -> None:
    go_to(page, step.value)
    form = page.locator(f"form[data-entry]:has(input[value={step.value}])")
    for name, value in fields.items():
        form.locator(f"[name={name}]").fill(value)
    form.locator("button").click()
    expect(form.locator("[data-state]")).to_contain_text("Done")


def look_over(page: Page, look: Look, answer: str, note: str = "") -> None:
    go_to(page, look.value)
    form = page.locator(f"form[data-entry]:has(input[value={look.value}])")
    if note:
        form.locator("[name=note]").fill(note)
    form.locator(f"button[value={answer}]").click()
    expect(form.locator("[data-state]")).to_contain_text(answer, ignore_case=True)


def shoot(page: Page, phase: Phase, distance: str, name: str, shade: int) -> None:
    go_to(page, f"photos-{phase.value}")
    field = page.locator(f"#photo-{phase.value}-{distance}")
    shown = page.locator(f"form:has(#photo-{phase.value}-{distance}) [data-photos] li")
    before = shown.count()
    field.set_input_files({"name": name, "mimeType": "image/jpeg", "buffer": jpeg(shade)})
    expect(shown).to_have_count(before + 1)


def state_of(page: Page, value: str) -> Any:
    return page.locator(f"form[data-entry]:has(input[value={value}]) [data-state]")


@dataclass
class Finished:
    """A visit with everything on it that a page can show."""

    visit: Visit
    technician: User
    owner: User
    homeowner: User


def _assess_after(site: Site, washed_at: datetime) -> None:
    """A year and more of dirt, and a roof that is clean since the wash."""
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
                data=jpeg(90),
                filename="a.jpg",
                phase=phase,
                distance=distance,
                at=washed_at,
                by=technician,
                now=washed_at,
            )
    enter(EntryKind.STEP, WorkStep.SOAK, soak_minutes=10)
    enter(EntryKind.INSPECTION, Look.CABLES, answer="urgent", note="Connector chewed")
    enter(EntryKind.INSPECTION, Look.DEBRIS, answer="seen")
    enter(EntryKind.SIGN_OFF, answer="signed", note="Ida Novak")
    enter(EntryKind.FINISH)
    _assess_after(site, washed_at)
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


def no_violation(page: Page) -> None:
    assert said(violations(page)) == [], page.url
    page.set_viewport_size({"width": 320, "height": 640})  # WCAG 2.2, 1.4.10: no scrolling sideways
    assert page.evaluate("document.documentElement.scrollWidth") <= 320, page.url
    page.set_viewport_size({"width": 390, "height": 844})
