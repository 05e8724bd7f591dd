"""Work that is done and not paid, as the office sees it first, and what a homeowner has still to pay."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from portal.models import Invoice, User

OVERDUE_LISTED = 8
"""Invoices named on the office's first page; the rest are counted. No source."""


@dataclass(frozen=True, slots=True)
class Unpaid:
    drafts: int
    overdue: list[Invoice]
    """The longest due first, a few; each with ``open_amount``."""
    overdue_count: int
    open_count: int
    """All that are out and not paid, overdue or not."""

    @property
    def any(self) -> bool:
        return bool(self.drafts or self.open_count)


def unpaid_work(user: User, *, today: date) -> Unpaid:
    """What of the firms a user runs waits for an invoice or for money."""
    mine = Invoice.objects.managed_by(user)
    out = mine.unpaid()
    overdue = out.filter(due_on__lt=today).order_by("due_on", "pk")
    return Unpaid(mine.drafts().count(), list(overdue[:OVERDUE_LISTED]), overdue.count(), out.count())


def bills_to_pay(homeowner: User) -> list[Invoice]:
    """Their own that are out and not paid, the longest due first; each with ``open_amount``."""
    return list(Invoice.objects.unpaid().filter(customer__user=homeowner).order_by("due_on", "pk"))
