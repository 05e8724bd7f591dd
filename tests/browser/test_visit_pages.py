"""The pages of a visit: readable by everybody, big enough on the roof, one sheet on paper."""

from __future__ import annotations

import re

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect
from pytest_django.live_server_helper import LiveServer

from portal.actions.proof import link_token, share_report
from portal.models import (
    Customer,
    Role,
    User,
    Visit,
    VisitState,
)
from tests import factories
from tests.browser.phone import (
    Finished,
    booked,
    browser_context_args,
    complaints,
    finished,
    go_to,
    log_in,
    lose_session,
    no_violation,
    on_the_record,
    ready,
    screens,
)

__all__ = ["browser_context_args", "complaints", "finished"]  # the fixtures

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.long(14)
def test_the_pages_of_a_finished_visit_have_no_axe_violation(
    page: Page, live_server: LiveServer, finished: Finished, complaints: list[str]
) -> None:
    # With photos, a finding, a signature and a gain; test_every_page.py opens all pages, those of a coming one too.
    pk, site = finished.visit.pk, finished.visit.site.pk
    link = share_report(visit=finished.visit, now=timezone.now())
    shared = f"/r/{link_token(link)}/"
    walks: list[tuple[User, list[str]]] = [
        (finished.technician, [f"/visits/{pk}/"]),
        (
            finished.owner,
            [
                "/visits/?order=route",
                f"/visits/{pk}/",
                f"/visits/{pk}/record/",
                f"/visits/book/?site={site}&nesting=1",
                f"/visits/{pk}/report/",
            ],
        ),
        (finished.homeowner, [f"/visits/{pk}/report/", shared]),
    ]
    for person, addresses in walks:
        lose_session(page.context)
        log_in(page, live_server, person)
        for address in addresses:
            page.goto(f"{live_server.url}{address}")
            page.wait_for_load_state("networkidle")
            no_violation(page)
    lose_session(page.context)
    page.goto(f"{live_server.url}{shared}")
    expect(page.get_by_text("7 % of what clean panels make")).to_be_visible()
    expect(page.get_by_text("likely 6 % to 8 %").first).to_be_visible()
    no_violation(page)


def test_a_link_that_is_over_says_so_accessibly(page: Page, live_server: LiveServer) -> None:
    page.goto(f"{live_server.url}/r/no-such-link/")
    expect(page.get_by_role("heading", level=1)).to_have_text("This link is over")
    no_violation(page)


def test_what_is_pressed_on_the_roof_is_big_enough(page: Page, live_server: LiveServer) -> None:
    on_the_record(page, live_server)
    heights = []
    for screen in screens(page):
        go_to(page, screen)
        targets = page.locator(f"#at-{screen} :is(button, .button, input:not([type=hidden]))")
        heights += targets.evaluate_all("them => them.map(one => [one.outerHTML, one.getBoundingClientRect().height])")
    assert len(heights) > 60
    assert [(what, height) for what, height in heights if height < 44] == []


def test_what_is_to_be_read_first_ends_without_a_line_below_nothing(page: Page, live_server: LiveServer) -> None:
    visit, (technician,) = booked()
    Customer.objects.update(notes="Gulls on the chimney.")
    Visit.objects.update(starts_at=timezone.now())
    log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    form = page.locator(".heed form")
    expect(form).to_be_visible()
    assert form.evaluate("form => getComputedStyle(form).borderBottomWidth") == "0px"


def test_on_a_small_phone_a_visit_is_moved_or_called_off_from_its_first_screen(
    page: Page, live_server: LiveServer
) -> None:
    visit, _ = booked()
    log_in(page, live_server, factories.member(visit.site.customer.business, Role.OFFICE))
    page.set_viewport_size({"width": 360, "height": 640})
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    way = page.get_by_role("link", name="Move it or call it off")
    expect(way).to_be_in_viewport(ratio=1)
    expect(way).to_have_class("button quiet")
    way.click()
    for name, role in (("Move or change", "link"), ("Call off for weather", "button")):
        there = page.get_by_role(role, name=name)  # type: ignore[arg-type]
        expect(there).to_be_in_viewport(ratio=1)
        expect(there).to_have_class(re.compile("quiet"))
    page.get_by_role("button", name="Call off for weather").click()
    expect(page.get_by_text("do not drive out")).to_be_visible()


def test_the_printed_sheet_is_one_page(page: Page, live_server: LiveServer, finished: Finished) -> None:
    coming = Visit.objects.get(state=VisitState.BOOKED)
    log_in(page, live_server, finished.technician)
    page.goto(f"{live_server.url}/visits/{coming.pk}/")
    ready(page)
    expect(page.locator(".production .chart")).to_be_visible()
    for paper in ("A4", "Letter"):
        printed = page.pdf(format=paper, prefer_css_page_size=True)
        assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1, paper
