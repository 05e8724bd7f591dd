"""Issuing: an invoice gets its number and its sums, and stays as it is; a credit note takes it back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.core import signing
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Max
from django.utils.translation import gettext as _

from portal.actions.invoices.draft import held_draft
from portal.actions.invoices.totals import NO_MONEY, RateTotal, Totals, credit_totals, to_the_cent, totals
from portal.models import Business, Invoice, InvoiceKind, InvoiceLine, InvoiceState, InvoiceTax, User

INVOICE_SALT = "invoice"
LINK_OPENS = timedelta(days=365)
"""Counted from the invoice's day; longer while something of it is open. Common practice, no source."""
LARGEST_AMOUNT = Decimal("9999999.99")
"""What an amount's column holds, with room for its tax."""


@transaction.atomic
def issue_invoice(*, invoice: Invoice, by: User | None, now: datetime) -> Invoice:
    """Give a draft its number and let it go out. Issued twice it is issued once.

    The firm's row is held until all of it is written: two at once get numbers one after the other, and one that breaks
    off takes its number back with it.
    """
    _hold_numbers(invoice.business_id)
    known = Invoice.objects.get(pk=invoice.pk)
    if known.state == InvoiceState.ISSUED:
        return known
    held = held_draft(invoice)
    lines = list(held.lines.all())
    unpriced = [line.words for line in lines if line.amount is None]
    if unpriced:
        raise ValidationError(_("“{words}” has no price yet.").format(words=unpriced[0]))
    if not held.buyer_name or not held.buyer_address:
        raise ValidationError(_("Say whom the invoice is for, and their address."))
    sums = totals(
        ((line.amount or NO_MONEY, line.tax_percent) for line in lines), prices_include_tax=held.prices_include_tax
    )
    if not 0 < sums.total <= LARGEST_AMOUNT:
        raise ValidationError(_("An invoice is of more than nothing. If it is free, say that it is not charged."))
    _print(held, sums, by=by, now=now, days=held.business.payment_days)
    return held


@transaction.atomic
def credit_invoice(
    *, invoice: Invoice, amounts: Mapping[int, Decimal], reason: str, by: User | None, now: datetime
) -> Invoice:
    """Take back an issued invoice, or a part: ``amounts`` by its lines' keys, as they stand on it.

    No line is taken back by more than what is left of it.
    """
    _hold_numbers(invoice.business_id)
    source = Invoice.objects.select_for_update(of=("self",)).select_related("business").get(pk=invoice.pk)
    if source.state != InvoiceState.ISSUED or source.kind != InvoiceKind.INVOICE:
        raise ValidationError(_("Only an issued invoice can be credited."))
    if not reason.strip():
        raise ValidationError(_("Say what the credit note is for: it is printed on it."))
    lines = list(source.lines.all())
    left = left_to_credit(source)
    taken: list[tuple[InvoiceLine, Decimal]] = []
    for line in lines:
        amount = to_the_cent(amounts.get(line.pk, NO_MONEY))
        if amount and not (0 < amount <= left[line.pk] or left[line.pk] <= amount < 0):
            raise ValidationError(
                _("Of “{words}” {left} is left to credit.").format(words=line.words, left=left[line.pk])
            )
        if amount:
            taken.append((line, amount))
    if not taken:
        raise ValidationError(_("Say how much of which line is taken back."))
    whole = {line.pk: amount for line, amount in taken} == {pk: one for pk, one in left.items() if one}
    sums = credit_totals(
        ((amount, line.tax_percent) for line, amount in taken),
        prices_include_tax=source.prices_include_tax,
        left=rates_left(source),
        whole=whole,
    )
    if sums.total <= 0:
        raise ValidationError(_("A credit note is of more than nothing."))
    credit = Invoice(
        business=source.business,
        customer=source.customer,
        visit=source.visit,
        corrects=source,
        kind=InvoiceKind.CREDIT,
        made_at=now,
        reason=reason.replace("\0", "").strip()[:250],
        buyer_name=source.buyer_name,
        buyer_address=source.buyer_address,
        done_on=source.done_on,
        crew=source.crew,
        language=source.language,
        currency=source.currency,
        tax_name=source.tax_name,
        prices_include_tax=source.prices_include_tax,
    )
    _print(credit, sums, by=by, now=now, days=0, lines=taken)
    return credit


