"""Payments: only added; a counter-entry undoes one."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from uuid import UUID, uuid4
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from portal.actions.invoices.totals import to_the_cent
from portal.models import Invoice, InvoiceKind, InvoiceState, Method, Payment, User
from portal.words.figures import money


@transaction.atomic
def record_payment(
    *,
    invoice: Invoice,
    client_id: UUID,
    amount: Decimal,
    method: str,
    received_on: date,
    taken_by: User | None,
    by: User,
    now: datetime,
) -> Payment:
    """Write down money that came for an invoice: all that is open, or a part. The same ``client_id`` again is one.

    Where more came or was credited than it is of, it is money that went back.
    """
    invoice = invoice_locked(invoice)
    kept = Payment.objects.filter(invoice=invoice, client_id=client_id).first()
    if kept is not None:
        return kept
    amount, left = to_the_cent(amount), invoice.open_amount
    if amount <= 0:
        raise ValidationError(_("An amount is more than nothing. To take back a payment, undo it."))
    if method not in Method.values:
        raise ValidationError(_("Say how it was paid."))
    if received_on > now.astimezone(ZoneInfo(invoice.business.tz)).date():
        raise ValidationError(_("Money that is still to come cannot be written down."))
    if taken_by is not None and not invoice.business.memberships.filter(user=taken_by).exists():
        raise ValidationError(_("Only somebody who works here can have taken it."))
    if method == Method.CASH and taken_by is None:
        raise ValidationError(_("Say who took the cash."))
    if amount > abs(left):
        raise ValidationError(
            _("Only {left} is open. Check the amount.").format(left=money(abs(left), invoice.currency))
        )
    return Payment.objects.create(
        invoice=invoice,
        client_id=client_id,
        amount=amount if left > 0 else -amount,
        method=method,
        received_on=received_on,
        taken_by=taken_by,
        taken_by_name=str(taken_by)[:120] if taken_by else "",
        entered_at=now,
        entered_by=by,
    )


@transaction.atomic
def undo_payment(*, payment: Payment, by: User, now: datetime) -> Payment:
    """Set a payment against itself: both stay in the books. Twice is once; a counter-entry is not undone."""
    invoice = invoice_locked(payment.invoice)
    counter = Payment.objects.filter(undoes=payment).first()
    if counter is not None:
        return counter
    if payment.undoes_id is not None:
        raise ValidationError(_("This undoes a payment. If the money came after all, write it down again."))
    return Payment.objects.create(
        invoice=invoice,
        client_id=uuid4(),
        amount=-payment.amount,
        method=payment.method,
        received_on=now.astimezone(ZoneInfo(invoice.business.tz)).date(),
        taken_by=by,
        taken_by_name=str(by)[:120],
        entered_at=now,
        entered_by=by,
        undoes=payment,
    )


def invoice_locked(invoice: Invoice) -> Invoice:
    """The invoice with what is open of it, locked: two people may write down the same money."""
    Invoice.objects.select_for_update(of=("self",)).get(pk=invoice.pk)
    found = Invoice.objects.with_open().select_related("business").get(pk=invoice.pk)
    if found.state != InvoiceState.ISSUED or found.kind != InvoiceKind.INVOICE:
        raise ValidationError(_("Only an issued invoice is paid."))
    return found
