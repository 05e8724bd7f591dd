"""The office's invoices, the month's end and its files, and what whom an invoice is for sees."""

from __future__ import annotations

import csv
import io
from datetime import date, timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.invoices.issue import invoice_token, issue_invoice
from portal.actions.visits import finish_visit
from portal.models import Business, Invoice, InvoiceState, Payment, Role, User
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def firm() -> Business:
    return factories.business(tz="Europe/Madrid", currency="EUR", iban="ES9121000418450200051332")


@pytest.fixture
def desk(client: Client, firm: Business) -> Client:
    client.force_login(factories.member(firm, Role.OFFICE, name="Pilar"))
    return client


def draft(firm: Business, price: str = "150.00", **customer: Any) -> Invoice:
    now = timezone.now()
    site = factories.site(customer=factories.customer(business=firm, **customer), tz="Europe/Madrid")
    visit = factories.visit(site=site, starts_at=now - timedelta(hours=2), price=Decimal(price))
    finish_visit(visit=visit, now=now)
    return Invoice.objects.get(visit=visit)


def send(desk: Client, invoice: Invoice, wish: str, *lines: tuple[str, str, str], **more: str) -> Any:
    """The draft's form as a browser sends it: its lines changed to these, in their order."""
    known = [line.pk for line in invoice.lines.all()]
    fields = {"wish": wish, "buyer_name": invoice.buyer_name, "buyer_address": invoice.buyer_address}
    fields |= {"lines-TOTAL_FORMS": str(len(lines)), "lines-INITIAL_FORMS": str(len(known))}
    for number, (words, amount, percent) in enumerate(lines):
        fields |= {
            f"lines-{number}-pk": str(known[number]) if number < len(known) else "",
            f"lines-{number}-words": words,
            f"lines-{number}-amount": amount,
            f"lines-{number}-tax_percent": percent,
        }
    return desk.post(reverse("invoice_draft", args=[invoice.pk]), fields | more, follow=True)


def issue(desk: Client, firm: Business, price: str = "150.00", **customer: Any) -> Invoice:
    made = draft(firm, price, **customer)
    send(desk, made, "issue", ("Washing", price, "0"))
    return Invoice.objects.get(pk=made.pk)


def rows(answer: Any) -> list[dict[str, str]]:
    """A CSV as whoever keeps the books reads it."""
    text = answer.content.decode("utf-8-sig")
    assert answer.content.startswith(b"\xef\xbb\xbf"), "without its mark a spreadsheet takes UTF-8 for something else"
    return list(csv.DictReader(io.StringIO(text)))


def test_the_office_looks_a_draft_over_and_issues_it(desk: Client, firm: Business) -> None:
    made = draft(firm)
    page = desk.get(reverse("invoice", args=[made.pk])).content.decode()
    assert "Draft of an invoice" in page
    assert "€150.00" in page
    answer = send(desk, made, "issue", ("Washing 15 panels", "140.00", "21"), ("Gutter", "10.00", "10"))
    issued = Invoice.objects.get(pk=made.pk)
    assert f"Invoice {issued.label} is issued. It goes out by mail." in answer.content.decode()
    # 140.00 at 21 % and 10.00 at 10 % on top
    assert (issued.net, issued.tax, issued.total) == (Decimal("150.00"), Decimal("30.40"), Decimal("180.40"))
    assert "<form" not in page.split('class="panel paper"')[1].split("</section>")[0]


def test_what_is_wrong_in_a_draft_is_said_and_nothing_is_lost(desk: Client, firm: Business) -> None:
    made = draft(firm)
    answer = send(desk, made, "issue", ("Washing", "a lot", "0"))
    assert answer.status_code == 422
    assert 'value="a lot"' in answer.content.decode()
    answer = send(desk, made, "issue", ("Washing", "", "0"))
    assert "has no price yet" in answer.content.decode()
    assert Invoice.objects.get(pk=made.pk).state == InvoiceState.DRAFT


