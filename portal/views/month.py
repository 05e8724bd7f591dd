"""A month's end, as a page and as files for who keeps the books."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from django import forms
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.translation import gettext_lazy

from portal.actions.invoices.month import documents, month_end, month_of, payments, sign_in_books
from portal.models import Business
from portal.views.csv_files import exported_csv, safe_cell
from portal.views.guard import asks_again_to_read
from portal.views.office import office


class MonthForm(forms.Form):
    """Which month of which firm."""

    month = forms.DateField(
        input_formats=["%Y-%m"],
        label=gettext_lazy("Month"),
        widget=forms.DateInput(attrs={"type": "month"}, format="%Y-%m"),
    )
    firm = forms.ModelChoiceField(label=gettext_lazy("Business"), queryset=Business.objects.none(), required=False)


def _asked(request: HttpRequest) -> tuple[MonthForm, Business, date]:
    """The month asked for; without one, the month before this one while it is young, else this one."""
    user, business = office(request)
    firms = Business.objects.managed_by(user).order_by("name", "pk")
    today = timezone.now().astimezone(ZoneInfo(business.tz)).date()
    usual = month_of(today - timedelta(days=9))[0]
    form = MonthForm(request.GET if "month" in request.GET else None, initial={"month": usual, "firm": business})
    form.fields["firm"].queryset = firms  # type: ignore[attr-defined]
    if len(firms) == 1:
        del form.fields["firm"]
    if not form.is_valid():
        return form, business, usual
    return form, form.cleaned_data.get("firm") or business, form.cleaned_data["month"]


@login_required
def invoices_month(request: HttpRequest) -> HttpResponse:
    form, business, first = _asked(request)
    month = month_end(business, first, now=timezone.now())
    query = f"month={month.first:%Y-%m}&firm={business.pk}"
    return render(request, "invoices/month.html", {"form": form, "firm": business, "month": month, "query": query})


DOCUMENTS = (
    *("number", "kind", "issued_on", "due_on", "corrects", "customer", "address", "done_on", "crew"),
    *("tax_name", "tax_percent", "net", "tax", "total", "currency"),
)
PAYMENTS = (
    "received_on",
    "invoice",
    "customer",
    "method",
    "amount",
    "currency",
    "taken_by",
    "entered_by",
    "entered_on",
    "undoes",
)


@login_required
@asks_again_to_read
def invoices_month_csv(request: HttpRequest, what: str) -> HttpResponse:
    """A row for each rate of tax on each document, credit notes below nothing; or a row for each payment."""
    _form, business, first = _asked(request)
    first, last = month_of(first)
    if what not in ("documents", "payments"):
        raise Http404
    columns = DOCUMENTS if what == "documents" else PAYMENTS
    answer, out = exported_csv(request, f"{what}-{first:%Y-%m}.csv", columns, [business])
    if what == "documents":
        for one in documents(business, first, last):
            head = [
                one.label,
                one.kind,
                one.issued_on,
                one.due_on,
                one.corrects.label if one.corrects else "",
                *map(safe_cell, (one.buyer_name, one.buyer_address)),
                one.done_on,
                *map(safe_cell, (one.crew, one.tax_name)),
            ]
            for rate in one.taxes.all():
                taxable, tax = sign_in_books(one) * rate.taxable, sign_in_books(one) * rate.tax
                out.writerow([*head, rate.percent, *map(_cents, (taxable, tax, taxable + tax)), one.currency])
        return answer
    zone = ZoneInfo(business.tz)
    for paid in payments(business, first, last):
        out.writerow(
            [
                paid.received_on,
                paid.invoice.label,
                safe_cell(paid.invoice.buyer_name),
                paid.method,
                _cents(paid.amount),
                paid.invoice.currency,
                safe_cell(paid.taken_by_name),
                safe_cell(str(paid.entered_by or "")),
                paid.entered_at.astimezone(zone).date(),
                paid.undoes.received_on if paid.undoes else "",
            ]
        )
    return answer


def _cents(amount: Decimal) -> str:
    return f"{amount:.2f}"
