"""Payments: parts, too much, taken back, two at once; and what a month comes to."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test import Client
from django.urls import reverse

from portal.actions.invoices.issue import credit_invoice, issue_invoice, left_to_credit
from portal.actions.invoices.month import Aged, documents, month_end, open_as_of
from portal.actions.invoices.payments import record_payment, undo_payment
from portal.actions.visits import finish_visit
from portal.models import Business, Invoice, IssuedForGood, LeadStage, LineKind, Method, Payment, Role
from tests import factories
from tests.factories import NOW

TODAY = date(2026, 6, 15)


def issued(business: Business | None = None, *, price: str = "150.10", days_ago: int = 0, **fields: Any) -> Invoice:
    """An invoice, issued so many days ago."""
    now = NOW - timedelta(days=days_ago)
    site = factories.site(customer=factories.customer(business=business or factories.business()))
    visit = factories.visit(site=site, starts_at=now - timedelta(hours=1), price=Decimal(price), **fields)
    finish_visit(visit=visit, now=now)
    return issue_invoice(invoice=Invoice.objects.get(visit=visit), by=None, now=now)


def pay(invoice: Invoice, amount: str | Decimal, **fields: Any) -> Payment:
    clerk = factories.member(invoice.business)
    given: dict[str, Any] = {
        "client_id": uuid4(),
        "amount": Decimal(amount),
        "method": Method.CASH,
        "received_on": TODAY,
        "taken_by": clerk,
        "by": clerk,
        "now": NOW,
    }
    return record_payment(invoice=invoice, **given | fields)


def left(invoice: Invoice) -> Decimal:
    return Invoice.objects.with_open().get(pk=invoice.pk).open_amount


@pytest.mark.django_db
def test_parts_come_to_the_whole_to_the_cent() -> None:
    invoice = issued(price="150.10")
    # in floats 150.10 - 50.05 - 100.05 is 1.4e-14, which is not nothing
    pay(invoice, "50.05")
    assert left(invoice) == Decimal("100.05")
    assert list(Invoice.objects.unpaid()) == [invoice]
    pay(invoice, "100.05")
    assert left(invoice) == 0
    assert not Invoice.objects.unpaid().exists()


@pytest.mark.django_db
def test_a_payment_says_who_took_it_and_arrives_once() -> None:
    invoice = issued()
    crew = factories.member(invoice.business, Role.TECHNICIAN, name="Kwame")
    key = uuid4()
    payment = pay(invoice, "20", client_id=key, taken_by=crew)
    assert pay(invoice, "20", client_id=key) == payment
    assert (payment.taken_by_name, payment.received_on) == ("Kwame", TODAY)
    assert left(invoice) == Decimal("130.10")


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("fields", "problem"),
    [
        ({"amount": Decimal("150.11")}, r"Only \$150\.10 is open"),
        ({"amount": Decimal(0)}, "more than nothing"),
        ({"method": "barter"}, "how it was paid"),
        ({"received_on": TODAY + timedelta(days=1)}, "still to come"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(fields: dict[str, Any], problem: str) -> None:
    invoice = issued()
    with pytest.raises(ValidationError, match=problem):
        pay(invoice, **{"amount": "1"} | fields)
    assert not Payment.objects.exists()


@pytest.mark.django_db
def test_only_somebody_of_the_firm_took_it_and_only_for_an_issued_invoice() -> None:
    invoice = issued()
    with pytest.raises(ValidationError, match="somebody who works here"):
        pay(invoice, "1", taken_by=factories.user())
    credit = credit_invoice(invoice=invoice, amounts=left_to_credit(invoice), reason="Wrong", by=None, now=NOW)
    with pytest.raises(ValidationError, match="Only an issued invoice"):
        pay(credit, "1")


@pytest.mark.django_db
def test_a_payment_is_undone_by_a_counter_entry_once() -> None:
    invoice = issued()
    by = factories.member(invoice.business)
    payment = pay(invoice, "150.10")
    counter = undo_payment(payment=payment, by=by, now=NOW)
    assert undo_payment(payment=payment, by=by, now=NOW) == counter
    assert (counter.amount, counter.undoes) == (Decimal("-150.10"), payment)
    assert left(invoice) == Decimal("150.10")
    with pytest.raises(ValidationError, match="write it down again"):
        undo_payment(payment=counter, by=by, now=NOW)
    rows = Payment.objects.filter(pk=payment.pk)
    for change in (payment.save, payment.delete, rows.delete, lambda: rows.update(amount=1)):
        with pytest.raises(IssuedForGood):
            change()


@pytest.mark.django_db
def test_what_was_paid_and_then_credited_goes_back() -> None:
    invoice = issued()
    pay(invoice, "150.10")
    credit_invoice(invoice=invoice, amounts={invoice.lines.get().pk: Decimal("50")}, reason="Late", by=None, now=NOW)
    assert left(invoice) == Decimal("-50")
    back = pay(invoice, "50", method=Method.TRANSFER)
    assert back.amount == Decimal("-50.00")
    assert left(invoice) == 0
    with pytest.raises(ValidationError, match=r"Only \$0\.00 is open"):
        pay(invoice, "1")


@pytest.mark.django_db(transaction=True)
def test_two_who_write_down_the_same_money_do_not_take_more_than_is_open() -> None:
    invoice = issued(price="100.00")
    by = factories.member(invoice.business)

    def paid(_number: int) -> bool:
        try:
            pay(invoice, "60", by=by)
        except ValidationError:
            return False
        finally:
            connection.close()
        return True

    with ThreadPoolExecutor(4) as people:
        assert sorted(people.map(paid, range(4))) == [False, False, False, True]
    assert left(invoice) == Decimal("40.00")


# --- a month's end ---------------------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_who_only_wrote_it_down_did_not_take_it(client: Client) -> None:
    invoice = issued(factories.business(), price="80.00")
    payment = pay(invoice, "30", method=Method.TRANSFER, taken_by=None)
    assert (payment.taken_by, payment.taken_by_name) == (None, "")
    assert payment.entered_by is not None
    client.force_login(payment.entered_by)
    page = client.get(reverse("invoice", args=[invoice.pk])).content.decode()
    assert '<td data-label="Who took it">Nobody: it came by itself</td>' in page


@pytest.mark.django_db
def test_a_month_comes_to_the_sum_of_its_documents_to_the_cent() -> None:
    firm = factories.business(tax_name="VAT", tax_percent=Decimal("21"))
    kwame = factories.member(firm, Role.TECHNICIAN, name="Kwame")
    issued(firm, price="10.00", days_ago=40)  # of May
    first = issued(firm, price="100.00", technicians=(kwame,))
    second = issued(firm, price="49.99")
    issued(factories.business(), price="999.00")  # another firm's
    credit_invoice(invoice=second, amounts=left_to_credit(second), reason="Wrong", by=None, now=NOW)
    pay(first, "60", method=Method.CASH)
    pay(first, "61", method=Method.TRANSFER)
    factories.lead(site=first.visit.site if first.visit else factories.site(), opened_at=NOW)
    month = month_end(firm, TODAY, now=NOW)
    # 100.00 and its 21.00 of tax; 49.99 with 10.50 came and went
    assert (month.earned.net, month.earned.tax, month.earned.total) == (Decimal(100), Decimal(21), Decimal(121))
    assert month.credited == Decimal("60.49")
    assert [(one.percent, one.taxable, one.tax) for one in month.by_rate] == [(Decimal(21), Decimal(100), Decimal(21))]
    assert dict(month.by_kind) == {LineKind.WASH: Decimal(100), LineKind.EXTRA: 0}
    assert [(crew, count, one.total) for crew, count, one in month.by_crew] == [
        ("", 1, Decimal(0)),
        ("Kwame", 1, Decimal(121)),
    ]
    assert dict(month.paid) == {Method.CASH: 60, Method.CARD: 0, Method.TRANSFER: 61}
    assert (month.visits, month.drafts, month.raised, month.won) == (2, 0, 1, 0)
    assert [one.label for one in documents(firm, month.first, month.last)] == ["2026-0002", "2026-0003", "2026-0004"]
    assert month.open_in_all == Decimal("12.10")  # May's


@pytest.mark.django_db
def test_open_amounts_grow_old_by_the_day() -> None:
    firm = factories.business(payment_days=10)
    for days_ago, price in ((10, "1"), (11, "2"), (40, "4"), (41, "8"), (101, "16")):
        issued(firm, price=price, days_ago=days_ago)
    month = month_end(firm, TODAY, now=NOW)
    assert month.open_by_age == (
        Aged(None, 0, 1, Decimal("1.00")),
        Aged(1, 30, 2, Decimal("6.00")),
        Aged(31, 60, 1, Decimal("8.00")),
        Aged(61, 90, 0, Decimal(0)),
        Aged(91, None, 1, Decimal("16.00")),
    )


@pytest.mark.django_db
def test_what_is_owed_to_a_customer_makes_nobody_elses_debt_smaller() -> None:
    """Credit balances of customers are shown beside what is open, not taken off it: common practice, no source."""
    firm = factories.business()
    issued(firm, price="60.00", days_ago=40)
    paid = issued(firm, price="55.00", days_ago=40)
    pay(paid, "55")
    line = paid.lines.get()
    credit_invoice(invoice=paid, amounts={line.pk: Decimal(20)}, reason="One row left out", by=None, now=NOW)
    month = month_end(firm, TODAY, now=NOW)
    assert (month.open_in_all, month.to_pay_back) == (Decimal(60), Decimal(20))
    assert sum(one.count for one in month.open_by_age) == len(Invoice.objects.unpaid()) == 1


@pytest.mark.django_db
def test_a_month_past_stays_as_it_was_though_money_came_since() -> None:
    firm = factories.business()
    invoice = issued(firm, price="80.00", days_ago=40)
    pay(invoice, "80")
    assert open_as_of(firm, date(2026, 5, 31)) == [(invoice, Decimal("80.00"))]
    assert open_as_of(firm, TODAY) == []
    assert month_end(firm, date(2026, 5, 6), now=NOW).open_in_all == Decimal(80)


@pytest.mark.django_db
def test_leads_won_and_gains_proven_stand_beside_the_money() -> None:
    firm = factories.business()
    site = factories.site(customer=factories.customer(business=firm))
    proof = factories.washed(site, NOW, gain=0.05, low=0.03, high=0.07)
    type(proof).objects.filter(pk=proof.pk).update(kwh=120.0)
    factories.washed(site, NOW, gain=0.01, low=-0.01, high=0.03)
    factories.lead(site=site, opened_at=NOW - timedelta(days=40), stage=LeadStage.WON, closed_at=NOW)
    month = month_end(firm, TODAY, now=NOW)
    assert (month.gains, month.gained_kwh, month.raised, month.won) == (1, 120.0, 0, 1)