def test_a_draft_is_kept_waived_and_charged_after_all(desk: Client, firm: Business) -> None:
    made = draft(firm)
    send(desk, made, "keep", ("Washing", "99.50", "0"))
    assert made.lines.get().amount == Decimal("99.50")
    answer = desk.post(reverse("invoice_draft", args=[made.pk]), {"wish": "waive", "reason": ""}, follow=True)
    assert "Say why it is not charged" in answer.content.decode()
    desk.post(reverse("invoice_draft", args=[made.pk]), {"wish": "waive", "reason": "A favour"})
    assert "A favour" in desk.get(reverse("invoice", args=[made.pk])).content.decode()
    desk.post(reverse("invoice_draft", args=[made.pk]), {"wish": "charge"})
    assert Invoice.objects.get(pk=made.pk).state == InvoiceState.DRAFT


def test_payments_come_in_parts_and_a_double_press_counts_once(desk: Client, firm: Business) -> None:
    issued = issue(desk, firm)
    crew = factories.member(firm, Role.TECHNICIAN, name="Kwame")
    sent = {
        "client_id": str(uuid4()),
        "amount": "50",
        "method": "cash",
        "received_on": str(issued.issued_on),
        "taken_by": str(crew.pk),
    }
    for _ in range(2):
        answer = desk.post(reverse("payment_add", args=[issued.pk]), sent, follow=True)
    page = answer.content.decode()
    assert "Paid or credited so far: €50.00." in page
    assert "Please pay €100.00 by" in page
    assert "Kwame" in page
    payment = Payment.objects.get()
    page = desk.post(reverse("payment_undo", args=[payment.pk]), follow=True).content.decode()
    assert "Please pay €150.00 by" in page
    assert "undone" in page
    wrong = desk.post(reverse("payment_add", args=[issued.pk]), sent | {"client_id": str(uuid4()), "amount": "0"})
    assert wrong.status_code == 422
    nobodys = sent | {"client_id": str(uuid4()), "taken_by": ""}
    page = desk.post(reverse("payment_add", args=[issued.pk]), nobodys, follow=True).content.decode()
    assert "Say who took the cash" in page
    assert 'value="transfer" selected' in page, "what comes by itself is a transfer"
    too_much = sent | {"client_id": str(uuid4()), "amount": "151"}
    assert (
        "Only €150.00 is open"
        in desk.post(reverse("payment_add", args=[issued.pk]), too_much, follow=True).content.decode()
    )


def test_a_homeowner_reads_what_is_still_open_of_an_invoice(desk: Client, firm: Business) -> None:
    owner = factories.user()
    issued = issue(desk, firm, user=owner)
    paid = {"method": "transfer", "received_on": str(issued.issued_on)}
    home = Client()
    home.force_login(owner)
    for amount, said in (("145", "Please pay €5.00 by"), ("5", "Paid in full")):
        desk.post(reverse("payment_add", args=[issued.pk]), paid | {"client_id": str(uuid4()), "amount": amount})
        page = home.get(reverse("home")).content.decode()
        assert said in page
        office = desk.get(reverse("customer", args=[issued.customer_id])).content.decode()
        for one in (page, office):
            assert ("€5.00 of it still to pay" in one) == (amount == "145")
    assert "Please pay" not in page


