"""A month of a small firm, driven through its pages: nothing is lost or doubled, and the sums are right to the cent.

The clock is set day by day; what a worker does every few minutes is done at each step. Sums are reckoned by hand in the
comments. The screens of a visit's record have tests of their own: here its entries are sent as a phone sends them.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, time
from decimal import Decimal
from uuid import uuid4

import pytest
from django.conf import settings
from django.core import mail
from django.test import Client
from django.utils import timezone
from playwright.sync_api import Browser, Page, expect
from pytest_django.live_server_helper import LiveServer

from portal.actions.reminders.plan import plan_standing
from portal.actions.reminders.send import send_due
from portal.models import Business, Invoice, Lead, LeadStage, Payment, Referral, Role, User, Visit, VisitState
from tests import factories
from tests.browser.conftest import LONG_MS

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


SORTS = ("called off", "Your visit", "We come tomorrow", "We washed", "still open", "Credit note", "Invoice 2026-")


@dataclass
class Month:
    """June of a firm of four, and the clock it goes by."""

    browser: Browser
    url: str
    firm: Business
    people: dict[str, User]
    leads: dict[str, Lead]
    now: datetime
    pages: list[Page] = field(default_factory=list)

    def at(self, day: int, hour: int, minute: int = 0) -> None:
        """Some later moment; the workers have their turn before anybody looks."""
        self.now = datetime(2026, 6, day, hour, minute, tzinfo=UTC)
        self.work()

    def work(self) -> None:
        plan_standing(now=self.now)
        send_due(now=self.now)

    def page(self, name: str = "") -> Page:
        """A browser of somebody's own: one of the firm, logged in, or somebody who has only a link."""
        context = self.browser.new_context(locale="en-GB", viewport={"width": 1280, "height": 900})
        if name:
            client = Client()
            client.force_login(self.people[name])
            session = client.cookies[settings.SESSION_COOKIE_NAME].value
            context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": self.url}])
        context.set_default_timeout(LONG_MS)
        page = context.new_page()
        self.pages.append(page)
        return page

    def visit(self, name: str) -> Visit:
        return Visit.objects.get(site__customer__name=name)

    def told(self, name: str) -> Counter[str]:
        """What a customer got by mail: how often each sort, by the words that stand in its subject alone."""
        address = self.leads[name].site.customer.email
        subjects = [one.subject for one in mail.outbox if address in "".join(one.to)]
        return Counter(next(sort for sort in SORTS if sort in subject) for subject in subjects)


@pytest.fixture
def month(browser: Browser, live_server: LiveServer, monkeypatch: pytest.MonkeyPatch) -> Iterator[Month]:
    firm = factories.business(
        tz="UTC", currency="EUR", tax_name="VAT", tax_percent=Decimal(21), iban="ES9121000418450200051332",
        works_from=time(8), works_until=time(17), work_days="01234", latitude=39.74, longitude=-105.17,
    )  # fmt: skip
    people = {name: factories.member(firm, Role.OFFICE, name=name) for name in ("Olga", "Otto")}
    people["Rosa"] = factories.member(firm, Role.TECHNICIAN, name="Rosa")
    begins = datetime(2026, 6, 1, 8, tzinfo=UTC)
    leads = {}
    for name in ("Tom", "Eva", "Jan", "Ida", "Ole", "Mia"):
        site = factories.site(customer=factories.customer(business=firm, name=name), tz="UTC")
        factories.assessment(site=site, as_of=begins.date(), made_at=begins, clean_due=begins.date())
        leads[name] = factories.lead(site=site, opened_at=begins)
    month = Month(browser, live_server.url, firm, people, leads, begins)
    monkeypatch.setattr(timezone, "now", lambda: month.now)
    yield month
    for page in month.pages:
        page.context.close()


@pytest.mark.long(49)
def test_a_month_through_the_pages(month: Month) -> None:
    _monday_calls(month)
    _two_book_at_once(month)
    _a_day_is_called_off(month)
    _tuesdays_visit(month)
    _the_others_are_marked_done(month)
    _invoices(month)
    _money(month)
    month.at(30, 16)
    _the_months_end(month)
    _everybody_was_told_once(month)


def call(page: Page, url: str, name: str) -> None:
    page.goto(url)
    card = page.locator(".calls > li", has_text=name)
    if not card.get_by_text("What came of it").is_visible():
        card.locator("summary").first.click()
    card.get_by_text("What came of it").click()


