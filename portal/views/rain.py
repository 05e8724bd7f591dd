"""Rain of the towns: send a gauge's daily series, or name a station that is asked each night."""

from __future__ import annotations

from typing import Any, cast

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.db.models import Count, Max
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from portal.actions.rain import record_rain
from portal.models import Business, RainGauge, User
from portal.readers.rain import MOST_RAIN_BYTES, RainRecord, is_station, read_rain_file
from portal.readers.reading import ReadError


class RainForm(forms.ModelForm):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    """A gauge with a file of its days, or with its station's number where stations are asked each night."""

    file = forms.FileField(
        label=gettext_lazy("Daily rain"),
        required=False,
        help_text=gettext_lazy(
            "A CSV with the columns date and rain_mm, or a station's file from GHCN-Daily (.dly or CSV)."
        ),
    )

    class Meta:
        model = RainGauge
        fields = ["business", "name", "latitude", "longitude", "station", "file"]
        labels = {
            "business": gettext_lazy("Business"),
            "latitude": gettext_lazy("Latitude"),
            "longitude": gettext_lazy("Longitude"),
        }
        help_texts = {
            "business": "",
            "latitude": gettext_lazy("Not needed where the file says it."),
            "station": gettext_lazy("Eleven characters, as GHCN-Daily counts: its rain is then asked for each night."),
        }

    def __init__(self, user: User, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]  # passed through
        business = cast("forms.ModelChoiceField[Business]", self.fields["business"])
        business.queryset, business.required = Business.objects.managed_by(user), True
        for name in ("name", "latitude", "longitude"):
            self.fields[name].required = False  # a station's file says them
        if not settings.RAIN_ADDRESS:
            del self.fields["station"]
            self.fields["file"].required = True

    def validate_unique(self) -> None:
        """The same name again means the same gauge: its days are added to."""

    def clean_station(self) -> str:
        number = str(self.cleaned_data["station"]).strip().upper()
        if number and not is_station(number):
            raise forms.ValidationError(
                _("A station's number has eleven characters, such as USW00094728: country, network, number.")
            )
        return number

    def clean_file(self) -> RainRecord | None:
        sent = self.cleaned_data["file"]
        if not sent:
            return None
        if sent.size > MOST_RAIN_BYTES:
            raise forms.ValidationError(
                _("The file is larger than %(most)s MB. Send one gauge's days."), params={"most": MOST_RAIN_BYTES >> 20}
            )
        try:
            return read_rain_file(sent.read())
        except ReadError as problem:
            raise forms.ValidationError(str(problem)) from None

    def clean(self) -> dict[str, Any]:
        said = cast(dict[str, Any], super().clean())
        if self.errors:
            return said
        record = said["file"]
        said["station"] = said.get("station") or (record.station if record else "")
        if record is None:
            if not said["station"]:
                self.add_error("file", _("Choose a file, or give a station's number."))
        elif record.station and record.station != said["station"]:
            self.add_error("file", _("This is the file of station %(number)s.") % {"number": record.station})
        elif record.latitude is not None:  # the file knows better than who types
            said["latitude"], said["longitude"] = record.latitude, record.longitude
        said["name"] = said["name"] or (record.name if record else "") or said["station"]
        for needed in ("name", "latitude", "longitude"):
            if said[needed] in (None, ""):
                self.add_error(needed, _("The file does not say this. Fill it in."))
        return said


@login_required
def rain(request: HttpRequest) -> HttpResponse:
    """List the gauges a firm may know of; take a gauge's days."""
    user = cast(User, request.user)
    mine = Business.objects.managed_by(user)
    if not mine.exists():
        raise PermissionDenied
    form = RainForm(user, request.POST or None, request.FILES or None, initial={"business": mine.first()})
    if request.method == "POST" and form.is_valid():
        said = form.cleaned_data
        record = said["file"] or RainRecord()
        gauge = record_rain(
            business=said["business"],
            name=said["name"],
            latitude=said["latitude"],
            longitude=said["longitude"],
            rain_mm=record.rain_mm,
            station=said["station"],
        )
        messages.success(request, _told(gauge, record))
        return redirect("rain")
    gauges = RainGauge.objects.visible_to(user).annotate(day_count=Count("days"), last_day=Max("days__day"))
    return render(request, "rain/rain.html", {"form": form, "gauges": gauges, "fetched": bool(settings.RAIN_ADDRESS)})


def _told(gauge: RainGauge, record: RainRecord) -> str:
    if not record.rain_mm:
        return _("%(gauge)s: its rain is asked for within the hour, then each night.") % {"gauge": gauge.name}
    days = len(record.rain_mm)
    told = ngettext("%(gauge)s: a day of rain is in.", "%(gauge)s: %(days)s days of rain are in.", days)
    parts = [told % {"gauge": gauge.name, "days": days}]
    if record.failed_checks:
        doubted = ngettext(
            "A day was left out that the station's own checks doubt.",
            "%(days)s days were left out that the station's own checks doubt.",
            record.failed_checks,
        )
        parts.append(doubted % {"days": record.failed_checks})
    if record.rejected:
        first = record.rejected[0]
        left_out = _("%(lines)s lines were left out, the first is line %(line)s: %(reason)s.")
        parts.append(left_out % {"lines": len(record.rejected), "line": first.line, "reason": first.reason})
    return " ".join(parts)