def left_to_credit(invoice: Invoice) -> dict[int, Decimal]:
    """What of each line of an issued invoice no credit note took back, by the line's key."""
    left = {line.pk: line.amount or NO_MONEY for line in invoice.lines.all()}
    for line in InvoiceLine.objects.filter(corrects__invoice=invoice):
        if line.corrects_id is not None:
            left[line.corrects_id] -= line.amount or NO_MONEY
    return left


def rates_left(invoice: Invoice) -> list[RateTotal]:
    """What the rates of an issued invoice hold after its credit notes."""
    credited = list(InvoiceTax.objects.filter(invoice__corrects=invoice))
    return [
        RateTotal(
            one.percent,
            one.taxable - sum((back.taxable for back in credited if back.percent == one.percent), NO_MONEY),
            one.tax - sum((back.tax for back in credited if back.percent == one.percent), NO_MONEY),
        )
        for one in invoice.taxes.all()
    ]


def _hold_numbers(business_id: int) -> None:
    """Nobody else numbers an invoice of this firm until the transaction ends."""
    Business.objects.select_for_update(no_key=True).get(pk=business_id)


def _print(
    invoice: Invoice,
    sums: Totals,
    *,
    by: User | None,
    now: datetime,
    days: int,
    lines: Sequence[tuple[InvoiceLine, Decimal]] = (),
) -> None:
    """Write down all that is printed, with the next number: the last thing that may change."""
    business = invoice.business
    today = now.astimezone(ZoneInfo(business.tz)).date()
    year, number = _next_number(business, today)
    invoice.year, invoice.number = year, number
    invoice.state = InvoiceState.ISSUED
    invoice.issued_on, invoice.issued_by = today, by
    invoice.due_on = today + timedelta(days=days)
    invoice.seller_name, invoice.seller_address = business.name, business.postal_address
    invoice.tax_words = business.tax_words
    invoice.iban, invoice.bic = business.iban, business.bic
    invoice.net, invoice.tax, invoice.total = sums.net, sums.tax, sums.total
    invoice.save()
    InvoiceTax.objects.bulk_create(
        InvoiceTax(invoice=invoice, percent=one.percent, taxable=one.taxable, tax=one.tax) for one in sums.by_rate
    )
    InvoiceLine.objects.bulk_create(
        InvoiceLine(
            invoice=invoice,
            kind=line.kind,
            words=line.words,
            amount=amount,
            tax_percent=line.tax_percent,
            corrects=line,
        )
        for line, amount in lines
    )


def _next_number(business: Business, today: date) -> tuple[int, int]:
    last = Invoice.objects.filter(business=business, year=today.year).aggregate(last=Max("number"))["last"]
    return today.year, (last or 0) + 1


def invoice_token(invoice: Invoice) -> str:
    """The signed part of an invoice's address for whom it is for; it opens nothing once they are erased."""
    return signing.Signer(salt=INVOICE_SALT).sign_object({"invoice": invoice.pk, "customer": invoice.customer_id})


def linked_invoice(token: str, *, now: datetime) -> Invoice | None:
    """The issued invoice behind an address, with what is open of it, while its customer is one.

    A mail is kept for longer than the invoice matters, and may be passed on: a link to what is long paid opens nothing.
    """
    try:
        said = signing.Signer(salt=INVOICE_SALT).unsign_object(token)
    except signing.BadSignature:
        return None
    if said["customer"] is None:
        return None
    issued = Invoice.objects.issued().with_open().select_related("business", "corrects", "visit__site")
    found = issued.filter(pk=said["invoice"], customer=said["customer"]).first()
    if found is None or found.issued_on is None:
        return None
    today = now.astimezone(ZoneInfo(found.business.tz)).date()
    of_use = today <= found.issued_on + LINK_OPENS or (found.kind == InvoiceKind.INVOICE and found.open_amount > 0)
    return found if of_use else None
