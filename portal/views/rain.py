"""A town's rain: upload a gauge's daily series."""

from __future__ import annotations

from typing import cast

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.db.models import Count, Max
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from portal.actions.rain import record_rain
from portal.models import Business, RainGauge, User
from portal.readers.rain import read_rain
from portal.readers.reading import ReadError, Rejected

MOST_BYTES = 2 * 1024 * 1024


class RainForm(forms.ModelForm):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    file = forms.FileField(label="Daily rain (CSV: date,rain_mm)")

    class Meta:
        model = RainGauge
        fields = ["business", "name", "latitude", "longitude"]

    def __init__(self, user: User, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]  # passed through
        cast("forms.ModelChoiceField[Business]", self.fields["business"]).queryset = Business.objects.managed_by(user)

    def validate_unique(self) -> None:
        """The same name again means the same gauge: its days are added to."""

    def clean_file(self) -> tuple[dict[object, float], list[Rejected]]:
        sent = self.cleaned_data["file"]
        if sent.size > MOST_BYTES:
            raise forms.ValidationError("The file is larger than 2 MB. Send one line a day: date,rain_mm.")
        try:
            return cast(
                tuple[dict[object, float], list[Rejected]], read_rain(sent.read().decode("utf-8-sig").splitlines())
            )
        except UnicodeDecodeError:
            raise forms.ValidationError("This is not a text file. Save the table as CSV and send that.") from None
        except ReadError as problem:
            raise forms.ValidationError(str(problem)) from None


@login_required
def rain(request: HttpRequest) -> HttpResponse:
    user = cast(User, request.user)
    mine = Business.objects.managed_by(user)
    if not mine.exists():
        raise PermissionDenied
    form = RainForm(user, request.POST or None, request.FILES or None, initial={"business": mine.first()})
    if request.method == "POST" and form.is_valid():
        days, rejected = form.cleaned_data["file"]
        gauge = record_rain(
            business=form.cleaned_data["business"],
            name=form.cleaned_data["name"],
            latitude=form.cleaned_data["latitude"],
            longitude=form.cleaned_data["longitude"],
            rain_mm=days,
        )
        left_out = (
            f" {len(rejected)} lines were left out, the first is line {rejected[0].line}: {rejected[0].reason}."
            if rejected
            else ""
        )
        messages.success(request, f"{gauge.name}: {len(days)} days of rain are in.{left_out}")
        return redirect("rain")
    gauges = RainGauge.objects.visible_to(user).annotate(day_count=Count("days"), last_day=Max("days__day"))
    return render(request, "rain/rain.html", {"form": form, "gauges": gauges})
