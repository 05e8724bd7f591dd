"""Sending files in, and the ledger of what became of them."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from typing import Any, cast
from zoneinfo import available_timezones

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.paginator import Paginator
from django.db.models import Q
from django.http import FileResponse, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from portal.actions.imports import (
    ImportRefused,
    answer_import,
    look_at,
    mapping_of,
    meter_called,
    preview_of,
    read_differently,
    receive_file,
    undo_import,
)
from portal.actions.uploads import FILES_A_DAY, too_large
from portal.charts.first_days import first_days
from portal.models import Business, Customer, Import, ImportState, Meter, Site, User
from portal.models.meter import MeterQuerySet
from portal.readers import FILES, Guess, Mapping, MisreadError, ReadError, safe_cell

METERS_LISTED = 50


def _may_send(user: User) -> None:
    """Technicians read histories; they bring nothing in."""
    if not (Business.objects.managed_by(user).exists() or Customer.objects.filter(user=user).exists()):
        raise PermissionDenied


def _meters(user: User) -> MeterQuerySet:
    return Meter.objects.fed_by(user).select_related("site__customer").order_by("site__customer__name", "site", "pk")


@login_required
@require_safe
def imports(request: HttpRequest) -> HttpResponse:
    """List what was sent, the newest first."""
    user = cast(User, request.user)
    _may_send(user)
    sent = Import.objects.visible_to(user).listed()
    site = _asked_site(request, user)
    if site:
        sent = sent.filter(meter__site=site)
    page = Paginator(sent, 30).get_page(request.GET.get("page"))
    waiting = any(one.state in (ImportState.PENDING, ImportState.UNDOING) for one in page)
    return render(request, "imports/imports.html", {"page": page, "site": site, "waiting": waiting})


def _asked_site(request: HttpRequest, user: User) -> Site | None:
    asked = request.GET.get("site", "")
    return get_object_or_404(Site.objects.fed_by(user), pk=asked) if asked.isdecimal() else None


class FilesInput(forms.ClearableFileInput):
    allow_multiple_selected = True


class FilesField(forms.FileField):
    widget = FilesInput

    def clean(self, data: Any, initial: Any = None) -> list[Any]:
        sent = data if isinstance(data, list) else [data]
        if not sent:
            raise ValidationError("Choose a file first.")
        return [super(FilesField, self).clean(one, initial) for one in sent]


class UploadForm(forms.Form):
    """Files for one meter."""

    meter = forms.ModelChoiceField(Meter.objects.none(), label="For", empty_label=None)
    other = forms.CharField(
        label="Another inverter or meter of this roof",
        required=False,
        max_length=80,
        help_text="Only when each of them has its own file. Give it a name; all of a roof's are added up.",
    )
    sent = FilesField(
        label="Files",
        allow_empty_file=True,  # the ledger says what is wrong with it
        help_text="CSV, spreadsheet (.xlsx, .xls, .ods), Green Button XML, NEM12, or a zip of them. One or several.",
        error_messages={"required": "Choose a file first."},
    )

    def __init__(self, meters: MeterQuerySet, listed: MeterQuerySet, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["meter"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = meters
        field.choices = [(meter.pk, str(meter)) for meter in listed]


@login_required
def import_upload(request: HttpRequest) -> HttpResponse:
    """Take files for a meter (``?site=`` or ``?meter=`` presets it)."""
    user = cast(User, request.user)
    _may_send(user)
    meters = _meters(user)
    site, sought = _asked_site(request, user), request.GET.get("q", "").strip()
    listed = meters
    if site:
        listed = listed.filter(site=site)
    if (asked := request.GET.get("meter", "")).isdecimal():
        listed = listed.filter(pk=asked)
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
                messages.error(request, f"“{name}” and what follows it is not in. {refused}")
                return redirect("imports")
            if len(received) == 1:
                return redirect("import_ledger", received[0].pk)
            messages.success(request, f"{len(received)} files are in and are being read, one after the other.")
            return redirect("imports")
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
        },
    )


def _my_import(request: HttpRequest, pk: int) -> Import:
    sent = Import.objects.visible_to(cast(User, request.user)).select_related(
        "meter__site__customer", "uploaded_by", "undone_by", "token"
    )
    return get_object_or_404(sent, pk=pk)


def _drawn(kept: dict[str, Any] | None, tz: str) -> str:
    if not kept:
        return ""
    return first_days(datetime.fromisoformat(kept["start"]), kept["minutes"], kept["energy_wh"], tz=tz)


@login_required
@require_safe
def import_ledger(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what became of one file."""
    import_ = _my_import(request, pk)

    def moments(stamps: Iterable[str]) -> list[datetime]:
        return [datetime.fromisoformat(stamp) for stamp in stamps]

    return render(
        request,
        "imports/ledger.html",
        {
            "import": import_,
            "site": import_.meter.site,
            "drawn": _drawn(import_.preview, import_.meter.site.tz),
            "gaps": [moments(gap) for gap in import_.gaps[:50]],
            "gap_count": len(import_.gaps),
            "lumps": [lump | {"between": moments([lump["start"], lump["end"]])} for lump in import_.lumps[:50]],
            "lump_count": len(import_.lumps),
            "lump_kwh": sum(lump["energy_wh"] for lump in import_.lumps) / 1000,
            "clock_changes": moments(import_.clock_changes),
            "rejected": import_.rejected[:20],
            "how": how_words(mapping_of(import_.mapping)) if import_.mapping else [],
        },
    )