def _monday_calls(month: Month) -> None:
    page = month.page("Olga")
    page.goto(month.url)
    expect(page.locator(".calls > li")).to_have_count(6)
    call(page, month.url, "Ida")
    ida = page.locator(".calls > li", has_text="Ida")
    ida.get_by_label("What was said").fill("Asks her husband.")
    ida.get_by_role("button", name="Price given").click()
    expect(page.get_by_role("status").filter(has_text="Price given")).to_be_visible()
    call(page, month.url, "Ole")
    page.locator(".calls > li", has_text="Ole").get_by_role("button", name="Call again").click()
    expect(page.locator(".calls > li", has_text="Ole")).to_have_count(0)
    call(page, month.url, "Mia")
    mia = page.locator(".calls > li", has_text="Mia")
    mia.get_by_role("button", name="They said no").click()
    expect(mia.get_by_label("What was said")).to_be_focused()  # the browser asks for the reason, and nothing is sent
    mia.get_by_label("What was said").fill("They sell the house.")
    mia.get_by_role("button", name="They said no").click()
    expect(page.locator(".calls > li")).to_have_count(3)
    stages = {name: Lead.objects.get(pk=lead.pk).stage for name, lead in month.leads.items()}
    assert stages == dict.fromkeys(("Tom", "Eva", "Jan"), LeadStage.NEW) | {
        "Ida": LeadStage.QUOTED,
        "Ole": LeadStage.CONTACTED,
        "Mia": LeadStage.LOST,
    }


def enter(page: Page, month: Month, name: str, day: int, at: str, price: str) -> None:
    page.goto(f"{month.url}/visits/book/?lead={month.leads[name].pk}")
    page.locator("#when [name=day]").fill(f"2026-06-{day:02}")
    page.locator("#when [name=at]").fill(at)
    page.locator("#when [name=price]").fill(price)
    page.get_by_label("Rosa").check()


def _two_book_at_once(month: Month) -> None:
    olga, otto = month.page("Olga"), month.page("Otto")
    for name, day, price in (("Tom", 2, "150.00"), ("Ida", 4, "150.00")):
        enter(olga, month, name, day, "09:00", price)
        olga.get_by_role("button", name="Book", exact=True).click()
        expect(olga.get_by_role("status").filter(has_text=f"Booked: {name}")).to_be_visible()
    enter(olga, month, "Eva", 3, "10:00", "120.00")
    enter(otto, month, "Jan", 3, "10:00", "99.99")
    for page in (olga, otto):
        page.get_by_role("button", name="Book", exact=True).click()
    expect(olga.get_by_role("status").filter(has_text="Booked: Eva")).to_be_visible()
    expect(otto.get_by_role("alert")).to_contain_text("Rosa is booked then at Eva")
    assert not Visit.objects.filter(site__customer__name="Jan").exists()
    otto.locator("#when [name=at]").fill("19:00")
    otto.get_by_role("button", name=re.compile("book it all the same")).click()
    expect(otto.get_by_role("alert")).to_contain_text("outside of working hours")  # agreed to one thing, not to another
    otto.locator("#when [name=at]").fill("13:00")
    otto.get_by_role("button", name=re.compile("book it all the same")).click()
    expect(otto.get_by_role("status").filter(has_text="Booked: Jan")).to_be_visible()
    assert Visit.objects.filter(state=VisitState.BOOKED).count() == 4


def _a_day_is_called_off(month: Month) -> None:
    month.at(1, 12)
    page = month.page("Olga")
    page.goto(f"{month.url}/visits/{month.visit('Eva').pk}/")
    page.get_by_role("link", name="Move it or call it off").click()
    page.get_by_role("button", name="Call off for weather").click()
    expect(page.get_by_text("Eva gets a mail with free times.")).to_be_visible()
    lead = month.visit("Eva").lead
    assert lead is not None
    assert lead.stage == LeadStage.CONTACTED  # nobody gave a price that waits for an answer
    month.at(1, 13)
    (link,) = [found[0] for one in mail.outbox if (found := re.findall(r"\S+/visits/again/\S+", str(one.body)))]
    home = month.page()
    home.goto(month.url + link[link.index("/visits/again/") :])
    home.locator("main form button").first.click()
    expect(home.get_by_text("We come on")).to_be_visible()
    assert month.visit("Eva").state == VisitState.BOOKED
    month.at(1, 14)


SEND = """async ([address, fields]) => {
  const cookie = document.cookie.split("; ").find((one) => one.startsWith("csrftoken="));
  const token = cookie ? cookie.split("=")[1] : document.querySelector("[name=csrfmiddlewaretoken]").value;
  const answer = await fetch(address, {method: "POST", body: new URLSearchParams(fields),
    headers: {"X-CSRFToken": token, "Accept": "application/json"}});
  return answer.status;
}"""


def _tuesdays_visit(month: Month) -> None:
    month.at(2, 9, 30)
    page = month.page("Rosa")
    visit = month.visit("Tom")
    page.goto(f"{month.url}/visits/{visit.pk}/record/")
    entries = (
        {"kind": "inspection", "item": "cables", "answer": "urgent", "note": "Connector chewed"},
        {"kind": "extra", "note": "Gutter cleared", "amount": "35.55", "agreed_by": "Tom"},
        {"kind": "few_photos", "note": "The lens broke"},
        {"kind": "finish"},
    )
    for entry in entries:
        sent = entry | {"client_id": str(uuid4()), "at": month.now.isoformat()}
        for _twice in range(2):  # as a phone does that heard no answer
            assert page.evaluate(SEND, [f"/visits/{visit.pk}/entries/", sent]) == 200
    assert month.visit("Tom").state == VisitState.DONE
    assert Referral.objects.filter(visit=visit).count() == 1
    month.at(2, 12)


