"""A table of customers: sent, looked at, taken in, taken back."""

from __future__ import annotations

from typing import Any, cast

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from portal.actions.customer_files import (
    HEADS,
    LooksLikeReadings,
    keep_columns,
    receive_customers,
    rows_of,
    take_back_customers,
    take_customers,
)
from portal.models import Business, CustomerFile, User
from portal.views.office import office

SHOWN = 50
COLUMN_WORDS = {
    "name": gettext_lazy("Name"),
    "surname": gettext_lazy("Family name"),
    "phone": gettext_lazy("Phone"),
    "email": gettext_lazy("E-mail"),
    "address": gettext_lazy("Address"),
    "notes": gettext_lazy("Notes"),
}


class ColumnsForm(forms.Form):
    """Which column is what."""

    def __init__(self, file: CustomerFile, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        columns = [("", "–"), *((str(number), head or f"{number + 1}") for number, head in enumerate(file.table[0]))]
        for fact in HEADS:
            at = file.columns.get(fact, "")
            self.fields[fact] = forms.ChoiceField(label=COLUMN_WORDS[fact], choices=columns, required=False, initial=at)


@login_required
def customer_file_new(request: HttpRequest) -> HttpResponse:
    _user, firm = office(request)
    readings = ""
    if request.method == "POST":
        sent = request.FILES.get("file")
        try:
            if sent is None:
                raise ValidationError(_("Choose a file first."))
            file = receive_customers(
                business=firm,
                data=sent.read(),
                filename=sent.name or "",
                by=cast(User, request.user),
                now=timezone.now(),
            )
        except LooksLikeReadings as problem:
            readings = problem.messages[0]
        except ValidationError as problem:
            messages.error(request, problem.messages[0])
        else:
            return redirect("customer_file", file.pk)
    taken = CustomerFile.objects.filter(business=firm).exclude(taken_at=None)
    return render(request, "customer/file_new.html", {"taken": taken, "readings": readings})


@login_required
def customer_file(request: HttpRequest, pk: int) -> HttpResponse:
    """What a table would bring; its buttons change the columns, take it in, or take it back."""
    office(request)
    mine = Business.objects.managed_by(cast(User, request.user))
    file = get_object_or_404(CustomerFile.objects.filter(business__in=mine).select_related("business"), pk=pk)
    if request.method == "POST":
        return _do(request, file)
    if file.taken_at is not None:
        return render(request, "customer/file.html", {"file": file, "brought": file.customers.all()})
    rows = rows_of(file)
    return render(
        request,
        "customer/file.html",
        {
            "file": file,
            "form": ColumnsForm(file),
            "rows": sorted(rows, key=lambda row: row.kept)[:SHOWN],
            "count": len(rows),
            "kept": sum(row.kept for row in rows),
            "here": sum(row.twin is not None and not row.trouble for row in rows),
            "wrong": sum(bool(row.trouble) for row in rows),
        },
    )


def _do(request: HttpRequest, file: CustomerFile) -> HttpResponse:
    now, user = timezone.now(), cast(User, request.user)
    wish = request.POST.get("do", "")
    try:
        if wish == "take":
            count = take_customers(file=file, now=now)
            words = ngettext("{count} customer is entered.", "{count} customers are entered.", count)
            messages.success(request, words.format(count=count))
        elif wish == "back" and file.taken_at is not None:
            went, stayed = take_back_customers(file=file, by=user, now=now)
            words = _("Taken back: {went}. Those who have a roof or a login by now stay: {stayed}.")
            messages.success(request, words.format(went=went, stayed=stayed))
        elif file.taken_at is None:
            form = ColumnsForm(file, request.POST)
            if form.is_valid():
                given = form.cleaned_data
                keep_columns(file=file, columns={fact: int(at) if at else None for fact, at in given.items()})
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
    return redirect("customer_file", file.pk)
