"""Each role's main job without a mouse: keys that move the focus, what is written, and Enter."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import FileChooser, Locator, Page, expect

from portal.models import Call, EntryKind, LeadEvent, Role, User, Visit, VisitEntry, VisitPhoto, VisitState
from tests import factories
from tests.browser.phone import Finished, booked, finished, go_to, jpeg, ready, screens, state_of, waits_for_nothing
from tests.browser.test_pages import DESK, complaints, no_axe_violation

__all__ = ["complaints", "finished"]

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

MOST_TABS = 150
"""Stops on the way to what is looked for, of which no page has so many. No source: a walk that fails ends."""
RING = "e => [getComputedStyle(e).outlineStyle, getComputedStyle(e).outlineWidth].join(' ')"


@pytest.fixture(autouse=True)
def _desk(page: Page) -> None:
    page.set_viewport_size(DESK)  # type: ignore[arg-type]


def tab_to(page: Page, where: Locator) -> None:
    """Press Tab until it has the focus, which must be seen (WCAG 2.2, 2.4.7)."""
    expect(where).to_be_visible()
    for _ in range(MOST_TABS):
        if where.evaluate("e => e === document.activeElement"):
            break
        page.keyboard.press("Tab")
    expect(where).to_be_focused()
    assert where.evaluate(RING).startswith("solid 3px"), "the ring around what has the focus"


def press(page: Page, where: Locator) -> None:
    tab_to(page, where)
    page.keyboard.press("Enter")


def write(page: Page, where: Locator, text: str) -> None:
    tab_to(page, where)
    page.keyboard.press("Control+a")
    page.keyboard.type(text)


def log_in(page: Page, live_server: Any, user: User) -> None:
    page.goto(f"{live_server.url}/accounts/login/")
    write(page, page.get_by_label("Email"), user.email)
    write(page, page.get_by_label("Password"), factories.PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(f"{live_server.url}/")


def test_a_homeowner_sees_the_verdict_and_asks_for_a_wash(page: Page, live_server: Any, complaints: list[str]) -> None:
    homeowner = factories.user()
    site = factories.site(customer=factories.customer(user=homeowner))
    factories.assessment(site=site)
    log_in(page, live_server, homeowner)
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")  # skip to the page
    expect(page.locator("main")).to_be_focused()
    expect(page.locator(".answer h2")).to_contain_text("Dirty")
    press(page, page.get_by_role("button", name="Ask for a wash"))
    expect(page.get_by_text("You asked for a wash on")).to_be_visible()
    assert LeadEvent.objects.filter(lead__site=site, kind="wash").count() == 1


def test_the_office_calls_books_a_visit_and_moves_it_in_the_week(
    page: Page, live_server: Any, complaints: list[str]
) -> None:
    firm = factories.business(tz="UTC")
    owner = factories.member(firm)
    anna = factories.member(firm, Role.TECHNICIAN, name="Anna")
    site = factories.site(customer=factories.customer(business=firm, name="Ida Novak"), tz="UTC")
    factories.assessment(site=site)
    lead = factories.lead(site=site)
    log_in(page, live_server, owner)

    page.keyboard.press("j")  # to the first call
    expect(page.locator(".calls summary").first).to_be_focused()
    press(page, page.get_by_text("What came of it"))
    write(page, page.get_by_label("What was said"), "Tuesday suits.")
    press(page, page.get_by_role("button", name="Price given"))
    expect(page.get_by_text("Called today")).to_be_visible()
    assert Call.objects.get(lead=lead).outcome == "quoted"

    page.goto(f"{live_server.url}/leads/{lead.pk}/")
    press(page, page.get_by_role("link", name="Book a visit").first)
    page.wait_for_url("**/visits/book/**")
    day = (timezone.now() + timedelta(days=8 - timezone.now().weekday())).date()  # a Tuesday
    tab_to(page, page.locator("#id_day"))
    page.keyboard.type(f"{day:%m%d%Y}")
    tab_to(page, page.locator("#id_at"))
    page.keyboard.type("1000AM")
    tab_to(page, page.get_by_label("Anna"))
    page.keyboard.press("Space")
    press(page, page.get_by_role("button", name="Book", exact=True))
    expect(page.get_by_text("Booked:")).to_be_visible()
    visit = Visit.objects.get(site=site)
    assert (visit.starts_at.date(), list(visit.technicians.all())) == (day, [anna])

    page.goto(f"{live_server.url}/visits/week/?day={day}")
    stop = page.locator(f"[data-visit='{visit.pk}']")
    press(page, stop.locator("summary"))
    tab_to(page, page.locator(f"#day-{visit.pk}"))
    page.keyboard.type(f"{day + timedelta(days=1):%m%d%Y}")
    press(page, stop.get_by_role("button", name="Move"))
    expect(page.get_by_text("Moved: Ida Novak")).to_be_visible()
    visit.refresh_from_db()
    assert visit.starts_at.date() == day + timedelta(days=1)


@pytest.mark.long(42)
def test_a_technician_goes_from_the_day_to_the_end_of_the_record(page: Page, live_server: Any) -> None:
    visit, (technician,) = booked()
    Visit.objects.update(starts_at=timezone.now() + timedelta(minutes=1))
    log_in(page, live_server, technician)
    page.keyboard.press("j")
    page.keyboard.press("Enter")
    page.wait_for_url(f"{live_server.url}/visits/{visit.pk}/")
    press(page, page.locator(f"a[href='/visits/{visit.pk}/record/']").first)
    page.wait_for_url(f"{live_server.url}/visits/{visit.pk}/record/*")  # the page before it is ready too
    ready(page)
    for name in screens(page):
        screen = page.locator(f"#at-{name}")
        expect(screen).to_be_visible()
        _fill_in(page, screen)
        if screen.locator("a.next").get_attribute("href") != "#all":
            press(page, screen.locator("a.next"))
    waits_for_nothing(page)
    visit.refresh_from_db()
    assert visit.state == VisitState.DONE
    assert VisitPhoto.objects.filter(visit=visit).count() == 4


def _fill_in(page: Page, screen: Locator) -> None:
    """Do on one screen of the record what it is for."""
    for field in screen.locator("input[id^=photo-before], input[id^=photo-after]").all():
        waits_for_nothing(page)  # what is sent draws the list of photos anew
        choosers: list[FileChooser] = []

        def take(one: FileChooser, into: list[FileChooser] = choosers) -> None:
            into.append(one)

        page.once("filechooser", take)
        for _ in range(60):  # a busy browser may let a key fall; a person presses once more
            tab_to(page, field)
            page.keyboard.press("Space")
            for _ in range(20):
                if not choosers:
                    page.wait_for_timeout(50)
            if choosers:
                break
        choosers[0].set_files({"name": "roof.jpg", "mimeType": "image/jpeg", "buffer": jpeg(50)})
        expect(field.locator("xpath=ancestor::form").locator("[data-photos] li")).to_have_count(1)
    for step in screen.locator("form:has([name=kind][value=step])").all():
        for field in step.locator("[name=water_ppm], [name=soak_minutes]").all():
            write(page, field, "10")
        press(page, step.locator("button"))
        expect(step.locator("[data-state]")).to_contain_text("Done")
    for button in screen.locator("button[value=ok], button[value=not_at_home]").all():
        press(page, button)
    for button in screen.get_by_role("button", name="Finish the visit").all():
        press(page, button)
        expect(page.locator("form:has(input[value=finish]) [data-state]")).to_contain_text("Done")


def test_what_is_drawn_for_a_hand_is_worked_by_keys_too(
    page: Page,
    live_server: Any,
    finished: Finished,
    complaints: list[str],
) -> None:
    """The compass and the pictures of pitches, the slider between two photos, a name in place of a signature."""
    site = finished.visit.site
    log_in(page, live_server, finished.owner)
    page.goto(f"{live_server.url}/customers/{site.customer_id}/sites/new/")
    for group, field, value in (("Faces", "azimuth", "270"), ("Tilt", "tilt", "30")):
        press(page, page.get_by_role("group", name=group).first.locator(f"button[value='{value}']"))
        expect(page.locator(f"input[name$={field}]").first).to_have_value(value)
    page.goto(f"{live_server.url}/visits/{finished.visit.pk}/report/")
    slider = page.get_by_role("slider").first
    tab_to(page, slider)
    page.keyboard.press("Home")
    page.keyboard.press("ArrowRight")
    expect(slider).to_have_value("1")
    shown = slider.evaluate("one => one.closest('[data-compare]').style.getPropertyValue('--before')")
    assert shown == "1%"

    visit, (technician,) = booked()
    log_out(page, live_server)
    log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    ready(page)
    go_to(page, "sign_off")
    write(page, page.get_by_label("Name of the customer who agreed"), "Ida Novak")
    press(page, page.get_by_role("button", name="Customer agreed"))
    expect(state_of(page, "sign_off")).to_contain_text("Customer agreed Ida Novak")
    waits_for_nothing(page)
    assert VisitEntry.objects.get(visit=visit, kind=EntryKind.SIGN_OFF).note == "Ida Novak"


def log_out(page: Page, live_server: Any) -> None:
    page.goto(f"{live_server.url}/accounts/logout/")
    press(page, page.locator("main").get_by_role("button", name="Log out"))
    page.wait_for_url(lambda url: "/logout/" not in url)


PRESSED_AT_ONCE = """() => {
  const sheet = document.getElementById("keys");
  sheet.showModal();
  sheet.close();
  document.activeElement.dispatchEvent(new KeyboardEvent("keydown", { key: "3", bubbles: true }));
}"""
"""In the frame in which the sheet is closed, when what had the focus in it, though hidden, has it still."""


def test_the_keys_open_pages_and_their_sheet_and_can_be_turned_off(
    page: Page, live_server: Any, complaints: list[str]
) -> None:
    firm = factories.business()
    for name in ("Ida Novak", "Ole Berg"):
        factories.site(customer=factories.customer(business=firm, name=name))
    log_in(page, live_server, factories.member(firm))
    page.keyboard.press("?")
    sheet = page.get_by_role("dialog", name="Keys")
    expect(sheet).to_be_visible()
    expect(sheet.get_by_text("Customers")).to_be_visible()
    no_axe_violation(page)
    page.keyboard.press("3")  # nothing behind the sheet hears it
    page.keyboard.press("Escape")
    expect(sheet).to_be_hidden()
    assert page.url == f"{live_server.url}/"

    page.evaluate(PRESSED_AT_ONCE)
    page.wait_for_url(f"{live_server.url}/customers/")
    page.keyboard.press("/")
    expect(page.get_by_role("searchbox")).to_be_focused()
    page.keyboard.type("3?j")  # written, not heard
    expect(page.get_by_role("searchbox")).to_have_value("3?j")
    tab_to(page, page.get_by_role("button", name="Find"))
    page.keyboard.press("j")
    expect(page.get_by_role("link", name="Ida Novak")).to_be_focused()
    page.keyboard.press("j")
    expect(page.get_by_role("link", name="Ole Berg")).to_be_focused()
    page.keyboard.press("k")
    expect(page.get_by_role("link", name="Ida Novak")).to_be_focused()

    press(page, page.get_by_role("button", name="Keys"))
    tab_to(page, sheet.get_by_role("checkbox"))
    page.keyboard.press("Space")
    page.keyboard.press("Escape")
    page.keyboard.press("1")
    page.reload()
    page.keyboard.press("1")
    page.keyboard.press("?")
    expect(sheet).to_be_hidden()
    assert page.url == f"{live_server.url}/customers/"


@pytest.mark.parametrize(
    ("path", "field", "said"),
    [
        ("/rain/", "file", "No line of this file is a day's rain."),
        ("/business/{slug}/", "logo", "Upload a valid image."),
    ],
)
def test_a_form_that_comes_back_is_shown_where_it_is_wrong(
    page: Page, live_server: Any, path: str, field: str, said: str
) -> None:
    firm = factories.business()
    log_in(page, live_server, factories.member(firm, Role.OWNER))
    page.set_viewport_size({"width": 360, "height": 640})
    page.goto(live_server.url + path.format(slug=firm.slug))
    form = page.locator(f"form:has([name={field}])")
    form.locator(f"[name={field}]").set_input_files(
        {"name": "bill.pdf", "mimeType": "application/pdf", "buffer": b"%PDF-1.4\n"}
    )
    for needed in form.locator("input[type=text][required]").all():
        if not needed.input_value():
            needed.fill("A gauge")
    form.locator("button").last.click()
    wrong = page.locator(".errorlist")
    expect(wrong).to_contain_text(said)
    expect(wrong).to_be_focused()
    expect(wrong).to_be_in_viewport(ratio=1)
    page.keyboard.press("Tab")  # and from there to the field
    expect(form.locator(f"[name={field}]")).to_be_focused()
