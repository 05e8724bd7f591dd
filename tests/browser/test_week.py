"""The week in a real browser: a visit is moved by keyboard and by dragging, and a double booking is asked about."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from portal.models import Role, Visit
from tests import factories
from tests.browser.test_pages import DESK, NARROWEST, complaints, log_in, no_axe_violation

__all__ = ["complaints"]

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_a_visit_is_moved_by_keyboard_and_by_dragging(page: Page, live_server: Any, complaints: list[str]) -> None:
    firm = factories.business(tz="UTC")
    crew = [factories.member(firm, Role.TECHNICIAN, name=name) for name in ("Anna", "Bert")]
    owner = factories.member(firm)
    today = timezone.now().replace(hour=10, minute=0, second=0, microsecond=0)
    tuesday = today + timedelta(days=8 - today.weekday())
    sites = [factories.site(customer=factories.customer(business=firm, name=name), tz="UTC") for name in ("Ida", "Ole")]
    visit = factories.visit(site=sites[0], technicians=(crew[0],), starts_at=tuesday)
    factories.visit(site=sites[1], technicians=(crew[1],), starts_at=tuesday + timedelta(days=1))
    page.set_viewport_size(NARROWEST)  # type: ignore[arg-type]
    log_in(page, live_server, owner)
    address = f"{live_server.url}/visits/week/?day={tuesday.date()}"
    page.goto(address)
    no_axe_violation(page)
    page.locator(f"[data-visit='{visit.pk}'] summary").focus()
    page.keyboard.press("Enter")
    page.locator(f"#day-{visit.pk}").fill((tuesday + timedelta(days=2)).date().isoformat())
    no_axe_violation(page)
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    page.locator(f"[data-visit='{visit.pk}']").get_by_role("button", name="Move").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("Moved: Ida")).to_be_visible()
    page.wait_for_load_state()  # with the script that makes it be dragged
    assert Visit.objects.get(pk=visit.pk).starts_at == tuesday + timedelta(days=2)

    page.set_viewport_size(DESK)  # type: ignore[arg-type]
    day = (tuesday + timedelta(days=3)).date()
    target = page.locator(f"[data-day='{day}'][data-crew='{crew[1].pk}']")
    page.locator(f"[data-visit='{visit.pk}']").drag_to(target)
    expect(target.get_by_role("link", name="Ida")).to_be_visible()
    page.wait_for_load_state()
    assert list(Visit.objects.get(pk=visit.pk).technicians.all()) == [crew[1]]

    day = (tuesday + timedelta(days=1)).date()
    page.locator(f"[data-visit='{visit.pk}']").drag_to(page.locator(f"[data-day='{day}'][data-crew='{crew[1].pk}']"))
    expect(page.get_by_role("alert")).to_contain_text("Bert is booked then at Ole")
    no_axe_violation(page)
    assert Visit.objects.get(pk=visit.pk).starts_at == tuesday + timedelta(days=3)
    page.get_by_role("button", name="change it all the same").click()
    expect(page).to_have_url(re.compile(r"/visits/week/"))  # back to where it was dragged
    assert Visit.objects.get(pk=visit.pk).starts_at == tuesday + timedelta(days=1)