@login_required
@require_safe
def import_state(request: HttpRequest, pk: int) -> HttpResponse:
    """Answer htmx's question whether a file is read; when it is, the page is loaded anew."""
    import_ = _my_import(request, pk)
    if import_.state not in (ImportState.PENDING, ImportState.UNDOING):
        answer = HttpResponse()
        answer["HX-Refresh"] = "true"
        return answer
    return render(request, "imports/state.html", {"import": import_})


@login_required
@require_POST
def import_undo(request: HttpRequest, pk: int) -> HttpResponse:
    import_ = _my_import(request, pk)
    try:
        undo_import(import_=import_, user=cast(User, request.user), now=timezone.now())
    except ImportRefused as refused:
        messages.error(request, str(refused))
    return redirect("import_ledger", pk)


@login_required
@require_safe
def import_rejected(request: HttpRequest, pk: int) -> HttpResponse:
    """Download the lines that were not taken in."""
    import_ = _my_import(request, pk)
    answer = HttpResponse(content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="rejected-{import_.pk}.csv"'
    writer = csv.writer(answer)
    writer.writerow(["file", "line", "reason", "text"])
    for line in import_.rejected:
        writer.writerow(safe_cell(str(line[key])) for key in ("file", "line", "reason", "text"))
    return answer


@login_required
@require_safe
def import_original(request: HttpRequest, pk: int) -> HttpResponseBase:
    """Give back the file as it was sent, never shown in the browser."""
    import_ = _my_import(request, pk)
    return FileResponse(
        import_.original.open("rb"),
        as_attachment=True,
        filename=import_.filename,
        content_type="application/octet-stream",
    )


# ---- how a file is read ----

FORMATS = {"text": "Text table", "sheet": "Spreadsheet", "espi": "Green Button", "nem12": "NEM12"}
UNITS = {"Wh": "Wh", "kWh": "kWh", "MWh": "MWh", "W": "W", "kW": "kW", "MW": "MW"}
KINDS = {
    "energy": "energy of each interval",
    "register": "a counter that runs on",
    "power": "average power",
}
DECIMALS = {".": "a point: 1.5", ",": "a comma: 1,5"}
DATE_ORDERS = {
    "ymd": "year-month-day",
    "dmy": "day/month/year",
    "mdy": "month/day/year",
    "unix_s": "Unix seconds",
    "unix_ms": "Unix milliseconds",
    "serial": "spreadsheet day numbers",
}
CLOCKS = {
    "wall": "the clock on the wall, with daylight saving",
    "winter": "winter time all year",
    "utc": "UTC",
    "offset": "each stamp says its own offset",
}
LABELS = {"start": "the start of its interval", "end": "the end of its interval"}
EXPORTS = {
    "": "no, production",
    "all": "all of the production",
    "surplus": "only the surplus after the house took its share",
}


def how_words(mapping: Mapping) -> list[tuple[str, str]]:
    """Say how a file was read, as pairs of name and value."""
    words = [
        (
            "Format",
            FORMATS[mapping.format],
        )
    ]
    if mapping.format in ("text", "sheet"):
        if mapping.sheet:
            words.append(("Sheet", mapping.sheet))
        words += [
            ("Time", f"{' + '.join(mapping.time_columns)} ({DATE_ORDERS[mapping.date_order]})"),
            ("Production", _columns_in_words(mapping)),
            ("Figures", f"{KINDS[mapping.kind]} in {mapping.unit}"),
        ]
    if mapping.meter:
        words.append(("Meter in the file", mapping.meter))
    words += [
        (
            "Clock",
            CLOCKS[mapping.clock.kind] + ("" if mapping.clock.kind in ("utc", "offset") else f" ({mapping.clock.tz})"),
        ),
        ("A stamp marks", LABELS[mapping.clock.label]),
    ]
    if mapping.export:
        words.append(("Sent to the grid", EXPORTS[mapping.export]))
    return words


def _columns_in_words(mapping: Mapping) -> str:
    if mapping.layout == "wide":
        return f"{len(mapping.value_columns)} columns, {mapping.value_columns[0]} to {mapping.value_columns[-1]}"
    return " + ".join(mapping.value_columns) + "".join(f" − {name}" for name in mapping.minus_columns)


class HowForm(forms.Form):
    """How a file is to be read: what the file leaves open first, then everything else that can be corrected."""

    def __init__(
        self, mapping: Mapping, questions: list[dict[str, Any]], seen: Guess, meters: Iterable[str], data: Any = None
    ) -> None:
        super().__init__(data)
        self.base, self.measures = mapping, seen.measures
        self.asked = [question["code"] for question in questions]
        table = mapping.format in ("text", "sheet")
        used = [*mapping.time_columns, *mapping.value_columns, *mapping.minus_columns]
        names = list(dict.fromkeys([*seen.columns, *used])) if table else []
        for question in questions:
            if question["code"] == "columns":
                self._tick("columns", question["text"], names, ())
                continue
            self.fields[question["code"]] = forms.ChoiceField(
                label=question["text"],
                choices=[(choice["value"], choice["label"]) for choice in question["choices"]],
                required=question["required"],
                widget=forms.RadioSelect,
                error_messages={"required": "Choose one of these first."},
            )
        if table:
            if "columns" not in self.asked and mapping.layout == "tall":
                self._tick("columns", "Columns that hold production", names, mapping.value_columns)
            self._choose("kind", "The figures are", KINDS, mapping.kind)
            self._choose("unit", "Unit", UNITS, mapping.unit)
            self._choose("decimal", "The decimal mark is", DECIMALS, mapping.decimal)
            self._choose("date_order", "Dates are written", DATE_ORDERS, mapping.date_order)
            day, time = (*mapping.time_columns, "", "")[:2]
            listed, none = {name: name for name in names}, {"": "none"}
            self._choose("time_column", "Column with the date, or the date and time", listed, day)
            self._choose("second_time_column", "Column with the time of day, if it has its own", none | listed, time)
            each = {FILES: "each file or sheet is a meter"} if mapping.meter_column == FILES else {}
            self._choose(
                "meter_column", "Column that tells several meters apart", none | each | listed, mapping.meter_column
            )
        if mapping.meter:
            every = {name: name for name in meters} | {mapping.meter: mapping.meter, "*": "all of them added up"}
            self._choose("meter", "Meter in the file", every, mapping.meter)
        if mapping.export or table:
            self._choose("export", "Energy sent to the grid", EXPORTS, mapping.export)
        self._choose("clock", "Which clock stamped it", CLOCKS, mapping.clock.kind)
        self._choose("label", "A stamp marks", LABELS, mapping.clock.label)
        if "zone" not in self.asked:
            self.fields["zone"] = forms.CharField(label="Time zone of that clock", initial=mapping.clock.tz)

    def _choose(self, code: str, label: str, choices: dict[str, str], initial: str) -> None:
        if code not in self.asked:
            self.fields[code] = forms.ChoiceField(
                label=label, choices=list(choices.items()), initial=initial, required="" not in choices
            )

    def _tick(self, code: str, label: str, names: list[str], initial: Iterable[str]) -> None:
        self.fields[code] = forms.MultipleChoiceField(
            label=label,
            choices=[(name, name) for name in names if name not in self.base.time_columns],
            initial=list(initial),
            widget=forms.CheckboxSelectMultiple,
            help_text="Several are added up: tick a total or its parts, not both.",
            error_messages={"required": "Tick at least one column."},
        )

    def clean_zone(self) -> str:
        zone: str = self.cleaned_data["zone"]
        if zone not in available_timezones():
            raise ValidationError(f"“{zone}” is not a time zone. Use a name such as America/Denver or Europe/Madrid.")
        return zone

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        unit, kind = cleaned.get("unit"), cleaned.get("kind")
        if unit and kind and (kind == "power") == unit.endswith("h"):
            raise ValidationError("Power is in W, kW or MW; energy and counters are in Wh, kWh or MWh. Choose a pair.")
        if len({self.measures[name] for name in cleaned.get("columns", ()) if name in self.measures}) > 1:
            self.add_error(
                "columns", "These columns hold different things and cannot be added up. Tick those of one unit."
            )
        return cleaned

    def mapping(self) -> Mapping:
        """The mapping with what was answered and corrected."""
        mapping, chosen = self.base, tuple(self.cleaned_data.get("columns", ()))
        if chosen and chosen != mapping.value_columns:
            mapping = replace(mapping, value_columns=chosen, minus_columns=())
            if not {"kind", "unit"}.intersection(self.changed_data) and chosen[0] in self.measures:
                kind, unit = self.measures[chosen[0]]
                mapping = replace(mapping, kind=kind, unit=unit)
        changed = [code for code in self.fields if code in self.asked or code in self.changed_data]
        for code in sorted(
            changed, key=lambda code: code == "kind"
        ):  # the unit moves the kind; the kind has the last word
            value: str = self.cleaned_data[code]
            if code in ("columns", "time_column", "second_time_column"):
                continue
            if code == "meter_column":
                mapping = replace(mapping, meter_column=value, meter="")
            elif code == "export":
                mapping = replace(mapping, export=value)  # type: ignore[arg-type]  # one of the choices, which are the three
            elif value:
                mapping = mapping.answered(code, value)
        if "time_column" in self.fields:
            times = (self.cleaned_data["time_column"], self.cleaned_data["second_time_column"])
            mapping = replace(mapping, time_columns=tuple(name for name in times if name))
        return mapping


@login_required
def import_how(request: HttpRequest, pk: int) -> HttpResponse:
    """Show how a file is read, with its first days drawn; take corrections, draw again, read."""
    user, import_ = cast(User, request.user), _my_import(request, pk)
    if import_.state in (ImportState.PENDING, ImportState.UNDOING):
        return redirect("import_ledger", pk)
    tz = import_.meter.site.tz
    problem = ""
    try:
        seen = look_at(import_=import_, now=timezone.now())
    except MisreadError as error:
        seen, problem = error.seen, str(error)
    except ReadError as error:
        return render(request, "imports/how.html", {"import": import_, "site": import_.meter.site, "problem": error})
    mapping = mapping_of(import_.mapping) if import_.mapping else seen.mapping
    meters = [channel["name"] for channel in import_.channels]
    form = HowForm(mapping, import_.questions, seen, meters, request.POST or None)
    drawn = _drawn(import_.preview, tz)
    if request.method == "POST" and form.is_valid():
        problem = ""
        if "draw" in request.POST:
            try:
                drawn = _drawn(
                    preview_of(look_at(import_=import_, now=timezone.now(), mapping=form.mapping()).preview), tz
                )
            except ReadError as error:
                drawn, problem = "", str(error)
        else:
            try:
                if import_.state in (ImportState.QUESTION, ImportState.FAILED):
                    new = answer_import(import_=import_, mapping=form.mapping(), now=timezone.now())
                else:
                    new = read_differently(import_=import_, mapping=form.mapping(), user=user, now=timezone.now())
            except ImportRefused as refused:
                messages.error(request, str(refused))
                new = import_
            return redirect("import_ledger", new.pk)
    return render(
        request,
        "imports/how.html",
        {
            "import": import_,
            "site": import_.meter.site,
            "form": form,
            "asked": [form[code] for code in form.asked],
            "rest": [form[code] for code in form.fields if code not in form.asked],
            "drawn": drawn,
            "problem": problem,
            "sample": seen.sample[:8],
        },
    )
