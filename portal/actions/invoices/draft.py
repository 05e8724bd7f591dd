"""What a finished visit makes: a draft of its invoice, from what was agreed and what was done besides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import translation
from django.utils.translation import gettext as _

from portal.actions.pricing import quote
from portal.models import (
    Business,
    EntryKind,
    EventKind,
    Invoice,
    InvoiceKind,
    InvoiceLine,
    InvoiceState,
    LeadEvent,
    LineKind,
    User,
    Visit,
    VisitEntry,
    VisitState,
)


@dataclass(frozen=True, slots=True)
class DraftLine:
    """A line as the office has it on the form; one without words is gone."""

    pk: int | None
    words: str
    amount: Decimal | None
    tax_percent: Decimal


@transaction.atomic
def draft_invoice(*, visit: Visit, now: datetime) -> Invoice | None:
    """Make the draft of a finished visit, or add to it what a phone sent since. Twice is once.

    An extra that comes when the invoice is out already makes a draft of its own. A visit that is not charged stays so;
    one whose invoice was taken back whole is charged anew.
    """
    visit = Visit.objects.select_for_update(of=("self",)).select_related("site__customer__business").get(pk=visit.pk)
    if visit.state != VisitState.DONE:
        return None
    stand = [one for one in Invoice.objects.filter(visit=visit, kind=InvoiceKind.INVOICE) if not _taken_back(one)]
    charged = InvoiceLine.objects.filter(invoice__in=stand, entry__isnull=False).values("entry")
    extras = list(visit.entries.filter(kind=EntryKind.EXTRA).exclude(pk__in=charged))
    draft = next((one for one in stand if one.state == InvoiceState.DRAFT), None)
    if draft is None and stand and (not extras or any(one.state == InvoiceState.WAIVED for one in stand)):
        return None
    draft = draft or _empty(visit, now)
    percent = visit.site.customer.business.tax_percent
    if not stand:
        for words, amount in agreed_lines(visit):
            InvoiceLine.objects.create(invoice=draft, words=words[:250], amount=amount, tax_percent=percent)
    for entry in extras:
        _add_extra(draft, entry, percent)
    return draft


def _taken_back(invoice: Invoice) -> bool:
    """Whether credit notes took back all of an issued invoice."""
    if invoice.state != InvoiceState.ISSUED:
        return False
    return invoice.total == sum((credit.total or Decimal(0) for credit in invoice.credits.all()), Decimal(0))


def _empty(visit: Visit, now: datetime) -> Invoice:
    customer, business = visit.site.customer, visit.site.customer.business
    done_at = visit.finished_at or now
    return Invoice.objects.create(
        business=business,
        customer=customer,
        visit=visit,
        made_at=now,
        buyer_name=customer.name,
        buyer_address=visit.site.address,
        done_on=done_at.astimezone(ZoneInfo(visit.site.tz)).date(),
        crew=", ".join(str(one) for one in visit.technicians.order_by("name", "pk"))[:250],
        language=customer.language,
        currency=business.currency,
        tax_name=business.tax_name,
        prices_include_tax=business.prices_include_tax,
    )


def _add_extra(draft: Invoice, entry: VisitEntry, percent: Decimal) -> None:
    InvoiceLine.objects.create(
        invoice=draft,
        kind=LineKind.EXTRA,
        words=entry.note[:250],
        amount=entry.amount,
        tax_percent=percent,
        agreed_by=entry.agreed_by,
        entry=entry,
    )


def agreed_lines(visit: Visit) -> list[tuple[str, Decimal]]:
    """What was agreed for a wash, in the customer's language.

    The price of the booking holds; without one, that of the quote they accepted; else the price list's. Its lines are
    those of the quote where they come to just that.
    """
    site, business = visit.site, visit.site.customer.business
    with translation.override(site.customer.language):
        listed = [[(line.words, line.amount) for line in quote(site, nesting=nesting)] for nesting in (False, True)]
        accepted = LeadEvent.objects.filter(lead__visits=visit, kind=EventKind.ACCEPT).first()
        quoted = [*listed]
        if accepted is not None and accepted.agreed.get("currency") == business.currency:
            quoted.insert(0, accepted.agreed_lines)
        price = visit.price if visit.price is not None else _sum(quoted[0])
        for lines in quoted:
            if lines and _sum(lines) == price:
                return lines
        return [(_("Washing the panels, {address}").format(address=site.address), price)]


def _sum(lines: Sequence[tuple[str, Decimal]]) -> Decimal:
    return sum((amount for _words, amount in lines), Decimal(0))


@transaction.atomic
def change_draft(*, invoice: Invoice, lines: Sequence[DraftLine], buyer_name: str, buyer_address: str) -> None:
    """Keep what the office made of a draft."""
    held = held_draft(invoice)
    mine = {line.pk: line for line in held.lines.all()}
    for wish in lines:
        words = wish.words.replace("\0", "").strip()
        line = mine.get(wish.pk) if wish.pk is not None else None
        if not words:
            if line is not None:
                line.delete()
            continue
        if line is None:
            line = InvoiceLine(invoice=held, kind=LineKind.EXTRA)
        line.words, line.amount, line.tax_percent = words, wish.amount, wish.tax_percent
        line.save()
    held.buyer_name, held.buyer_address = buyer_name.strip(), buyer_address.strip()
    held.save()


@transaction.atomic
def waive_invoice(*, invoice: Invoice, reason: str, by: User) -> None:
    """A visit that is not charged: a wash made good, a favour. Why is kept, and nobody is asked to pay."""
    held = held_draft(invoice)
    if not reason.strip():
        raise ValidationError(_("Say why it is not charged: whoever keeps the books will ask."))
    held.state, held.reason, held.issued_by = InvoiceState.WAIVED, reason.strip()[:250], by
    held.save()


@transaction.atomic
def charge_after_all(*, invoice: Invoice) -> None:
    """Take back that it is not charged."""
    held = Invoice.objects.select_for_update(of=("self",)).get(pk=invoice.pk)
    if held.state == InvoiceState.WAIVED:
        held.state, held.reason, held.issued_by = InvoiceState.DRAFT, "", None
        held.save()


@transaction.atomic
def write_again(*, invoice: Invoice, now: datetime) -> Invoice:
    """A new draft with the lines of an invoice that was credited, to be put right and issued anew."""
    invoice = Invoice.objects.select_related("visit__site__customer__business").get(pk=invoice.pk)
    visit = invoice.visit
    if visit is None or invoice.state != InvoiceState.ISSUED or invoice.kind != InvoiceKind.INVOICE:
        raise ValidationError(_("Its visit is gone, so there is nothing to write anew."))
    Visit.objects.select_for_update(of=("self",)).get(pk=visit.pk)
    draft = Invoice.objects.drafts().filter(visit=visit).first()
    if draft is not None:
        return draft
    draft = _empty(visit, now)
    for line in invoice.lines.all():
        InvoiceLine.objects.create(
            invoice=draft,
            kind=line.kind,
            words=line.words,
            amount=line.amount,
            tax_percent=line.tax_percent,
            agreed_by=line.agreed_by,
            entry=line.entry,
        )
    return draft


def forget_drafts(*, visit: Visit) -> None:
    """A finish is taken back: its draft goes, what is issued must be credited first."""
    for one in Invoice.objects.issued().filter(visit=visit, kind=InvoiceKind.INVOICE):
        if not _taken_back(one):
            raise ValidationError(
                _("Invoice {number} is out for this visit. Credit it first.").format(number=one.label)
            )
    Invoice.objects.filter(visit=visit).exclude(state=InvoiceState.ISSUED).delete()


@transaction.atomic
def follow_the_firm(*, business: Business, percent_before: Decimal) -> None:
    """A draft says of the tax what the firm says now; lines at the firm's usual rate take the new one."""
    drafts = Invoice.objects.drafts().filter(business=business)
    drafts.update(tax_name=business.tax_name, prices_include_tax=business.prices_include_tax)
    if business.tax_percent != percent_before:
        at_the_usual = InvoiceLine.objects.filter(invoice__in=drafts, tax_percent=percent_before)
        at_the_usual.update(tax_percent=business.tax_percent)


def held_draft(invoice: Invoice) -> Invoice:
    held = Invoice.objects.select_for_update(of=("self",)).select_related("business").get(pk=invoice.pk)
    if held.state != InvoiceState.DRAFT:
        raise ValidationError(_("This invoice is no draft any more. Open it again to see what it is now."))
    return held
