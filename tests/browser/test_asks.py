"""What is known of a roof is read without a signal, booking asks first, and a neighbour asks from a shared report."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect
from pytest_django.live_server_helper import LiveServer

from portal.actions.proof import link_token, share_report
from portal.actions.record import record_entry
from portal.models import Customer, Enquiry, Role, Visit, VisitEntry, VisitState
from tests import factories
from tests.browser.phone import booked, browser_context_args, complaints, log_in, no_violation, ready, waits_for_nothing

__all__ = ["browser_context_args", "complaints"]  # the fixtures

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def burnt(visit: Visit) -> None:
    """A connector was found burnt on an earlier visit to the same roof."""
    now = timezone.now()
    ago = now - timedelta(days=60)
    earlier = factories.visit(site=visit.site, state=VisitState.DONE, starts_at=ago, finished_at=ago)
    record_entry(
        visit=earlier,
        client_id=uuid4(),
        kind="inspection",
        item="cables",
        answer="urgent",
        note="Burnt connector",
        at=now,
        by=factories.member(visit.site.customer.business, Role.TECHNICIAN),
        now=now,
    )


def test_what_is_known_is_read_without_a_signal_before_anything_is_entered(page: Page, live_server: LiveServer) -> None:
    visit, (technician,) = booked()
    burnt(visit)
    log_in(page, live_server, technician)
    page.goto(f"{live_server.url}/visits/{visit.pk}/record/")
    ready(page)
    page.context.set_offline(True)
    page.reload()
    ready(page)
    expect(page.get_by_text("Burnt connector")).to_be_visible()
    expect(page.get_by_role("heading", name="1. Arrive")).to_be_hidden()
    page.get_by_role("button", name="I have read it").click()
    expect(page.get_by_role("heading", name="1. Arrive")).to_be_visible()
    page.context.set_offline(False)
    page.reload()
    waits_for_nothing(page)
    page.reload()
    ready(page)
    expect(page.get_by_text(f"Read by {technician}")).to_be_visible()
    assert VisitEntry.objects.get(visit=visit, kind="read").by == technician
    no_violation(page)


def test_booking_asks_first_and_keeps_what_is_typed(page: Page, live_server: LiveServer, complaints: list[str]) -> None:
    visit, _ = booked()
    burnt(visit)
    Customer.objects.update(notes="Ring twice, the dog is old.\n" * 30)  # more to be read than a phone shows
    log_in(page, live_server, factories.member(visit.site.customer.business, Role.OFFICE))
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(f"{live_server.url}/visits/book/?site={visit.site.pk}#when")  # as from a time that was proposed
    page.get_by_label("Minutes").fill("77")
    page.get_by_role("button", name="Book", exact=True).click()
    expect(page.get_by_role("alert")).to_contain_text("Nothing is booked yet.")
    no_violation(page)
    expect(page.locator("#asked")).to_be_focused()
    for part in (page.get_by_role("alert"), page.get_by_role("button", name="book it all the same")):
        expect(part).to_be_in_viewport(ratio=1)
    page.get_by_role("button", name="Book", exact=True).click()
    expect(page.get_by_role("alert")).to_contain_text(
        "Nothing is booked yet."
    )  # only the one beside the question answers
    page.get_by_role("button", name="book it all the same").click()
    expect(page.get_by_text("Booked:")).to_be_visible()
    assert Visit.objects.filter(minutes=77).count() == 1


def test_a_neighbour_asks_from_a_shared_report(page: Page, live_server: LiveServer, complaints: list[str]) -> None:
    now = timezone.now()
    done = factories.visit(state=VisitState.DONE, starts_at=now, finished_at=now)
    page.goto(f"{live_server.url}/r/{link_token(share_report(visit=done, now=now))}/")
    no_violation(page)
    page.get_by_label("Your name").fill("Nell Next")
    page.get_by_label("Your phone or e-mail").fill("555-0177")
    page.get_by_role("button", name="Get in touch with me").click()
    expect(page.get_by_text("has it and gets in touch with you")).to_be_visible()
    assert Enquiry.objects.get().reach == "555-0177"
