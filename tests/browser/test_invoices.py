"""From an extra on the roof to the month's end, in a browser: written down without a signal, issued, paid, credited."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.utils import timezone
from playwright.sync_api import BrowserContext, Page, expect
from pytest_django.live_server_helper import LiveServer

from portal.actions.invoices.issue import invoice_token
from portal.actions.visits import finish_visit
from portal.models import Business, EntryKind, Invoice, Role, VisitEntry
from tests import factories
from tests.browser.phone import complaints, go_to, log_in, on_the_record, waits_for_nothing
from tests.browser.violations import said, violations

__all__ = ["complaints"]  # the fixture

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

WIDTHS = (320, 768, 820, 1440)


def fits_and_is_open_to_all(page: Page) -> None:
    """Nothing scrolls sideways at any width, and axe finds nothing at the narrowest and the widest."""
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= width, (page.url, width)
        if width in (WIDTHS[0], WIDTHS[-1]):
            assert said(violations(page)) == [], page.url


def test_an_extra_is_written_down_without_a_signal_and_arrives_once(
    page: Page, context: BrowserContext, live_server: LiveServer
) -> None:
    visit, _ = on_the_record(page, live_server)
    context.set_offline(True)
    go_to(page, "extra")
    form = page.locator("form[data-entry]:has(input[value=extra])")
    for what, amount, by in (("Gutter cleared", "35,50", "Ida Novak"), ("Nest removed", "", "Ida Novak")):
        form.get_by_label("What was done besides").fill(what)
        form.get_by_label("Price agreed").fill(amount)
        form.get_by_label("Name of who agreed").fill(by)
        form.get_by_role("button").click()
        expect(form.locator("[data-state]")).to_contain_text(what)
        expect(form.get_by_label("What was done besides")).to_have_value("")
    context.set_offline(False)
    waits_for_nothing(page)
    page.reload()
    waits_for_nothing(page)
    expect(page.get_by_text("Gutter cleared, $35.50")).to_be_visible()
    kept = VisitEntry.objects.filter(visit=visit, kind=EntryKind.EXTRA).order_by("pk")
    assert [(one.note, one.amount, one.agreed_by) for one in kept] == [
        ("Gutter cleared", Decimal("35.50"), "Ida Novak"),
        ("Nest removed", None, "Ida Novak"),
    ]


def test_the_office_issues_takes_money_and_credits_to_the_cent(
    page: Page, live_server: LiveServer, complaints: list[str]
) -> None:
    firm = factories.business(
        tax_name="VAT", tax_percent=Decimal("21"), currency="EUR", iban="ES9121000418450200051332"
    )
    office, crew = factories.member(firm), factories.member(firm, Role.TECHNICIAN, name="Kwame")
    site = factories.site(customer=factories.customer(business=firm, name="Ida Novak"))
    now = timezone.now()
    visit = factories.visit(site=site, technicians=(crew,), starts_at=now - timedelta(hours=2), price="150.00")
    finish_visit(visit=visit, now=now)
    log_in(page, live_server, office)

    # from the first page to the draft, and out
    page.get_by_role("link", name="1 visit is done and not invoiced").click()
    expect(page.get_by_role("link", name="Draft")).to_be_visible()
    fits_and_is_open_to_all(page)
    page.get_by_role("link", name="Draft").click()
    expect(page.get_by_role("button", name="Issue the invoice")).to_be_visible()
    fits_and_is_open_to_all(page)
    page.get_by_role("button", name="Issue the invoice").click()
    expect(page.get_by_text("is issued. It goes out by mail.")).to_be_visible()
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Invoice {now.year}-0001")

    # a part, by keyboard alone
    amount = page.get_by_label("Amount", exact=False).first
    amount.focus()
    page.keyboard.press("Control+A")
    page.keyboard.type("60")
    page.keyboard.press("Enter")
    expect(page.get_by_text("Please pay €121.50 by")).to_be_visible()
    fits_and_is_open_to_all(page)

    # a part of the line, with its tax, is taken back
    page.get_by_text("Take the invoice back, or a part").click()
    page.get_by_label("Washing the panels").fill("50")
    page.get_by_label("Why (printed on it)").fill("Late")
    page.get_by_role("button", name="Issue the credit note").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Credit note {now.year}-0002")
    fits_and_is_open_to_all(page)

    _the_month_and_the_link_say_the_same(page, live_server, firm)


def _the_month_and_the_link_say_the_same(page: Page, live_server: LiveServer, firm: Business) -> None:
    invoice = Invoice.objects.with_open().get(business=firm, number=1)
    assert invoice.issued_on is not None
    page.goto(f"{live_server.url}/invoices/month/?month={invoice.issued_on:%Y-%m}")
    # 150.00 and 31.50 of tax, less 50.00 and 10.50: 121.00; 60.00 came, so 61.00 are open
    for figure in ("€121.00", "€60.00", "€61.00"):
        expect(page.locator(".figure", has_text=figure)).to_be_visible()
    fits_and_is_open_to_all(page)
    page.context.clear_cookies()
    page.goto(f"{live_server.url}/i/{invoice_token(invoice)}/")
    expect(page.get_by_text("Please pay €61.00 by")).to_be_visible()
    fits_and_is_open_to_all(page)
