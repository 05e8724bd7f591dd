"""Invoices: the list, one invoice with what was paid of it, and what the office does with them."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from functools import wraps
from typing import Any, cast
from uuid import UUID, uuid4
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST
from stdnum.iban import format as in_fours

from portal.actions.invoices.draft import DraftLine, change_draft, charge_after_all, waive_invoice, write_again
from portal.actions.invoices.issue import credit_invoice, issue_invoice, left_to_credit
from portal.actions.invoices.month import sign_in_books
from portal.actions.invoices.payments import record_payment, undo_payment
from portal.actions.invoices.totals import Totals, totals
from portal.actions.invoices.transfer_code import transfer_code
from portal.models import Business, Invoice, InvoiceKind, InvoiceState, Method, Payment, User
from portal.models.invoice import InvoiceQuerySet
from portal.views.asked import page_asked
from portal.views.csv_files import exported_csv, safe_cell
from portal.views.guard import View, asks_again_to_read
from portal.views.office import office


class InvoiceListForm(forms.Form):
    """What the list shows."""

    show = forms.ChoiceField(
        choices=[
            ("", gettext_lazy("All")),
            ("draft", gettext_lazy("To be issued")),
            ("open", gettext_lazy("Not paid")),
            ("overdue", gettext_lazy("Overdue")),
            ("paid", gettext_lazy("Paid or credited")),
            ("credit", gettext_lazy("Credit notes")),
            ("waived", gettext_lazy("Not charged")),
        ],
        required=False,
        label=gettext_lazy("Show"),
    )
    q = forms.CharField(required=False, max_length=100, label=gettext_lazy("Name, address or number"))
    sort = forms.ChoiceField(
        choices=[
            ("", gettext_lazy("Newest first")),
            ("due", gettext_lazy("Longest due first")),
            ("most", gettext_lazy("Most open first")),
        ],
        required=False,
        label=gettext_lazy("Order"),
    )

    def chosen(self, invoices: InvoiceQuerySet, today: date) -> InvoiceQuerySet:
        wish = self.cleaned_data if self.is_valid() else {}
        invoices = _state(invoices.with_open(), wish.get("show") or "", today)
        for word in (wish.get("q") or "").split():
            found = Q(buyer_name__icontains=word) | Q(buyer_address__icontains=word)
            year, dash, number = word.partition("-")
            if dash and year.isdecimal() and number.isdecimal() and len(word) < 15:
                found |= Q(year=int(year), number=int(number))
            invoices = invoices.filter(found)
        order = {"due": ("due_on", "pk"), "most": ("-open_cents", "pk")}.get(wish.get("sort") or "")
        return invoices.order_by(*order) if order else invoices.order_by("-made_at", "-pk")


def _state(invoices: InvoiceQuerySet, show: str, today: date) -> InvoiceQuerySet:
    if show in (InvoiceState.DRAFT, InvoiceState.WAIVED):
        return invoices.filter(state=show)
    if show == "credit":
        return invoices.filter(kind=InvoiceKind.CREDIT)
    if show in ("open", "overdue", "paid"):
        invoices = invoices.issued().filter(kind=InvoiceKind.INVOICE)
        if show == "paid":
            return invoices.filter(Q(open_cents__lte=0))
        invoices = invoices.filter(Q(open_cents__gt=0))
        return invoices.filter(due_on__lt=today) if show == "overdue" else invoices
    return invoices


class PaymentForm(forms.Form):
    client_id = forms.UUIDField(widget=forms.HiddenInput)
    amount = forms.DecimalField(
        label=gettext_lazy("Amount"), min_value=Decimal("0.01"), max_digits=10, decimal_places=2
    )
    method = forms.ChoiceField(label=gettext_lazy("How"), choices=Method.choices)
    received_on = forms.DateField(
        label=gettext_lazy("When"), widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    taken_by = forms.ModelChoiceField(label=gettext_lazy("Who took it"), queryset=User.objects.none(), required=False)

    def __init__(self, *args: Any, business: Business, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = cast("forms.ModelChoiceField[User]", self.fields["taken_by"])
        field.queryset = User.objects.filter(memberships__business=business).order_by("name", "pk").distinct()
        field.empty_label = _("Nobody: it came by itself")


class LineForm(forms.Form):
    pk = forms.IntegerField(required=False, widget=forms.HiddenInput)
    words = forms.CharField(label=gettext_lazy("What"), max_length=250, required=False)
    amount = forms.DecimalField(label=gettext_lazy("Amount"), max_digits=9, decimal_places=2, required=False)
    tax_percent = forms.DecimalField(
        label=gettext_lazy("Tax [%]"), max_digits=5, decimal_places=2, min_value=0, max_value=100, initial=0
    )


class BuyerForm(forms.Form):
    buyer_name = forms.CharField(label=gettext_lazy("For whom"), max_length=120)
    buyer_address = forms.CharField(label=gettext_lazy("Their address"), max_length=250)


LineForms = forms.formset_factory(LineForm, extra=1, max_num=60)


def _listed(request: HttpRequest) -> tuple[InvoiceListForm, InvoiceQuerySet, date]:
    user, business = office(request)
    today = timezone.now().astimezone(ZoneInfo(business.tz)).date()
    form = InvoiceListForm(request.GET)
    chosen = form.chosen(Invoice.objects.managed_by(user), today)
    return form, chosen.select_related("corrects", "business", "issued_by"), today


@login_required
def invoices(request: HttpRequest) -> HttpResponse:
    """All invoices of the office's firms, by state and name."""
    form, chosen, today = _listed(request)
    page = page_asked(request, chosen)
    return render(request, "invoices/list.html", {"form": form, "page": page, "today": today})


