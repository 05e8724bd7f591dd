"""A month's end: what was done, earned and paid, what is open and since when, and what the leads came to."""

from __future__ import annotations

from calendar import monthrange
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from portal.actions.invoices.totals import NO_MONEY, RateTotal, Totals
from portal.models import (
    Business,
    Invoice,
    InvoiceKind,
    InvoiceLine,
    InvoiceTax,
    Lead,
    LeadStage,
    LineKind,
    Method,
    Payment,
    Proof,
    Visit,
    VisitState,
)

AGES = (0, 30, 60, 90)
"""Days past due at which an open amount grows into the next group. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Earned:
    """What the documents of one sort come to: invoices less credit notes."""

    net: Decimal = NO_MONEY
    tax: Decimal = NO_MONEY

    @property
    def total(self) -> Decimal:
        return self.net + self.tax

    def __add__(self, other: Earned) -> Earned:
        return Earned(self.net + other.net, self.tax + other.tax)


@dataclass(frozen=True, slots=True)
class Aged:
    """What is open and so many days past due: from one age up to the next; without a first, not due yet."""

    first: int | None
    last: int | None
    count: int
    amount: Decimal


@dataclass(frozen=True, slots=True)
class MonthEnd:
    """One month of one firm, in its currency."""

    first: date
    last: date
    visits: int
    drafts: int
    """Those of them that no invoice is issued for yet."""
    earned: Earned
    credited: Decimal
    """What credit notes took back of it, tax and all."""
    by_rate: tuple[RateTotal, ...]
    by_crew: tuple[tuple[str, int, Earned], ...]
    """Who did it, how many invoices, what they came to."""
    by_kind: tuple[tuple[LineKind, Decimal], ...]
    """Sorts of work, as on the lines: with the tax where the prices hold it."""
    paid: tuple[tuple[Method, Decimal], ...]
    open_by_age: tuple[Aged, ...]
    to_pay_back: Decimal
    """What customers have paid beyond their invoices, as where a credit note came after the money."""
    raised: int
    won: int
    gains: int
    """Visits of the month whose gain is proven."""
    gained_kwh: float

    @property
    def paid_in_all(self) -> Decimal:
        return sum((amount for _method, amount in self.paid), NO_MONEY)

    @property
    def open_in_all(self) -> Decimal:
        return sum((one.amount for one in self.open_by_age), NO_MONEY)


def month_of(day: date) -> tuple[date, date]:
    """The first and the last day of a day's month."""
    return day.replace(day=1), day.replace(day=monthrange(day.year, day.month)[1])


def month_end(business: Business, first: date, *, now: datetime) -> MonthEnd:
    """Sum up the month that begins on ``first``; what is open counts as of its last day, or of today."""
    first, last = month_of(first)
    zone = ZoneInfo(business.tz)
    begins = datetime(first.year, first.month, 1, tzinfo=zone)
    ends = datetime.combine(last + timedelta(days=1), datetime.min.time(), tzinfo=zone)
    as_of = min(last, now.astimezone(zone).date())
    left = open_as_of(business, as_of)
    issued = documents(business, first, last)
    done = Visit.objects.filter(
        site__customer__business=business, state=VisitState.DONE, finished_at__gte=begins, finished_at__lt=ends
    )
    leads = Lead.objects.filter(site__customer__business=business)
    proven = Proof.objects.filter(visit__in=done, gain_low__gt=0)
    return MonthEnd(
        first=first,
        last=last,
        visits=done.count(),
        drafts=Invoice.objects.drafts().filter(visit__in=done).count(),
        earned=sum((earned(one) for one in issued), Earned()),
        credited=-sum((earned(one).total for one in issued if one.kind == InvoiceKind.CREDIT), NO_MONEY),
        by_rate=_by_rate(issued),
        by_crew=_by_crew(issued),
        by_kind=_by_kind(issued),
        paid=_paid(business, first, last),
        open_by_age=_aged([(invoice, amount) for invoice, amount in left if amount > 0], as_of),
        to_pay_back=sum((-amount for _invoice, amount in left if amount < 0), NO_MONEY),
        raised=leads.filter(opened_at__gte=begins, opened_at__lt=ends).count(),
        won=leads.filter(stage=LeadStage.WON, closed_at__gte=begins, closed_at__lt=ends).count(),
        gains=proven.count(),
        gained_kwh=sum(one.kwh or 0.0 for one in proven),
    )