def _the_others_are_marked_done(month: Month) -> None:
    days = {name: month.visit(name).starts_at.day for name in ("Eva", "Jan", "Ida")}
    for name, day in sorted(days.items(), key=lambda one: one[1]):
        month.at(day, 17)
        page = month.page("Otto")
        page.goto(f"{month.url}/visits/{month.visit(name).pk}/")
        page.get_by_role("button", name="Mark it done").click()
        expect(page.get_by_text("counts as a cleaning of this roof")).to_be_visible()
        month.at(day, 18)
    assert Visit.objects.filter(state=VisitState.DONE).count() == 4
    won = {name for name, lead in month.leads.items() if Lead.objects.get(pk=lead.pk).stage == LeadStage.WON}
    assert won == {"Tom", "Eva", "Jan", "Ida"}


def _invoices(month: Month) -> None:
    month.at(5, 18)
    page = month.page("Olga")
    page.goto(f"{month.url}/invoices/month/?month=2026-06")
    expect(page.get_by_role("link", name="4 visits are done and not invoiced")).to_be_visible()
    for name in ("Tom", "Eva", "Jan", "Ida"):
        page.goto(f"{month.url}/invoices/{Invoice.objects.get(visit=month.visit(name)).pk}/")
        page.get_by_role("button", name="Issue the invoice").click()
        expect(page.get_by_text("is issued. It goes out by mail.")).to_be_visible()
    month.at(5, 19)


def _invoice(month: Month, name: str) -> Invoice:
    return Invoice.objects.with_open().get(visit=month.visit(name), kind="invoice")


def pay(page: Page, month: Month, name: str, amount: str, how: str, who: str = "") -> None:
    page.goto(f"{month.url}/invoices/{_invoice(month, name).pk}/")
    page.locator("#payments [name=amount]").fill(amount)
    page.locator("#payments [name=method]").select_option(how)
    if who:
        page.locator("#payments [name=taken_by]").select_option(label=who)
    page.get_by_role("button", name="Write it down").click()


def _money(month: Month) -> None:
    month.at(8, 10)
    page = month.page("Olga")
    pay(page, month, "Tom", "100.00", "cash")
    expect(page.get_by_text("Say who took the cash.")).to_be_visible()
    for name, amount, how, who in (
        ("Tom", "100.00", "cash", "Rosa"),
        ("Tom", "124.52", "transfer", ""),
        ("Eva", "45.20", "card", "Rosa"),
        ("Ida", "1.50", "transfer", ""),
    ):
        pay(page, month, name, amount, how, who)
        expect(page.get_by_text("The payment is written down.")).to_be_visible()
    page.locator("#payments tbody summary", has_text="Undo").click()  # Ida's was another's
    page.get_by_role("button", name="Undo this payment").click()
    expect(page.get_by_text("Both stay in the books.")).to_be_visible()
    page.goto(f"{month.url}/invoices/{_invoice(month, 'Jan').pk}/")
    page.get_by_text("Take the invoice back, or a part").click()
    page.get_by_label("Why (printed on it)").fill("The ladder broke a tile")
    page.get_by_role("button", name="Issue the credit note").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Credit note 2026-0005")
    month.at(8, 12)


def _the_months_end(month: Month) -> None:
    # VAT at 21 %, to the cent: Tom 150.00 + 35.55 and 38.97; Eva 120.00 and 25.20; Ida 150.00 and 31.50; Jan's 99.99
    # and 21.00 came and went. Without tax 455.55, tax 95.67, in all 551.22. Paid: 100.00 + 124.52 + 45.20 = 269.72.
    # Open: Eva 145.20 - 45.20 and Ida 181.50, 281.50 in all.
    page = month.page("Otto")
    page.goto(f"{month.url}/invoices/month/?month=2026-06")
    for figure in ("€551.22", "€269.72", "€281.50"):
        expect(page.locator(".figure", has_text=figure)).to_be_visible()
    for text in ("€455.55", "€95.67"):
        expect(page.locator("dd", has_text=text)).to_be_visible()
    expect(page.get_by_text("not invoiced")).to_have_count(0)
    numbers = Invoice.objects.issued().order_by("number").values_list("year", "number")
    assert list(numbers) == [(2026, number) for number in range(1, 6)]
    assert sum(one.amount for one in Payment.objects.all()) == Decimal("269.72")
    page.goto(f"{month.url}/?as=office")
    expect(page.locator(".calls > li")).to_have_count(1)  # Ole, who was promised a call on the 8th
    expect(page.get_by_text("Promised for 8 June 2026")).to_be_visible()


def _everybody_was_told_once(month: Month) -> None:
    once = Counter({"Your visit": 1, "We washed": 1, "Invoice 2026-": 1})
    told = {name: month.told(name) for name in month.leads}
    # Tom's and Eva's evening before was the day they booked on.
    assert told == {
        "Tom": once,
        "Jan": once + Counter({"We come tomorrow": 1, "Credit note": 1}),
        "Ida": once + Counter({"We come tomorrow": 1, "still open": 1}),
        "Eva": once + Counter({"still open": 1, "called off": 1, "Your visit": 1}),  # and of its new day
        "Ole": Counter(),
        "Mia": Counter(),
    }