@pytest.mark.parametrize(
    ("days", "word", "asked"),
    [(0, "Open", "Please pay €150.00 by"), (90, "Overdue", "Please pay €150.00: it was due on")],
)
def test_an_open_bill_stands_before_the_answer_and_is_the_next_thing_to_do(
    desk: Client, firm: Business, days: int, word: str, asked: str
) -> None:
    owner, by = factories.user(), factories.member(firm, Role.OWNER)
    issued = issue_invoice(invoice=draft(firm, user=owner), by=by, now=timezone.now() - timedelta(days=days))
    assert issued.visit is not None
    factories.assessment(site=issued.visit.site, as_of=timezone.now().date(), verdict="clean", clean_due=None)
    home = Client()
    home.force_login(owner)
    first, roof = reverse("home"), reverse("site", args=[issued.visit.site_id])
    pay = f'<a class="button" href="{reverse("invoice", args=[issued.pk])}">Pay invoice {issued.label}</a>'
    above = home.get(first).content.decode().partition('<section class="answer')[0]
    assert asked in above
    assert f">{word}</span>" in above
    for address in (first, roof):
        page = home.get(address).content.decode()
        assert pay in page
        assert "Nothing to do now" not in page
    paper = home.get(reverse("invoice", args=[issued.pk])).content.decode()
    assert (">Overdue</span>" in paper) == (word == "Overdue")
    paid = {"client_id": str(uuid4()), "method": "transfer", "received_on": str(issued.issued_on), "amount": "150"}
    desk.post(reverse("payment_add", args=[issued.pk]), paid)
    for address in (first, roof):
        page = home.get(address).content.decode()
        assert "Pay invoice" not in page
        assert "Nothing to do now" in page


def test_an_invoice_without_an_account_says_who_tells_how_to_pay(desk: Client, firm: Business) -> None:
    Business.objects.filter(pk=firm.pk).update(iban="", phone="805-555-0160")
    issued = issue(desk, firm)
    page = desk.get(reverse("invoice", args=[issued.pk])).content.decode()
    assert f"{firm.name} tells you how: 805-555-0160." in page


def test_a_credit_note_is_a_page_of_its_own_and_the_invoice_is_written_again(desk: Client, firm: Business) -> None:
    issued = issue(desk, firm)
    line = issued.lines.get()
    address = reverse("invoice_credit", args=[issued.pk])
    page = desk.post(address, {f"line-{line.pk}": "150.00", "reason": "Charged twice"}, follow=True).content.decode()
    assert "Credit note" in page
    assert "Charged twice" in page
    assert "Please pay" not in page
    page = desk.post(reverse("invoice_again", args=[issued.pk]), follow=True).content.decode()
    assert "Draft of an invoice" in page
    bad = desk.post(address, {f"line-{line.pk}": "lots", "reason": "x"}, follow=True).content.decode()
    assert "Enter a number." in bad
    assert Invoice.objects.issued().count() == 2


def test_the_list_finds_by_name_number_and_state(desk: Client, firm: Business) -> None:
    one, two = issue(desk, firm, "10.00", name="Amparo Ledesma"), issue(desk, firm, "20.00", name="Otto Marsh")
    draft(firm, name="Third Party")
    issue_elsewhere = draft(factories.business(), name="Foreign Client")

    def shown(**query: str) -> set[str]:
        page = desk.get(reverse("invoices"), query).content.decode()
        return {name for name in ("Ledesma", "Marsh", "Third", "Foreign") if name in page}

    assert shown() == {"Ledesma", "Marsh", "Third"}
    assert shown(q="otto") == {"Marsh"}
    assert shown(q=one.label) == {"Ledesma"}
    assert shown(show="draft") == {"Third"}
    assert shown(show="open") == {"Ledesma", "Marsh"}
    assert shown(show="overdue") == set()
    assert shown(show="paid") == set()
    assert shown(sort="most") == {"Ledesma", "Marsh", "Third"}
    assert shown(show="open", sort="due") == {"Ledesma", "Marsh"}
    found = rows(desk.get(reverse("invoices_csv"), {"show": "open", "sort": "most"}))
    assert [(row["number"], row["open"], row["issued_by"]) for row in found] == [
        (two.label, "20.00", "Pilar"),
        (one.label, "10.00", "Pilar"),
    ]
    assert desk.get(reverse("invoice", args=[issue_elsewhere.pk])).status_code == 404


