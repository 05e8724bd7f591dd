"""The week by crews, and the days off."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any, cast
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_POST

from portal.actions.days_off import give_days_back, take_days_off, visits_on
from portal.actions.people import set_out_from
from portal.actions.roof_warnings import visit_warnings
from portal.actions.week import order_by_route, round_of, week_of
from portal.actions.where import read_place
from portal.models import Business, DayOff, User
from portal.pv.town import Place
from portal.views.asked import row_asked
from portal.views.office import office


class DayOffForm(forms.Form):
    user = forms.ModelChoiceField(
        User.objects.none(), label=gettext_lazy("Who"), required=False, empty_label=gettext_lazy("The whole firm")
    )
    first_day = forms.DateField(label=gettext_lazy("From"), widget=forms.DateInput(attrs={"type": "date"}))
    last_day = forms.DateField(label=gettext_lazy("To"), widget=forms.DateInput(attrs={"type": "date"}))
    why = forms.CharField(label=gettext_lazy("Why"), max_length=120, required=False)

    def __init__(self, business: Business, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = cast("forms.ModelChoiceField[User]", self.fields["user"])
        field.queryset = User.objects.filter(memberships__business=business, is_active=True).distinct()


class StartForm(forms.Form):
    user = forms.ModelChoiceField(User.objects.none(), label=gettext_lazy("Who"))
    where = forms.CharField(
        label=gettext_lazy("Sets out from"),
        max_length=2000,
        required=False,
        help_text=gettext_lazy(
            "A link to a place on any map, or its two numbers: 34.41, -119.62. Of a home, the next street corner will "
            "do. Empty: from the yard."
        ),
    )

    def __init__(self, business: Business, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.auto_id = "start-%s"  # the page's other form asks who, too
        field = cast("forms.ModelChoiceField[User]", self.fields["user"])
        field.queryset = User.objects.filter(memberships__business=business, is_active=True).distinct()

    def clean_where(self) -> Place | None:
        pasted = str(self.cleaned_data["where"]).strip()
        place = read_place(pasted) if pasted else None
        if pasted and place is None:
            raise ValidationError(_("There is no place in it. Open the link, and copy both numbers from there."))
        return place


def week_address(day: date) -> str:
    """The week that a day lies in."""
    return f"{reverse('week')}?day={day.isoformat()}"


@login_required
def week(request: HttpRequest) -> HttpResponse:
    user, firm = office(request)
    return _show(request, user, firm)


def _show(
    request: HttpRequest,
    user: User,
    firm: Business,
    *,
    day_off: DayOffForm | None = None,
    start: StartForm | None = None,
) -> HttpResponse:
    now = timezone.now()
    today = now.astimezone(ZoneInfo(firm.tz)).date()
    try:
        day = date.fromisoformat(request.GET.get("day", ""))
        first = day - timedelta(days=day.weekday())
        near = first - timedelta(days=7), first + timedelta(days=7)
    except (ValueError, OverflowError):
        first = today - timedelta(days=today.weekday())
        near = first - timedelta(days=7), first + timedelta(days=7)
    crews = week_of(firm, first)
    booked = [stop.visit for row in crews for round in row.rounds for stop in round.stops if not stop.visit.finished_at]
    known = visit_warnings(booked, reader=user, now=now)
    return render(
        request,
        "visits/week.html",
        {
            "crews": crews,
            "urgent": {pk for pk, one in known.items() if one.urgent},
            "faulty": {pk for pk, one in known.items() if one.fault},
            "days": [first + timedelta(days=n) for n in range(7)],
            "today": today,
            "before": week_address(near[0]),
            "after": week_address(near[1]),
            "technicians": User.objects.filter(memberships__business=firm, is_active=True).distinct().order_by("name"),
            "off": DayOff.objects.filter(business=firm, last_day__gte=today).standing().select_related("user"),
            "form": day_off or DayOffForm(firm),
            "start_form": start or StartForm(firm),
            "starts": firm.memberships.exclude(latitude=None).select_related("user").order_by("user__name", "pk"),
            "yard": firm.latitude is not None,
            "firm": firm,
        },
        status=422 if day_off or start else 200,
    )


@login_required
@require_POST
def round_order(request: HttpRequest) -> HttpResponse:
    """Put one crew's round of a day in the order of the route."""
    _user, firm = office(request)
    crew = [row_asked(one) for one in request.POST.get("crew", "").split("-")]
    try:
        day = date.fromisoformat(request.POST.get("day", ""))
    except ValueError:
        messages.error(request, _("That could not be read. Go back and press it again."))
        return redirect("week")
    try:
        moved = order_by_route(visits=round_of(firm, day, crew), now=timezone.now())
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
    else:
        words = ngettext(
            "In the order of the route. {count} customer gets another time and is told.",
            "In the order of the route. {count} customers get another time and are told.",
            len(moved),
        )
        messages.success(request, words.format(count=len(moved)))
    return redirect(week_address(day))


@login_required
@require_POST
def day_off_new(request: HttpRequest) -> HttpResponse:
    user, firm = office(request)
    form = DayOffForm(firm, request.POST)
    if form.is_valid():
        try:
            off = take_days_off(business=firm, **form.cleaned_data)
        except ValidationError as problem:
            form.add_error(None, problem)
        else:
            for visit in visits_on(off).select_related("site__customer"):
                messages.warning(request, _("Still booked in those days: {site}.").format(site=visit.site))
            messages.success(request, _("Kept."))
            return redirect(week_address(off.first_day))
    return _show(request, user, firm, day_off=form)


@login_required
@require_POST
def start_keep(request: HttpRequest) -> HttpResponse:
    """Keep where a technician sets out from; nothing is the yard."""
    user, firm = office(request)
    form = StartForm(firm, request.POST)
    if not form.is_valid():
        return _show(request, user, firm, start=form)
    membership = firm.memberships.get(user=form.cleaned_data["user"])
    set_out_from(membership=membership, place=form.cleaned_data["where"], by=user, now=timezone.now())
    messages.success(request, _("Kept."))
    return redirect(reverse("week") + "#starts")


@login_required
@require_POST
def day_off_end(request: HttpRequest, pk: int) -> HttpResponse:
    user, _firm = office(request)
    off = get_object_or_404(DayOff.objects.visible_to(user), pk=pk)
    give_days_back(off=off, now=timezone.now())
    messages.success(request, _("Taken back."))
    return redirect("week")