INVOICE_COLUMNS = (
    *("number", "kind", "state", "issued_on", "due_on", "corrects", "customer", "address", "done_on", "crew"),
    *("net", "tax", "total", "open", "currency", "issued_by"),
)


@login_required
@asks_again_to_read
def invoices_csv(request: HttpRequest) -> HttpResponse:
    """What the list shows, as a file for a spreadsheet; credit notes below nothing, as in the month's file."""
    _form, chosen, _today = _listed(request)
    firms = Business.objects.filter(invoices__in=chosen.values("pk")).distinct()
    answer, out = exported_csv(request, "invoices.csv", INVOICE_COLUMNS, firms)
    for one in chosen:
        issued = one.state == InvoiceState.ISSUED
        out.writerow(
            [
                one.label,
                one.kind,
                one.state,
                one.issued_on or "",
                one.due_on or "",
                one.corrects.label if one.corrects else "",
                *map(safe_cell, (one.buyer_name, one.buyer_address)),
                one.done_on,
                safe_cell(one.crew),
                *(
                    (sign_in_books(one) * (amount or 0) for amount in (one.net, one.tax, one.total))
                    if issued
                    else ("", "", "")
                ),
                one.open_amount if issued and one.kind == InvoiceKind.INVOICE else "",
                one.currency,
                safe_cell(str(one.issued_by or "")),
            ]
        )
    return answer


@login_required
def invoice(request: HttpRequest, pk: int) -> HttpResponse:
    """One invoice; for the office with what was paid of it, and with what it may do."""
    user = cast(User, request.user)
    found = get_object_or_404(_visible(user), pk=pk)
    return _show(request, found)


def _visible(user: User) -> InvoiceQuerySet:
    return Invoice.objects.visible_to(user).with_open().select_related("business", "corrects", "visit__site")


def _show(
    request: HttpRequest,
    found: Invoice,
    *,
    paying: PaymentForm | None = None,
    lines: Any = None,
    buyer: BuyerForm | None = None,
) -> HttpResponse:
    user = cast(User, request.user)
    runs = Invoice.objects.managed_by(user).filter(pk=found.pk).exists()
    context: dict[str, object] = paper(found) | {"runs": runs}
    if runs and found.state == InvoiceState.DRAFT:
        context |= {
            "lines_form": lines or _line_forms(found),
            "buyer_form": buyer
            or BuyerForm(initial={"buyer_name": found.buyer_name, "buyer_address": found.buyer_address}),
        }
    elif runs and found.state == InvoiceState.ISSUED and found.kind == InvoiceKind.INVOICE:
        left = left_to_credit(found)
        today = timezone.now().astimezone(ZoneInfo(found.business.tz)).date()
        context |= {
            "payments": found.payments.select_related("undone_by", "undoes"),
            "back": found.open_amount < 0,
            "paying": paying
            or PaymentForm(
                business=found.business,
                initial={
                    "client_id": uuid4(),
                    "amount": abs(found.open_amount),
                    "received_on": today,
                    "method": Method.TRANSFER,
                },
            ),
            "creditable": [(line, left[line.pk]) for line in found.lines.all() if left[line.pk]],
            "credited": found.credits.order_by("number"),
        }
    wrong = (paying is not None and paying.errors) or lines is not None
    return render(request, "invoices/invoice.html", context, status=422 if wrong else 200)


def _line_forms(draft: Invoice) -> Any:
    """The draft's lines, and an empty one at the firm's usual rate."""
    initial = [
        {"pk": line.pk, "words": line.words, "amount": line.amount, "tax_percent": line.tax_percent}
        for line in draft.lines.all()
    ]
    made = LineForms(initial=initial, prefix="lines")
    made.forms[-1].initial = {"tax_percent": draft.business.tax_percent}
    return made


def paper(found: Invoice) -> dict[str, object]:
    """What is printed, whichever way it is opened."""
    code = None
    if found.state == InvoiceState.ISSUED and found.kind == InvoiceKind.INVOICE:
        code = transfer_code(found, open_amount=found.open_amount)
    issued = found.state == InvoiceState.ISSUED
    lines = list(found.lines.all())
    sums: Totals | Invoice | None = found if issued else None
    if not issued and lines and all(line.amount is not None for line in lines):
        priced = ((line.amount or Decimal(0), line.tax_percent) for line in lines)
        sums = totals(priced, prices_include_tax=found.prices_include_tax)
    return {
        "invoice": found,
        "lines": lines,
        "sums": sums,
        "taxes": found.taxes.all() if issued else sums.by_rate if isinstance(sums, Totals) else (),
        "code": code,
        "code_picture": code.svg_data_uri(scale=4, light="white") if code else "",
        "firm": found.business,
        "overdue": found.due_on is not None
        and found.due_on < timezone.now().astimezone(ZoneInfo(found.business.tz)).date(),
        "paid": (found.total or 0) - found.open_amount if issued and found.kind == InvoiceKind.INVOICE else None,
        "iban": in_fours(found.iban) if found.iban else "",
    }