def test_the_books_get_iso_days_points_and_no_formula(desk: Client, firm: Business) -> None:
    issued = issue(desk, firm, "1234.50", name='=HYPERLINK("x")')
    line = issued.lines.get()
    desk.post(reverse("invoice_credit", args=[issued.pk]), {f"line-{line.pk}": "34.50", "reason": "Late"})
    desk.post(
        reverse("payment_add", args=[issued.pk]),
        {"client_id": str(uuid4()), "amount": "200", "method": "transfer", "received_on": str(issued.issued_on)},
    )
    assert issued.issued_on is not None
    month = {"month": f"{issued.issued_on:%Y-%m}"}
    documents = rows(desk.get(reverse("invoices_month_csv", args=["documents"]), month))
    assert [(row["number"], row["kind"], row["total"], row["corrects"]) for row in documents] == [
        (issued.label, "invoice", "1234.50", ""),
        (documents[1]["number"], "credit", "-34.50", issued.label),
    ]
    listed = {row["number"]: row["total"] for row in rows(desk.get(reverse("invoices_csv")))}
    assert listed == {row["number"]: row["total"] for row in documents}
    assert "−€34.50" in desk.get(reverse("invoices")).content.decode()
    assert documents[0]["customer"] == '\'=HYPERLINK("x")'
    assert date.fromisoformat(documents[0]["issued_on"]) == issued.issued_on
    (paid,) = rows(desk.get(reverse("invoices_month_csv", args=["payments"]), month))
    assert (paid["amount"], paid["method"], paid["invoice"], paid["entered_by"]) == (
        "200.00",
        "transfer",
        issued.label,
        "Pilar",
    )
    page = desk.get(reverse("invoices_month"), month).content.decode()
    assert "€1,200.00" in page  # earned: 1234.50 less 34.50
    assert "€1,000.00" in page  # open of it after 200.00 came
    assert desk.get(reverse("invoices_month_csv", args=["everything"]), month).status_code == 404
    assert desk.get(reverse("invoices_month"), {"month": "soon"}).status_code == 200


def test_a_month_without_money_yet_says_first_what_to_invoice(desk: Client, firm: Business) -> None:
    visit = draft(firm).visit
    assert visit is not None
    assert visit.finished_at is not None
    month = {"month": f"{visit.finished_at.astimezone(ZoneInfo(firm.tz)):%Y-%m}"}

    def read() -> str:
        page: str = desk.get(reverse("invoices_month"), month).content.decode()
        return page

    def first() -> str:
        return read().split("</h1>")[1].split("<dl")[0]

    assert f'<a href="{reverse("invoices")}?show=draft">1 visit is done and not invoiced</a>' in first()
    assert "€0.00" not in first()
    assert read().count("not invoiced") == 1
    issue(desk, firm)
    assert "€150.00" in first()
    assert "not invoiced" not in first()
    assert ">1 not invoiced yet</a>" in read()


def test_work_that_is_not_paid_stands_on_the_offices_first_page(desk: Client, firm: Business) -> None:
    assert "Work not paid" not in desk.get(reverse("home")).content.decode()
    draft(firm)
    late = issue(desk, firm, "80.00", name="Amparo Ledesma")
    Invoice._base_manager.filter(pk=late.pk).update(due_on=timezone.localdate() - timedelta(days=3))
    page = desk.get(reverse("home")).content.decode()
    assert "Work not paid" in page
    assert "1 visit is done and not invoiced" in page
    assert f"{late.label}, Amparo Ledesma" in page
    assert "€80.00 since" in page


def test_a_visit_that_is_invoiced_is_not_reopened_and_the_page_says_why(desk: Client, firm: Business) -> None:
    issued = issue(desk, firm)
    page = desk.post(reverse("visit_reopen", args=[issued.visit_id]), follow=True).content.decode()
    assert f"Invoice {issued.label} is out for this visit. Credit it first." in page


