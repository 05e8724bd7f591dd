"""Visits that are finished, and what is invoiced of them."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4

from portal.actions.invoices.issue import credit_invoice, issue_invoice, left_to_credit
from portal.actions.record import record_entry
from portal.actions.visits import finish_visit
from portal.models import (
    EntryKind,
    Invoice,
    InvoiceState,
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
