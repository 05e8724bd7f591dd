"""Sending files in."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, cast

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied, ValidationError
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from portal.actions.by_mail.address import address_of
from portal.actions.green_button.utility import offered
from portal.actions.imports.receive import ImportRefused, meter_called, receive_file
from portal.actions.uploads import FILES_A_DAY, too_large
from portal.models import Business, Customer, Meter, Site, User
from portal.models.meter import MeterQuerySet
from portal.views.asked import row_asked, words_asked

METERS_LISTED = 50


def may_send(user: User) -> None:
    """Technicians read histories; they bring nothing in."""
    if not (Business.objects.managed_by(user).exists() or Customer.objects.filter(user=user).exists()):
        raise PermissionDenied


def _meters(user: User) -> MeterQuerySet:
    return Meter.objects.fed_by(user).select_related("site__customer").order_by("site__customer__name", "site", "pk")


def asked_site(request: HttpRequest, user: User) -> Site | None:
    asked = request.GET.get("site", "")
    return get_object_or_404(Site.objects.fed_by(user), pk=row_asked(asked)) if asked.isdecimal() else None


class FilesInput(forms.ClearableFileInput):
    allow_multiple_selected = True


class FilesField(forms.FileField):
    widget = FilesInput

    def clean(self, data: Any, initial: Any = None) -> list[Any]:
        sent = data if isinstance(data, list) else [data]
        if not sent:
            raise ValidationError(_("Choose a file first."))
        return [super(FilesField, self).clean(one, initial) for one in sent]


class UploadForm(forms.Form):
    """Files for one meter."""

    meter = forms.ModelChoiceField(Meter.objects.none(), label=gettext_lazy("For"), empty_label=None)
    other = forms.CharField(
        label=gettext_lazy("Another inverter or meter of this roof"),
        required=False,
        max_length=80,
        help_text=gettext_lazy(
            "Only when each of them has its own file. Give it a name; all of a roof's are added up."
        ),
    )
    sent = FilesField(
        label=gettext_lazy("Files"),
        allow_empty_file=True,  # the ledger says what is wrong with it
        help_text=gettext_lazy(
            "CSV, spreadsheet (.xlsx, .xls, .ods), Green Button XML, NEM12, or a zip of them. One or several."
        ),
        error_messages={"required": gettext_lazy("Choose a file first.")},
    )

    def __init__(self, meters: MeterQuerySet, listed: MeterQuerySet, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["meter"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = meters
        field.choices = [(meter.pk, str(meter)) for meter in listed]
        self.only = field.choices[0][1] if len(field.choices) == 1 else ""
        if self.only:
            field.widget, field.initial = forms.HiddenInput(), field.choices[0][0]


@login_required
def import_upload(request: HttpRequest) -> HttpResponse:
    """Take files for a meter (``?site=`` or ``?meter=`` presets it)."""
    user = cast(User, request.user)
    may_send(user)
    meters = _meters(user)
    site, sought = asked_site(request, user), words_asked(request)
    listed = meters
    if site:
        listed = listed.filter(site=site)
    if (asked := request.GET.get("meter", "")).isdecimal():
        listed = listed.filter(pk=row_asked(asked))
    if sought:
        listed = listed.filter(
            Q(site__customer__name__icontains=sought)
            | Q(site__address__icontains=sought)
            | Q(site__name__icontains=sought)
        )
    found = listed.count()
    shown = listed[:METERS_LISTED]
    form = UploadForm(meters, shown, request.POST or None, request.FILES or None)
    if request.method == "POST":
        if said := too_large(request):
            form.add_error("sent", said)
        elif form.is_valid():
            meter, received = form.cleaned_data["meter"], []
            if form.cleaned_data["other"]:
                meter = meter_called(site=meter.site, name=form.cleaned_data["other"])
            try:
                for file in form.cleaned_data["sent"]:
                    name = file.name or "file"
                    received.append(
                        receive_file(meter=meter, filename=name, file=file, uploaded_by=user, now=timezone.now())
                    )
            except ImportRefused as refused:
                messages.error(
                    request, _("“{name}” and what follows it is not in. {refused}").format(name=name, refused=refused)
                )
                return _on(request, "imports")
            if len(received) == 1:
                return _on(request, "import_ledger", received[0].pk)
            messages.success(
                request,
                _("{received} files are in and are being read, one after the other.").format(received=len(received)),
            )
            return _on(request, "imports")
    return render(
        request,
        "imports/upload.html",
        {
            "form": form,
            "found": found,
            "sought": sought,
            "asks_which": found > METERS_LISTED or sought,
            "listed": METERS_LISTED,
            "largest": settings.LARGEST_UPLOAD,
            "most": FILES_A_DAY,
            "by_mail": address_of(one) if (one := _one_roof(shown)) else "",
            "by_utility": one if offered() else None,
        },
    )


def _on(request: HttpRequest, name: str, *args: int) -> HttpResponse:
    """Where the sender goes next; the page's script, which has shown the bytes go, is told the address instead."""
    if "HX-Request" not in request.headers:
        return redirect(name, *args)
    return HttpResponse(status=204, headers={"HX-Redirect": reverse(name, args=args)})


def _one_roof(meters: Iterable[Meter]) -> Site | None:
    """The roof that the page is about, where it is about one."""
    sites = {meter.site for meter in meters}
    return sites.pop() if len(sites) == 1 else None