def documents(business: Business, first: date, last: date) -> list[Invoice]:
    """Invoices and credit notes of these days, in the order of their numbers."""
    of_days = Invoice.objects.issued().filter(business=business, issued_on__gte=first, issued_on__lte=last)
    return list(of_days.select_related("corrects").prefetch_related("taxes", "lines").order_by("year", "number"))


def payments(business: Business, first: date, last: date) -> list[Payment]:
    """Money of these days, counter-entries too."""
    of_days = Payment.objects.filter(invoice__business=business, received_on__gte=first, received_on__lte=last)
    return list(of_days.select_related("invoice", "undoes", "entered_by").order_by("received_on", "pk"))


def sign_in_books(invoice: Invoice) -> int:
    """A credit note takes back."""
    return -1 if invoice.kind == InvoiceKind.CREDIT else 1


def earned(invoice: Invoice) -> Earned:
    return Earned(
        sign_in_books(invoice) * (invoice.net or NO_MONEY), sign_in_books(invoice) * (invoice.tax or NO_MONEY)
    )


def _by_rate(issued: Sequence[Invoice]) -> tuple[RateTotal, ...]:
    rates: dict[Decimal, list[tuple[int, InvoiceTax]]] = defaultdict(list)
    for invoice in issued:
        for one in invoice.taxes.all():
            rates[one.percent].append((sign_in_books(invoice), one))
    return Totals(
        tuple(
            RateTotal(
                percent,
                sum((way * one.taxable for way, one in found), NO_MONEY),
                sum((way * one.tax for way, one in found), NO_MONEY),
            )
            for percent, found in sorted(rates.items())
        )
    ).by_rate


def _by_crew(issued: Sequence[Invoice]) -> tuple[tuple[str, int, Earned], ...]:
    crews: dict[str, list[Invoice]] = defaultdict(list)
    for invoice in issued:
        crews[invoice.crew].append(invoice)
    return tuple(
        (
            crew,
            sum(one.kind == InvoiceKind.INVOICE for one in found),
            sum((earned(one) for one in found), Earned()),
        )
        for crew, found in sorted(crews.items())
    )


def _by_kind(issued: Sequence[Invoice]) -> tuple[tuple[LineKind, Decimal], ...]:
    lines: list[tuple[int, InvoiceLine]] = [
        (sign_in_books(invoice), line) for invoice in issued for line in invoice.lines.all()
    ]
    return tuple(
        (kind, sum((way * (line.amount or NO_MONEY) for way, line in lines if line.kind == kind), NO_MONEY))
        for kind in LineKind
    )


def _paid(business: Business, first: date, last: date) -> tuple[tuple[Method, Decimal], ...]:
    came = payments(business, first, last)
    return tuple((method, sum((one.amount for one in came if one.method == method), NO_MONEY)) for method in Method)


def open_as_of(business: Business, as_of: date) -> list[tuple[Invoice, Decimal]]:
    """Invoices out by the end of a day, each with what was open of it then; nothing left is left out."""
    out = Invoice.objects.issued().filter(business=business, kind=InvoiceKind.INVOICE, issued_on__lte=as_of)
    found = []
    for invoice in out.prefetch_related("payments", "credits").order_by("due_on", "pk"):
        left = (invoice.total or NO_MONEY) - sum(
            (credit.total or NO_MONEY for credit in invoice.credits.all() if _by(credit.issued_on, as_of)), NO_MONEY
        )
        left -= sum((one.amount for one in invoice.payments.all() if one.received_on <= as_of), NO_MONEY)
        if left:
            found.append((invoice, left))
    return found


def _by(day: date | None, as_of: date) -> bool:
    return day is not None and day <= as_of


def _aged(owed: Sequence[tuple[Invoice, Decimal]], as_of: date) -> tuple[Aged, ...]:
    """Not due yet, and past due by 1 to 30 days, 31 to 60, 61 to 90, and longer."""
    groups: list[list[Decimal]] = [[] for _ in range(len(AGES) + 1)]
    for invoice, left in owed:
        assert invoice.due_on is not None, "a constraint sees to it"
        late = (as_of - invoice.due_on).days
        groups[sum(late > age for age in AGES)].append(left)
    firsts = [None, *(age + 1 for age in AGES)]
    lasts = [0, *AGES[1:], None]
    return tuple(
        Aged(first, last, len(found), sum(found, NO_MONEY))
        for first, last, found in zip(firsts, lasts, groups, strict=True)
    )
