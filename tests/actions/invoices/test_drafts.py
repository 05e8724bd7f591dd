"""What a finished visit makes: a draft, from what was agreed and done, until it is issued."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest
from django.core.exceptions import ValidationError

from portal.actions.invoices.draft import (
    DraftLine,
    change_draft,
    charge_after_all,
    draft_invoice,
    waive_invoice,
)
from portal.actions.invoices.issue import issue_invoice
from portal.actions.record import record_entry
from portal.actions.visits import book_visit, finish_visit, reopen_visit
from portal.models import (
    EntryKind,
    EventKind,
    Invoice,
    InvoiceLine,
    Language,
    LeadEvent,
)
from tests import factories
from tests.actions.invoices.cases import credit_all, draft_of, extra, finished, issued, office, words_of
from tests.factories import NOW


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
