"""The list of what was sent in."""

from __future__ import annotations

from typing import cast

from django import forms
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from portal.actions.imports.receive import STALLED_AFTER
from portal.models import Business, Import, ImportState, Site, User
from portal.models.meter import ImportQuerySet
from portal.views.asked import page_asked
from portal.views.csv_files import exported_csv, safe_cell
from portal.views.guard import asks_again_to_read
from portal.views.imports import asked_site, may_send
from portal.views.searching import matching

ORDERS = {"": "-uploaded_at", "oldest": "uploaded_at", "rejected": "-rows_rejected", "name": "filename"}


class ImportListForm(forms.Form):
    """What the list can be asked; an unknown choice is none."""

    q = forms.CharField(
        label=gettext_lazy("Search"),
        required=False,
        max_length=200,
        help_text=gettext_lazy("The file's name, the roof, or its owner."),
    )
    state = forms.ChoiceField(
        label=gettext_lazy("State"), choices=[("", gettext_lazy("Any")), *ImportState.choices], required=False
    )
    sort = forms.ChoiceField(
        label=gettext_lazy("Order"),
        choices=[
            ("", gettext_lazy("Newest first")),
            ("oldest", gettext_lazy("Oldest first")),
            ("rejected", gettext_lazy("Most rejected")),
            ("name", gettext_lazy("Name")),
        ],
        required=False,
    )

    def chosen(self, sent: ImportQuerySet) -> ImportQuerySet:
        self.is_valid()
        wish = self.cleaned_data
        for word in (wish.get("q") or "").split():
            sent = sent.filter(Q(filename__icontains=word) | matching([word], "meter__site__"))
        if wish.get("state"):
            sent = sent.filter(state=wish["state"])
        order = ORDERS[wish.get("sort") or ""]
        return sent.order_by(order, "-pk" if order.startswith("-") else "pk")


def _listed(request: HttpRequest) -> tuple[ImportListForm, Site | None, ImportQuerySet]:
    user = cast(User, request.user)
    may_send(user)
    form = ImportListForm(request.GET)
    sent = form.chosen(Import.objects.visible_to(user).listed())
    site = asked_site(request, user)
    return form, site, sent.filter(meter__site=site) if site else sent


@login_required
@require_safe
def imports(request: HttpRequest) -> HttpResponse:
    """List what was sent, the newest first unless asked otherwise."""
    form, site, sent = _listed(request)
    page = page_asked(request, sent)
    waiting = any(one.waits for one in page)
    own = Import.objects.visible_to(cast(User, request.user)).unfinished()
    unbegun = own.filter(begun_at=None, asked_at__lt=timezone.now() - STALLED_AFTER)
    shown = {
        "page": page,
        "site": site,
        "waiting": waiting,
        "late": unbegun.order_by("asked_at").first() if waiting else None,
        "form": form,
        "may_export": Business.objects.managed_by(cast(User, request.user)).exists(),
    }
    return render(request, "imports/imports.html", shown)


IMPORT_COLUMNS = (
    *("file", "site", "meter", "state", "first_day", "last_day"),
    *("new", "same", "replaced", "rejected", "sent_at", "sent_by"),
)


@login_required
@require_safe
@asks_again_to_read
def imports_csv(request: HttpRequest) -> HttpResponse:
    """The imports asked for as a file for a spreadsheet; the office's, as all such files are."""
    _form, _site, sent = _listed(request)
    managed = Business.objects.managed_by(cast(User, request.user))
    if not managed.exists():
        raise PermissionDenied
    rows = sent.filter(meter__site__customer__business__in=managed)
    response, out = exported_csv(request, "imports.csv", IMPORT_COLUMNS, managed)
    for one in rows:
        out.writerow(
            [
                *map(safe_cell, (one.filename, str(one.meter.site), one.meter.called)),
                one.state,
                one.first_day or "",
                one.last_day or "",
                one.readings_new,
                one.readings_unchanged,
                one.readings_replaced,
                one.rows_rejected,
                one.uploaded_at.isoformat(timespec="seconds"),
                safe_cell(str(one.uploaded_by or "")),
            ]
        )
    return response
