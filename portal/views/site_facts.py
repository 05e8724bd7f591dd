"""What is entered of a site: its facts and planes, its meters, whose it is, and erasing it."""

from __future__ import annotations

from datetime import datetime
from math import cos, radians, sin
from typing import Any, cast
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.forms.models import BaseInlineFormSet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from portal.actions.erase import erase_site
from portal.actions.people import NotPossible
from portal.actions.sites import correct_planes, hand_over_site, save_meters, save_site
from portal.actions.where import read_place
from portal.models import (
    Customer,
    Meter,
    Plane,
    Site,
    User,
)
from portal.views.asked import row_asked, words_asked
from portal.views.customers import searched
from portal.views.guard import asks_again
from portal.words.figures import compass

FOUND = 20
"""So many customers are listed to hand a roof over to."""
WINDS = (315, 0, 45, 270, 90, 225, 180, 135)
"""Directions [degrees] as they stand around a compass, row by row, without its middle."""
PITCHES = (0, 10, 20, 30, 35, 45, 60)
"""Tilts [degrees] that have a picture."""
FARTHEST_FROM_ITS_ZONE = 4.0
"""Hours between the sun's clock and the wall's. The far west of China comes to about three; none is farther off."""


def _hours_from_the_zone(tz: str, longitude: float) -> float:
    winter = datetime(2026, 1, 1, tzinfo=ZoneInfo(tz)).utcoffset()
    assert winter is not None
    apart = abs(longitude / 15 - winter.total_seconds() / 3600) % 24
    return min(apart, 24 - apart)


class SiteForm(forms.ModelForm):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    where = forms.CharField(
        label=gettext_lazy("Where it is"),
        required=False,
        max_length=2000,
        help_text=gettext_lazy(
            "Paste a map's link, a geo: address, or both numbers. It fills the two fields after it."
        ),
    )

    class Meta:
        model = Site
        fields = [
            "name",
            "address",
            "latitude",
            "longitude",
            "tz",
            "ac_kw",
            "installed_on",
            "installer",
            "price_per_kwh",
            "storeys",
            "roof_pitch",
            "roof_covering",
            "anchor_points",
            "access_notes",
            "ladder_spot",
            "tap_place",
            "hose",
            "water_pressure",
            "supply_hardness_ppm",
            "notes",
        ]
        widgets = {
            "installed_on": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
            "access_notes": forms.Textarea(attrs={"rows": 3}),
            "notes": forms.Textarea(attrs={"rows": 3}),
        }
        labels = {
            "name": gettext_lazy("Name"),
            "address": gettext_lazy("Address"),
            "latitude": gettext_lazy("Latitude"),
            "longitude": gettext_lazy("Longitude"),
            "installed_on": gettext_lazy("Installed on"),
            "installer": gettext_lazy("Installer"),
            "storeys": gettext_lazy("Storeys"),
            "roof_covering": gettext_lazy("Roof covering"),
            "anchor_points": gettext_lazy("Anchor points"),
            "water_pressure": gettext_lazy("Water pressure"),
            "notes": gettext_lazy("Notes"),
        }
        help_texts = {
            "latitude": gettext_lazy(
                "Degrees, north is positive: 39.7420. Press long on a roof in a map application to see both."
            ),
            "longitude": gettext_lazy("Degrees, east is positive, west negative: −105.1727."),
            "tz": gettext_lazy("Such as America/Denver or Europe/Madrid."),
            "ac_kw": gettext_lazy("The inverter's rated output, all inverters together."),
            "price_per_kwh": gettext_lazy("What the owner pays, or is paid, for one kWh."),
            "installed_on": gettext_lazy("The day the system was switched on, if known."),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not self.instance.name:
            self.initial.setdefault("name", _("Home"))
        currency = self.instance.customer.business.currency
        self.fields["price_per_kwh"].label = _("Value of a kWh [{currency}]").format(currency=currency)

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        pasted = cleaned.get("where", "")
        place = read_place(pasted) if pasted else None
        if place is not None:
            cleaned["latitude"], cleaned["longitude"] = place
            self.errors.pop("latitude", None)
            self.errors.pop("longitude", None)
        elif pasted:
            self.add_error("where", _("There is no place in it. Open the link, and copy both numbers from there."))
        given = [name for name in ("latitude", "longitude") if cleaned.get(name) is not None]
        if len(given) == 1 and not pasted:
            other = "longitude" if given == ["latitude"] else "latitude"
            if other not in self.errors:
                self.add_error(other, _("Paste where it is, or give this number."))
        return cleaned

    FACTS = (
        "name",
        "address",
        "where",
        "latitude",
        "longitude",
        "tz",
        "installed_on",
        "installer",
        "price_per_kwh",
        "ac_kw",
    )

    @property
    def fact_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in self.FACTS]

    @property
    def roof_fields(self) -> list[forms.BoundField]:
        return [field for field in self.visible_fields() if field.name not in self.FACTS]


