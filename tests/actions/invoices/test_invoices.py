"""From a finished visit to an invoice that stands: drafts, numbers without gaps, credit notes."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest
from django.core.exceptions import ValidationError
from django.db import connection, transaction

from portal.actions.erase import erase_customer, erase_site
from portal.actions.invoices.draft import (
    DraftLine,
    change_draft,
    charge_after_all,
    draft_invoice,
    waive_invoice,
    write_again,
)
from portal.actions.invoices.issue import credit_invoice, invoice_token, issue_invoice, left_to_credit, linked_invoice
from portal.actions.record import record_entry
from portal.actions.visits import book_visit, finish_visit, reopen_visit
from portal.models import (
    Business,
    EntryKind,
    EventKind,
    Invoice,
    InvoiceLine,
    InvoiceState,
    IssuedForGood,
    Language,
    LeadEvent,
    Role,
    User,
    Visit,
)
from tests import factories
from tests.factories import NOW

ISSUED = date(2026, 6, 15)


def finished(**fields: Any) -> Visit:
    """A visit of yesterday that was just finished."""
    visit = factories.visit(**{"starts_at": NOW - timedelta(hours=2)} | fields)
    return finish_visit(visit=visit, now=NOW)


def draft_of(visit: Visit) -> Invoice:
    return Invoice.objects.get(visit=visit, state=InvoiceState.DRAFT)


def office(invoice: Invoice) -> User:
    return factories.member(invoice.business)


def issued(visit: Visit | None = None, now: datetime = NOW) -> Invoice:
    return issue_invoice(invoice=draft_of(visit or finished()), by=None, now=now)


def extra(visit: Visit, words: str = "Gutter cleared", amount: str | None = "35.00") -> None:
    record_entry(
        visit=visit,
        client_id=uuid4(),
        kind=EntryKind.EXTRA,
        note=words,
        amount=None if amount is None else Decimal(amount),
        agreed_by="Alex Example",
        at=NOW,
        by=factories.member(visit.site.customer.business, Role.TECHNICIAN),
        now=NOW,
    )


def words_of(invoice: Invoice) -> list[tuple[str, Decimal | None]]:
    return [(line.words, line.amount) for line in invoice.lines.all()]


def credit_all(invoice: Invoice, **fields: Any) -> Invoice:
    given = {"amounts": left_to_credit(invoice), "reason": "Charged twice", "by": None, "now": NOW} | fields
    return credit_invoice(invoice=invoice, **given)


# --- drafts ----------------------------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_finishing_a_visit_drafts_what_was_agreed_once() -> None:
    visit = finished(price=Decimal("150.00"))
    finish_visit(visit=visit, now=NOW)
    draft = draft_of(visit)
    assert words_of(draft) == [("Washing the panels, 12 Invented Road", Decimal("150.00"))]
    assert (draft.buyer_name, draft.number, draft.done_on) == (visit.site.customer.name, None, date(2026, 6, 15))


@pytest.mark.django_db
def test_the_quotes_own_lines_are_charged_where_they_come_to_the_price_agreed() -> None:
    site = factories.site(storeys=2)
    # 15 panels at 7.00 are under the least of 120.00; the second storey is 30.00: 150.00 by the price list
    lines = words_of(draft_of(finished(site=site, price=Decimal("150.00"))))
    assert [amount for _words, amount in lines] == [Decimal("120.00"), Decimal("30.00")]


@pytest.mark.django_db
def test_an_accepted_quote_is_charged_as_it_was_accepted_though_prices_rose_since() -> None:
    lead = factories.lead()
    LeadEvent.objects.create(
        lead=lead,
        kind=EventKind.ACCEPT,
        at=NOW,
        agreed={"lines": [["Washing 15 panels", "99.00"]], "price": "99.00", "currency": "USD"},
    )
    visit = book_visit(site=lead.site, starts_at=NOW + timedelta(days=1), technicians=[], lead=lead, now=NOW)
    finish_visit(visit=visit, now=NOW + timedelta(days=2))
    assert words_of(draft_of(visit)) == [("Washing 15 panels", Decimal("99.00"))]


@pytest.mark.django_db
def test_without_any_agreement_the_price_list_holds_and_speaks_the_customers_language() -> None:
    site = factories.site(customer=factories.customer(language=Language.SPANISH))
    ((words, amount),) = words_of(draft_of(finished(site=site, price=None)))
    assert amount == Decimal("120.00")
    assert "Lavado" in words or "Lavar" in words


@pytest.mark.django_db
def test_extras_are_charged_whenever_the_phone_finds_a_signal() -> None:
    visit = factories.visit(starts_at=NOW - timedelta(hours=2))
    extra(visit)
    finish_visit(visit=visit, now=NOW)
    extra(visit, "Nest removed", None)
    draft = draft_of(visit)
    assert words_of(draft)[1:] == [("Gutter cleared", Decimal("35.00")), ("Nest removed", None)]
    assert {line.agreed_by for line in draft.lines.filter(kind="extra")} == {"Alex Example"}
    with pytest.raises(ValidationError, match="has no price yet"):
        issue_invoice(invoice=draft, by=None, now=NOW)
    line = draft.lines.get(words="Nest removed")
    change_draft(
        invoice=draft,
        lines=[DraftLine(line.pk, "Nest removed", Decimal("90"), Decimal(0))],
        buyer_name="Alex Example",
        buyer_address="12 Invented Road",
    )
    assert issue_invoice(invoice=draft, by=None, now=NOW).total == Decimal("275.00")
    extra(visit, "Snow guard", "20.00")  # the second phone comes home when the invoice is out
    assert words_of(draft_of(visit)) == [("Snow guard", Decimal("20.00"))]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("fields", "problem"),
    [({"note": " "}, "Say what was done"), ({"agreed_by": ""}, "who agreed"), ({"amount": Decimal(-1)}, "between")],
)
def test_an_extra_says_what_and_who_agreed(fields: dict[str, Any], problem: str) -> None:
    visit = factories.visit()
    given: dict[str, Any] = {
        "kind": EntryKind.EXTRA,
        "note": "Gutter",
        "agreed_by": "Alex",
        "amount": Decimal(9),
    } | fields
    with pytest.raises(ValidationError, match=problem):
        record_entry(visit=visit, client_id=uuid4(), at=NOW, by=factories.user(), now=NOW, **given)


@pytest.mark.django_db
def test_a_line_without_words_goes_and_a_new_one_comes() -> None:
    draft = draft_of(finished())
    first = draft.lines.get()
    change_draft(
        invoice=draft,
        lines=[DraftLine(first.pk, " ", None, Decimal(0)), DraftLine(None, "Round sum", Decimal("80"), Decimal("10"))],
        buyer_name="Somebody Else",
        buyer_address="Elsewhere",
    )
    draft.refresh_from_db()
    assert words_of(draft) == [("Round sum", Decimal("80.00"))]
    assert draft.buyer_name == "Somebody Else"


@pytest.mark.django_db
def test_a_line_of_another_invoice_is_not_changed_through_this_one() -> None:
    mine, other = draft_of(finished()), draft_of(finished())
    foreign = other.lines.get()
    change_draft(
        invoice=mine,
        lines=[DraftLine(foreign.pk, "Taken over", Decimal(1), Decimal(0))],
        buyer_name="A",
        buyer_address="B",
    )
    assert InvoiceLine.objects.get(pk=foreign.pk).words == foreign.words


@pytest.mark.django_db
def test_a_visit_that_is_not_charged_stays_so_until_that_is_taken_back() -> None:
    visit = finished()
    draft = draft_of(visit)
    with pytest.raises(ValidationError, match="Say why"):
        waive_invoice(invoice=draft, reason=" ", by=office(draft))
    waive_invoice(invoice=draft, reason="The last wash went wrong", by=office(draft))
    extra(visit)
    assert draft_invoice(visit=visit, now=NOW) is None
    with pytest.raises(ValidationError, match="no draft any more"):
        issue_invoice(invoice=draft, by=None, now=NOW)
    charge_after_all(invoice=draft)
    assert draft_of(visit) == draft


@pytest.mark.django_db
def test_a_finish_taken_back_takes_its_draft_and_asks_for_a_credit_note_where_one_is_out() -> None:
    visit = finished()
    reopen_visit(visit=visit, now=NOW)
    assert not Invoice.objects.exists()
    finish_visit(visit=visit, now=NOW)
    invoice = issued(visit)
    with pytest.raises(ValidationError, match=r"Invoice 2026-0001 is out .* Credit it first"):
        reopen_visit(visit=visit, now=NOW)
    credit_all(invoice)
    reopen_visit(visit=visit, now=NOW)
    assert Invoice.objects.issued().count() == 2
    finish_visit(visit=visit, now=NOW)
    assert words_of(draft_of(visit)) == words_of(invoice), "washed after all, it is charged anew"


# --- numbers ---------------------------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_numbers_run_without_gaps_within_a_firm_and_year() -> None:
    firm, other = factories.business(tz="America/Denver"), factories.business()

    def one(business: Business, now: datetime) -> str:
        visit = finished(site=factories.site(customer=factories.customer(business=business)))
        return issue_invoice(invoice=draft_of(visit), by=None, now=now).label

    assert [one(firm, NOW), one(firm, NOW), one(other, NOW)] == ["2026-0001", "2026-0002", "2026-0001"]
    # 06:30 UTC on New Year's Day is still 23:30 of the old year in Denver (UTC-7)
    assert one(firm, datetime(2027, 1, 1, 6, 30, tzinfo=UTC)) == "2026-0003"
    assert one(firm, datetime(2027, 1, 1, 7, 30, tzinfo=UTC)) == "2027-0001"


@pytest.mark.django_db
def test_issued_twice_is_issued_once_and_stays_as_it_was() -> None:
    visit = finished()
    draft = draft_of(visit)
    first = issue_invoice(invoice=draft, by=None, now=NOW)
    again = issue_invoice(invoice=draft, by=None, now=NOW + timedelta(days=3))
    assert (again.pk, again.label, again.issued_on) == (first.pk, "2026-0001", ISSUED)
    assert first.due_on == ISSUED + timedelta(days=14)


@pytest.mark.django_db(transaction=True)
def test_two_at_once_get_numbers_one_after_the_other() -> None:
    firm = factories.business()
    drafts = [draft_of(finished(site=factories.site(customer=factories.customer(business=firm)))).pk for _ in range(8)]

    def issue(pk: int) -> str:
        try:
            return issue_invoice(invoice=Invoice.objects.get(pk=pk), by=None, now=NOW).label
        finally:
            connection.close()

    with ThreadPoolExecutor(4) as workers:
        assert sorted(workers.map(issue, drafts + drafts)) == sorted([f"2026-000{n}" for n in range(1, 9)] * 2)


@pytest.mark.django_db(transaction=True)
def test_what_breaks_off_half_way_leaves_no_hole() -> None:
    first = draft_of(finished())
    second = draft_of(finished(site=factories.site(customer=factories.customer(business=first.business))))

    @transaction.atomic
    def dies_before_it_is_written() -> None:
        assert issue_invoice(invoice=first, by=None, now=NOW).label == "2026-0001"
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        dies_before_it_is_written()
    first.refresh_from_db()
    assert (first.state, first.number) == (InvoiceState.DRAFT, None)
    assert issue_invoice(invoice=second, by=None, now=NOW).label == "2026-0001"
    assert issue_invoice(invoice=first, by=None, now=NOW).label == "2026-0002"


# --- what is issued stays --------------------------------------------------------------------------------------------


def ways_to_change(invoice: Invoice) -> Iterator[Any]:
    line = invoice.lines.all()[0]
    yield invoice.save
    yield invoice.delete
    yield lambda: Invoice.objects.filter(pk=invoice.pk).update(total=1)
    yield lambda: Invoice.objects.filter(pk=invoice.pk).delete()
    yield line.save
    yield line.delete
    yield lambda: InvoiceLine.objects.filter(pk=line.pk).update(amount=1)
    yield lambda: InvoiceLine.objects.filter(pk=line.pk).delete()


@pytest.mark.django_db
def test_nothing_changes_or_deletes_what_is_issued() -> None:
    invoice = issued()
    for way in ways_to_change(invoice):
        with pytest.raises(IssuedForGood):
            way()
    assert Invoice.objects.get().total == Decimal("150.00")


@pytest.mark.django_db
def test_it_keeps_what_was_printed_whatever_the_firm_changes_later() -> None:
    visit = finished()
    firm = visit.site.customer.business
    Business.objects.filter(pk=firm.pk).update(tax_words="Tax number 12/345")
    invoice = issued(visit)
    Business.objects.filter(pk=firm.pk).update(name="Another Name", tax_words="", postal_address="Moved away")
    invoice.refresh_from_db()
    assert (invoice.seller_name, invoice.seller_address) == (firm.name, "1 Invented Street, Nowhere")
    assert invoice.tax_words == "Tax number 12/345"


@pytest.mark.django_db
def test_an_erased_customer_leaves_the_books_whole_and_takes_their_drafts() -> None:
    customer = factories.customer()
    visit, open_one = (finished(site=factories.site(customer=customer)) for _ in range(2))
    invoice = issued(visit)
    token = invoice_token(invoice)
    assert linked_invoice(token) == invoice
    erase_site(site=open_one.site, by=None, now=NOW)
    erase_customer(customer=customer, by=None, now=NOW)
    (kept,) = Invoice.objects.all()
    assert (kept.label, kept.buyer_name, kept.buyer_address) == ("2026-0001", customer.name, "12 Invented Road")
    assert (kept.customer, kept.visit) == (None, None)
    assert kept.lines.get().amount == Decimal("150.00")
    assert linked_invoice(token) is None, "nobody is left to open it"


@pytest.mark.django_db
def test_a_link_made_up_opens_nothing() -> None:
    invoice = issued()
    assert linked_invoice(invoice_token(invoice)[:-1] + "x") is None
    draft = draft_of(finished())
    assert linked_invoice(invoice_token(draft)) is None


# --- tax and credit notes --------------------------------------------------------------------------------------------


@pytest.mark.django_db
@pytest.mark.parametrize(("inclusive", "net", "total"), [(False, "150.00", "181.50"), (True, "123.97", "150.00")])
def test_the_firms_tax_is_on_it_or_in_it(inclusive: bool, net: str, total: str) -> None:
    firm = factories.business(tax_name="IVA", tax_percent=Decimal("21"), prices_include_tax=inclusive)
    invoice = issued(finished(site=factories.site(customer=factories.customer(business=firm))))
    assert (invoice.net, invoice.total) == (Decimal(net), Decimal(total))
    assert invoice.taxes.get().percent == Decimal("21")


@pytest.mark.django_db
def test_a_credit_note_takes_a_part_back_then_the_rest_to_the_cent() -> None:
    firm = factories.business(tax_name="VAT", tax_percent=Decimal("19"), prices_include_tax=True)
    visit = finished(site=factories.site(customer=factories.customer(business=firm)), price=Decimal("99.99"))
    invoice = issued(visit)
    line = invoice.lines.get()
    part = credit_invoice(invoice=invoice, amounts={line.pk: Decimal("33.33")}, reason="Late", by=None, now=NOW)
    assert (part.label, part.total, part.reason) == ("2026-0002", Decimal("33.33"), "Late")
    with pytest.raises(ValidationError, match=r"66\.66 is left to credit"):
        credit_invoice(invoice=invoice, amounts={line.pk: Decimal("66.67")}, reason="Too much", by=None, now=NOW)
    rest = credit_all(invoice)
    assert rest.label == "2026-0003"
    assert invoice.total == (part.total or 0) + (rest.total or 0)
    assert invoice.tax == (part.tax or 0) + (rest.tax or 0)
    with pytest.raises(ValidationError, match="how much of which line"):
        credit_all(invoice)


@pytest.mark.django_db
def test_only_an_invoice_that_is_out_is_credited_and_says_why() -> None:
    draft = draft_of(finished())
    with pytest.raises(ValidationError, match="Only an issued invoice"):
        credit_all(draft)
    invoice = issue_invoice(invoice=draft, by=None, now=NOW)
    with pytest.raises(ValidationError, match="what the credit note is for"):
        credit_all(invoice, reason="")
    credit = credit_all(invoice)
    with pytest.raises(ValidationError, match="Only an issued invoice"):
        credit_all(credit)


@pytest.mark.django_db
def test_a_credited_invoice_is_written_again_and_issued_anew() -> None:
    visit = finished()
    invoice = issued(visit)
    credit_all(invoice)
    draft = write_again(invoice=invoice, now=NOW)
    assert write_again(invoice=invoice, now=NOW) == draft
    assert words_of(draft) == words_of(invoice)
    assert issue_invoice(invoice=draft, by=None, now=NOW).label == "2026-0003"


@pytest.mark.django_db
def test_nothing_is_not_invoiced() -> None:
    draft = draft_of(finished(price=Decimal(0)))
    with pytest.raises(ValidationError, match="more than nothing"):
        issue_invoice(invoice=draft, by=None, now=NOW)