@pytest.mark.parametrize(("language", "title"), [("en", "Invoice"), ("es", "Factura")])
def test_the_link_opens_in_the_language_of_whom_it_is_for(
    desk: Client, firm: Business, language: str, title: str
) -> None:
    issued = issue(desk, firm, language=language)
    token, stranger = invoice_token(issued), Client(headers={"Accept-Language": "de"})
    page = stranger.get(reverse("shared_invoice", args=[token]))
    assert f"{title} {issued.label}" in page.content.decode()
    assert (page["X-Robots-Tag"], page["Cache-Control"]) == ("noindex, nofollow", "private, no-store")
    assert 'src="data:image/svg+xml' in page.content.decode()
    paper = stranger.get(reverse("shared_invoice_pdf", args=[token]))
    assert paper.content.startswith(b"%PDF-")
    assert f"{issued.label}.pdf" in paper["Content-Disposition"]
    stranger.cookies["django_language"] = "en"
    assert f"Invoice {issued.label}" in stranger.get(reverse("shared_invoice", args=[token])).content.decode()
    assert stranger.get(reverse("shared_invoice", args=[token + "x"])).status_code == 404


def test_a_homeowner_finds_their_invoices_on_their_page(desk: Client, firm: Business) -> None:
    home = factories.user()
    issued = issue(desk, firm, user=home)
    somebody_elses = issue(desk, firm)
    draft(firm, user=home)
    mine = Client()
    mine.force_login(User.objects.get(pk=home.pk))
    page = mine.get(reverse("home")).content.decode()
    assert reverse("invoice", args=[issued.pk]) in page
    assert somebody_elses.label not in page
    assert "Draft" not in page
    assert mine.get(reverse("invoice", args=[somebody_elses.pk])).status_code == 404


def test_a_draft_follows_the_firms_tax_until_it_is_issued_and_the_currency_stays(client: Client) -> None:
    firm = factories.business(slug="own", tz="Europe/Madrid", currency="EUR", tax_words="")
    client.force_login(factories.member(firm, Role.OWNER))
    made, gone = draft(firm), issue(client, firm)
    special = made.lines.create(words="At a rate of its own", amount=Decimal(10), tax_percent=Decimal(4))
    address = reverse("business_settings_of", args=["own"])
    form = client.get(address).context["form"]
    sent = {name: "" if form[name].value() in (None, False) else form[name].value() for name in form.fields}
    del sent["logo"]
    client.post(address, sent | {"tax_name": "IVA", "tax_percent": "21", "tax_words": "NIF B00000000"})
    made.refresh_from_db()
    assert made.tax_name == "IVA"
    assert set(made.lines.values_list("tax_percent", flat=True)) == {Decimal(21), Decimal(4)}
    special.delete()
    assert "NIF B00000000" in client.get(reverse("invoice", args=[made.pk])).content.decode()
    gone.refresh_from_db()
    assert (gone.tax_name, gone.lines.get().tax_percent) == ("", Decimal(0))
    refused = client.post(address, sent | {"currency": "USD"}).content.decode()
    assert "There are invoices already: their currency stays." in refused


def test_the_owner_enters_what_invoices_say_and_a_wrong_account_is_refused(client: Client) -> None:
    firm = factories.business(slug="own")
    client.force_login(factories.member(firm, Role.OWNER))
    address = reverse("business_settings_of", args=["own"])
    form = client.get(address).context["form"]
    sent = {name: "" if form[name].value() in (None, False) else form[name].value() for name in form.fields}
    del sent["logo"]
    given = {"tax_name": "IVA", "tax_percent": "21", "prices_include_tax": "on", "payment_days": "30"}
    wrong = client.post(address, sent | given | {"iban": "ES92 2100 0418 4502 0005 1332", "bic": "NOBIC"})
    assert "This is no IBAN" in wrong.content.decode()
    assert "8 or 11 letters" in wrong.content.decode()
    client.post(address, sent | given | {"iban": "es91 2100 0418 4502 0005 1332", "bic": "caixesbb"})
    firm.refresh_from_db()
    assert (firm.iban, firm.bic, firm.tax_percent) == ("ES9121000418450200051332", "CAIXESBB", Decimal(21))
    assert (firm.prices_include_tax, firm.payment_days) == (True, 30)