class PlaneForm(forms.ModelForm):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    watts = forms.FloatField(
        label=gettext_lazy("Watts a panel"),
        required=False,
        min_value=50,
        max_value=1000,
        help_text=gettext_lazy("In place of the size: it is on the panel's label or in the offer."),
    )

    class Meta:
        model = Plane
        fields = ["name", "tilt", "azimuth", "module_count", "dc_kw"]
        labels = {
            "name": gettext_lazy("Name"),
            "tilt": gettext_lazy("Tilt [degrees]"),
            "azimuth": gettext_lazy("Faces [degrees from north]"),
            "module_count": gettext_lazy("Panels"),
        }
        help_texts = {
            "tilt": gettext_lazy("0 is flat, 90 upright; most roofs have 15 to 45."),
            "azimuth": gettext_lazy("Clockwise: 90 is east, 180 south, 270 west."),
            "dc_kw": gettext_lazy("All panels of this plane together."),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["dc_kw"].required = False  # panels and their watts say it too

    def clean(self) -> dict[str, Any] | None:
        """Catch watts typed for kilowatts: panels have between 0.05 and 1 kW each."""
        cleaned = super().clean() or self.cleaned_data
        size, count, watts = cleaned.get("dc_kw"), cleaned.get("module_count"), cleaned.get("watts")
        if size is None and "dc_kw" not in self.errors:
            if watts and count:
                size = cleaned["dc_kw"] = count * watts / 1000
            elif not self.errors:
                self.add_error("dc_kw", _("Give the size of the plane, or the watts of one panel."))
        if size and count and not 0.05 <= size / count <= 1:
            self.add_error(
                "dc_kw",
                _(
                    "That makes {count:g} kW a panel; panels have about 0.25 to 0.6 kW. Give the size of the "
                    "whole plane in kW (not watts), and count its panels."
                ).format(count=size / count),
            )
        return cleaned


class MeterForm(forms.ModelForm):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    name = forms.CharField(
        label=gettext_lazy("Name"),
        max_length=80,
        help_text=gettext_lazy("Production, garage inverter, meter by the barn."),
    )

    class Meta:
        model = Meter
        fields = ["name"]


MeterFormSet = forms.inlineformset_factory(Site, Meter, form=MeterForm, extra=1, can_delete=True)
PlaneFormSet = forms.inlineformset_factory(Site, Plane, form=PlaneForm, extra=2, max_num=20, can_delete=True)


@login_required
def site_new(request: HttpRequest, pk: int) -> HttpResponse:
    """Add a site to a customer."""
    user = cast(User, request.user)
    customer = get_object_or_404(Customer.objects.managed_by(user).select_related("business"), pk=pk)
    roof = Site(customer=customer, tz=customer.business.tz)
    return _edit(request, roof, customer)


@login_required
def site_edit(request: HttpRequest, pk: int) -> HttpResponse:
    """Change a site's facts."""
    user = cast(User, request.user)
    roof = get_object_or_404(Site.objects.managed_by(user).select_related("customer__business"), pk=pk)
    return _edit(request, roof, roof.customer)


@login_required
def site_meters(request: HttpRequest, pk: int) -> HttpResponse:
    """What counts a site's production: names, one more, one fewer."""
    user = cast(User, request.user)
    roof = get_object_or_404(Site.objects.managed_by(user).select_related("customer"), pk=pk)
    meters = MeterFormSet(request.POST or None, instance=roof)
    if request.method == "POST" and meters.is_valid():
        kept = meters.save(commit=False)
        try:
            save_meters(site=roof, meters=kept, removed=meters.deleted_objects)
        except NotPossible as problem:
            messages.error(request, str(problem))
            return redirect("site_meters", pk)
        messages.success(request, _("The meters of {roof} are kept.").format(roof=roof))
        return redirect("site", pk)
    return render(request, "site/meters.html", {"site": roof, "meters": meters})


@login_required
def site_hand_over(request: HttpRequest, pk: int) -> HttpResponse:
    """Give a roof to another customer of the firm."""
    user = cast(User, request.user)
    roof = get_object_or_404(Site.objects.managed_by(user).select_related("customer__business"), pk=pk)
    others = Customer.objects.filter(business=roof.customer.business).exclude(pk=roof.customer.pk)
    if request.method == "POST":
        chosen = request.POST.get("customer", "")
        customer = get_object_or_404(others, pk=row_asked(chosen))
        hand_over_site(site=roof, customer=customer, now=timezone.now())
        messages.success(request, _("{name} is {name_2}'s now.").format(name=roof.name, name_2=customer.name))
        return redirect("site", pk)
    wanted = words_asked(request)
    found = list(searched(others, wanted)[: FOUND + 1]) if wanted else []
    return render(
        request,
        "site/hand_over.html",
        {"site": roof, "wanted": wanted, "found": found[:FOUND], "more": len(found) > FOUND},
    )


@login_required
@require_POST
def site_correct(request: HttpRequest, pk: int) -> HttpResponse:
    """Correct the planes' tilt and azimuth to what the readings show."""
    user = cast(User, request.user)
    roof = get_object_or_404(Site.objects.managed_by(user), pk=pk)
    try:
        made_at = parse_datetime(request.POST.get("made_at", ""))
    except ValueError:
        made_at = None
    if correct_planes(site=roof, made_at=made_at, now=timezone.now()):
        messages.success(
            request, _("Tilt and azimuth of {name} are corrected. A new estimate follows.").format(name=roof.name)
        )
    else:
        messages.info(request, _("Nothing was changed: the facts or the estimate are newer than that page."))
    return redirect("site", pk)


@login_required
@require_POST
@asks_again
def site_erase(request: HttpRequest, pk: int) -> HttpResponse:
    user = cast(User, request.user)
    roof = get_object_or_404(Site.objects.managed_by(user).select_related("customer__business"), pk=pk)
    try:
        erase_site(site=roof, by=user, now=timezone.now())
    except NotPossible as problem:
        messages.error(request, str(problem))
        return redirect("site", pk)
    messages.success(request, _("{roof} is erased.").format(roof=roof))
    return redirect("customer", roof.customer.pk)


def _edit(request: HttpRequest, roof: Site, customer: Customer) -> HttpResponse:
    form = SiteForm(request.POST or None, instance=roof)
    planes = PlaneFormSet(request.POST or None, instance=roof)
    if request.method == "POST" and all([form.is_valid(), planes.is_valid()]) and _facts_agree(form, planes):
        kept = planes.save(commit=False)
        saved = save_site(site=form.save(commit=False), planes=kept, removed=planes.deleted_objects, now=timezone.now())
        if saved.lacks:
            messages.success(request, _("{name} is kept.").format(name=saved.name))
            return redirect("customer", customer.pk)  # where the list of what is missing stands
        messages.success(
            request, _("{name} is kept. A new estimate follows when there are readings.").format(name=saved.name)
        )
        return redirect("site", saved.pk)
    return render(
        request,
        "site/edit.html",
        {
            "form": form,
            "planes": planes,
            "site": roof if roof.pk else None,
            "customer": customer,
            "compass": [(degrees, compass(degrees)) for degrees in WINDS],
            "pitches": [(p, round(8 + 80 * cos(radians(p))), round(80 * sin(radians(p)))) for p in PITCHES],
        },
    )


def _facts_agree(form: SiteForm, planes: BaseInlineFormSet[Any, Any, Any]) -> bool:
    """Catch what only shows beside other facts: a lost minus sign, and watts typed for the inverter's kilowatts."""
    facts = form.cleaned_data
    dc_kw = sum(one["dc_kw"] for one in planes.cleaned_data if one and not one.get("DELETE"))
    if (
        facts["longitude"] is not None
        and _hours_from_the_zone(facts["tz"], facts["longitude"]) > FARTHEST_FROM_ITS_ZONE
    ):
        form.add_error(
            "longitude",
            _(
                "At {longitude:g}° the sun does not keep the hours of {tz}. West of Greenwich the "
                "longitude is negative."
            ).format(longitude=facts["longitude"], tz=facts["tz"]),
        )
    if dc_kw and facts["ac_kw"] is not None and not dc_kw / 10 <= facts["ac_kw"] <= dc_kw * 10:
        form.add_error(
            "ac_kw",
            _("{ac_kw:g} kW of inverter does not go with {dc_kw:g} kW of panels. Give both in kW, not watts.").format(
                ac_kw=facts["ac_kw"], dc_kw=dc_kw
            ),
        )
    return form.is_valid()
