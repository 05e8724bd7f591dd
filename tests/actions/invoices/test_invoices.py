"""An invoice that stands: numbers without gaps, what is printed stays, credit notes."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest
from django.core.exceptions import ValidationError
from django.db import connection, transaction

from portal.actions.erase import erase_customer, erase_site
from portal.actions.invoices.draft import (
    write_again,
)
from portal.actions.invoices.issue import credit_invoice, invoice_token, issue_invoice, linked_invoice
from portal.actions.invoices.payments import record_payment
from portal.models import (
    Business,
    Invoice,
    InvoiceLine,
    InvoiceState,
    IssuedForGood,
    Method,
)
from tests import factories
from tests.actions.invoices.cases import ISSUED, credit_all, draft_of, finished, issued, words_of
from tests.factories import NOW

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
    assert linked_invoice(token, now=NOW) == invoice
    erase_site(site=open_one.site, by=None, now=NOW)
    erase_customer(customer=customer, by=None, now=NOW)
    (kept,) = Invoice.objects.all()
    assert (kept.label, kept.buyer_name, kept.buyer_address) == ("2026-0001", customer.name, "12 Invented Road")
    assert (kept.customer, kept.visit) == (None, None)
    assert kept.lines.get().amount == Decimal("150.00")
    assert linked_invoice(token, now=NOW) is None, "nobody is left to open it"


@pytest.mark.django_db
def test_a_link_opens_for_a_year_and_longer_only_while_something_is_open() -> None:
    invoice = issued()
    assert invoice.total is not None
    token, later = invoice_token(invoice), NOW + timedelta(days=400)
    assert linked_invoice(token, now=later) == invoice, "it is not paid"
    record_payment(
        invoice=invoice,
        client_id=uuid4(),
        amount=invoice.total,
        method=Method.TRANSFER,
        received_on=NOW.date(),
        taken_by=None,
        by=factories.user(),
        now=NOW,
    )
    assert linked_invoice(token, now=NOW + timedelta(days=300)) == invoice
    assert linked_invoice(token, now=later) is None


@pytest.mark.django_db
def test_a_link_made_up_opens_nothing() -> None:
    invoice = issued()
    assert linked_invoice(invoice_token(invoice)[:-1] + "x", now=NOW) is None
    draft = draft_of(finished())
    assert linked_invoice(invoice_token(draft), now=NOW) is None


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