def _asked(view: View) -> View:
    """A wish of the office about one invoice: refused in a sentence where it cannot be, then back to its page."""

    @login_required
    @require_POST
    @wraps(view)
    def answer(request: HttpRequest, pk: int) -> HttpResponse:
        found = get_object_or_404(Invoice.objects.managed_by(cast(User, request.user)).with_open(), pk=pk)
        try:
            return view(request, found)
        except ValidationError as problem:
            messages.error(request, problem.messages[0])
            return redirect("invoice", pk)

    return answer


@_asked
def invoice_draft(request: HttpRequest, draft: Invoice) -> HttpResponse:
    """Keep a draft, and issue it where that was pressed; or say that it is not charged, or is after all."""
    user, wish = cast(User, request.user), request.POST.get("wish", "")
    if wish == "waive":
        waive_invoice(invoice=draft, reason=request.POST.get("reason", ""), by=user)
        messages.success(request, _("Nothing is charged for this visit."))
        return redirect("invoice", draft.pk)
    if wish == "charge":
        charge_after_all(invoice=draft)
        return redirect("invoice", draft.pk)
    lines, buyer = LineForms(request.POST, prefix="lines"), BuyerForm(request.POST)
    if not (lines.is_valid() and buyer.is_valid()):
        return _show(request, get_object_or_404(_visible(user), pk=draft.pk), lines=lines, buyer=buyer)
    change_draft(invoice=draft, lines=[_line(one) for one in lines.cleaned_data if one], **buyer.cleaned_data)
    if wish == "issue":
        issued = issue_invoice(invoice=draft, by=user, now=timezone.now())
        messages.success(request, _("Invoice {number} is issued.").format(number=issued.label) + _goes_out(issued))
    else:
        messages.success(request, _("The draft is kept."))
    return redirect("invoice", draft.pk)


def _goes_out(issued: Invoice) -> str:
    """Where there is no address, the office prints it."""
    if issued.customer and issued.customer.email:
        return " " + _("It goes out by mail.")
    return " " + _("There is no e-mail address: print it.")


def _line(given: dict[str, Any]) -> DraftLine:
    return DraftLine(given["pk"], given["words"], given["amount"], given["tax_percent"])


@_asked
def invoice_credit(request: HttpRequest, found: Invoice) -> HttpResponse:
    """Take back an invoice, or a part of it."""
    amounts = {line.pk: _amount(request.POST.get(f"line-{line.pk}", "")) for line in found.lines.all()}
    credit = credit_invoice(
        invoice=found,
        amounts=amounts,
        reason=request.POST.get("reason", ""),
        by=cast(User, request.user),
        now=timezone.now(),
    )
    messages.success(request, _("Credit note {number} is issued.").format(number=credit.label) + _goes_out(credit))
    return redirect("invoice", credit.pk)


def _amount(text: str) -> Decimal:
    field = forms.DecimalField(max_digits=10, decimal_places=2, required=False)
    return cast(Decimal, field.clean(text.strip())) if text.strip() else Decimal(0)


@_asked
def invoice_again(request: HttpRequest, found: Invoice) -> HttpResponse:
    draft = write_again(invoice=found, now=timezone.now())
    messages.success(request, _("Here is a new draft with the same lines."))
    return redirect("invoice", draft.pk)


@_asked
def payment_add(request: HttpRequest, found: Invoice) -> HttpResponse:
    """Write down money that came."""
    user = cast(User, request.user)
    form = PaymentForm(request.POST, business=found.business)
    if not form.is_valid():
        return _show(request, get_object_or_404(_visible(user), pk=found.pk), paying=form)
    given = form.cleaned_data
    payment = record_payment(
        invoice=found,
        client_id=cast(UUID, given["client_id"]),
        amount=given["amount"],
        method=given["method"],
        received_on=given["received_on"],
        taken_by=given["taken_by"],
        by=user,
        now=timezone.now(),
    )
    words = _("The payment is written down.") if payment.amount > 0 else _("The money that went back is written down.")
    messages.success(request, words)
    return redirect("invoice", found.pk)


@login_required
@require_POST
def payment_undo(request: HttpRequest, pk: int) -> HttpResponse:
    """Set a payment against itself."""
    user = cast(User, request.user)
    payment = get_object_or_404(Payment.objects.visible_to(user).select_related("invoice"), pk=pk)
    try:
        undo_payment(payment=payment, by=user, now=timezone.now())
        messages.success(request, _("A counter-entry undoes the payment. Both stay in the books."))
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
    return redirect("invoice", payment.invoice_id)
