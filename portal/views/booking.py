"""Booking, moving, calling off and finishing visits."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any, cast
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from portal.actions.advice import recommendation
from portal.actions.doubts import mark_of, times_of
from portal.actions.pricing import quote, total_of
from portal.actions.reminders.standing import told_of
from portal.actions.roof_warnings import AskFirst, roof_warnings
from portal.actions.slots import best_slots
from portal.actions.standing_wishes import standing_wish
from portal.actions.visits import (
    USUAL_MINUTES,
    book_visit,
    cancel_visit,
    finish_visit,
    move_visit,
    put_off_visit,
    reopen_visit,
)
from portal.models import (
    PUT_OFF,
    Lead,
    Site,
    User,
    Visit,
    VisitState,
)
from portal.models.site import SiteQuerySet
from portal.views.asked import page_asked, row_asked, words_asked
from portal.views.office import office
from portal.views.searching import matching
from portal.views.week import week_address
from portal.words.figures import day_words


class CrewField(forms.ModelMultipleChoiceField):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    """Who is sent; a number that no row can have is nobody's, where SQLite would break over it."""

    def clean(self, value: Any) -> Any:
        return super().clean([row_asked(str(one)) for one in value] if isinstance(value, list) else value)


class VisitForm(forms.Form):
    """When, who, for how much. Times are the roof's own."""

    day = forms.DateField(label=gettext_lazy("Day"), widget=forms.DateInput(attrs={"type": "date"}))
    at = forms.TimeField(label=gettext_lazy("Time"), widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"))
    minutes = forms.IntegerField(label=gettext_lazy("Minutes"), min_value=15, max_value=720, initial=USUAL_MINUTES)
    technicians = CrewField(
        User.objects.none(), label=gettext_lazy("Technicians"), required=False, widget=forms.CheckboxSelectMultiple
    )
    price = forms.DecimalField(min_value=0, max_digits=8, decimal_places=2, required=False)
    note = forms.CharField(
        label=gettext_lazy("Note"),
        widget=forms.Textarea(attrs={"rows": 3}),
        required=False,
        help_text=gettext_lazy("What the crew should know of this visit."),
    )

    def __init__(self, site: Site, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.site = site
        crew = cast("forms.ModelMultipleChoiceField[User]", self.fields["technicians"])
        crew.queryset = User.objects.filter(memberships__business=site.customer.business_id, is_active=True).distinct()
        self.fields["at"].help_text = _("Local time of the roof ({tz}).").format(tz=site.tz)
        self.fields["price"].label = _("Price [{currency}]").format(currency=site.customer.business.currency)

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        day, at = cleaned.get("day"), cleaned.get("at")
        if isinstance(day, date) and isinstance(at, time):
            starts_at = datetime.combine(day, at, tzinfo=ZoneInfo(self.site.tz))
            if starts_at.astimezone(UTC).astimezone(ZoneInfo(self.site.tz)).time() != at:
                raise ValidationError(
                    _("On {day} the clocks skip {at:%H:%M} in {tz}. Choose an hour later.").format(
                        day=day_words(day), at=at, tz=self.site.tz
                    )
                )
            cleaned["starts_at"] = starts_at
        return cleaned


def _book_where(request: HttpRequest, sites: SiteQuerySet) -> HttpResponse:
    """The roofs to choose from, found by all words that are searched for."""
    wanted = words_asked(request)
    sites = sites.filter(matching(wanted.split()))
    page = page_asked(request, sites)
    return render(request, "visits/book_where.html", {"page": page, "wanted": wanted})


@login_required
def visit_book(request: HttpRequest) -> HttpResponse:
    """Book a visit for a roof (``?site=``) or from a lead (``?lead=``)."""
    user, _firm = office(request)
    managed = Site.objects.managed_by(user).select_related("customer__business")
    lead: Lead | None = None
    asked_lead, asked_site = request.GET.get("lead", ""), request.GET.get("site", "")
    if asked_lead:
        lead = get_object_or_404(Lead.objects.visible_to(user).open(), pk=row_asked(asked_lead))
        site = managed.get(pk=lead.site_id)
    elif asked_site:
        site = get_object_or_404(managed, pk=row_asked(asked_site))
    else:
        return _book_where(request, managed)
    nesting = request.GET.get("nesting") == "1"
    lines = quote(site, nesting=nesting)
    told, price = recommendation(site, now=timezone.now()), total_of(lines)
    form = VisitForm(site, request.POST or None, initial={"price": price} | _wished(request, site))
    asked: AskFirst | None = None
    if request.method == "POST" and form.is_valid():
        try:
            visit = book_visit(
                site=site,
                starts_at=form.cleaned_data["starts_at"],
                technicians=list(form.cleaned_data["technicians"]),
                lead=lead,
                price=form.cleaned_data["price"],
                minutes=form.cleaned_data["minutes"],
                note=form.cleaned_data["note"],
                now=timezone.now(),
                by=user,
                read=request.POST.get("read", ""),
                despite=request.POST.get("despite", ""),
            )
        except AskFirst as problem:
            asked = problem
        except ValidationError as problem:
            form.add_error(None, problem)
        else:
            words = _("Booked: {site}, {when}.")
            messages.success(request, words.format(site=visit.site, when=times_of(visit)))
            return redirect("visit_sheet", visit.pk)
    return render(
        request,
        "visits/book.html",
        {
            "form": form,
            "known": roof_warnings([site], now=timezone.now())[site.pk],
            "asked": asked,
            "despite": mark_of(asked.doubts) if asked else "",
            "site": site,
            "lead": lead,
            "told": told,
            "standing": standing_wish(site, told),
            "lines": lines,
            "total": price,
            "nesting": nesting,
            "slots": best_slots(site, minutes=USUAL_MINUTES, now=timezone.now()),
        },
    )


def _wished(request: HttpRequest, site: Site) -> dict[str, object]:
    """The day, time and crew of a proposed time that was chosen; else tomorrow morning."""
    tomorrow = timezone.now().astimezone(ZoneInfo(site.tz)).date() + timedelta(days=1)
    wished: dict[str, object] = {"day": tomorrow, "at": time(8, 0)}
    try:
        wished = {"day": date.fromisoformat(request.GET["day"]), "at": time.fromisoformat(request.GET["at"])}
    except (KeyError, ValueError):
        return wished
    who = row_asked(request.GET.get("who"))
    return wished | ({"technicians": [who]} if who else {})


def _managed_visit(request: HttpRequest, pk: int) -> Visit:
    user = cast(User, request.user)
    sites = Site.objects.managed_by(user)
    visit: Visit = get_object_or_404(Visit.objects.filter(site__in=sites).with_site(), pk=pk)
    return visit


@login_required
def visit_move(request: HttpRequest, pk: int) -> HttpResponse:
    visit = _managed_visit(request, pk)
    local = visit.starts_at.astimezone(ZoneInfo(visit.site.tz))
    initial = {
        "day": local.date(),
        "at": local.time(),
        "minutes": visit.minutes,
        "technicians": visit.technicians.all(),
        "price": visit.price,
        "note": visit.note,
    }
    form = VisitForm(visit.site, request.POST or None, initial=initial)
    asked: AskFirst | None = None
    if request.method == "POST" and form.is_valid():
        try:
            moved = move_visit(
                visit=visit,
                starts_at=form.cleaned_data["starts_at"],
                technicians=list(form.cleaned_data["technicians"]),
                minutes=form.cleaned_data["minutes"],
                price=form.cleaned_data["price"],
                note=form.cleaned_data["note"],
                now=timezone.now(),
                by=cast(User, request.user),
                read=request.POST.get("read", ""),
                despite=request.POST.get("despite", ""),
            )
        except AskFirst as problem:
            asked = problem
        except ValidationError as problem:
            form.add_error(None, problem)
        else:
            words = _("Moved: {site}, {when}. The crew's calendars follow by themselves.")
            messages.success(request, words.format(site=moved.site, when=times_of(moved)))
            if request.POST.get("back") == "week":
                return redirect(week_address(form.cleaned_data["day"]))
            return redirect("visit_sheet", visit.pk)
    return render(
        request,
        "visits/move.html",
        {
            "form": form,
            "visit": visit,
            "site": visit.site,
            "known": roof_warnings([visit.site], now=timezone.now())[visit.site.pk],
            "asked": asked,
            "despite": mark_of(asked.doubts) if asked else "",
        },
    )


@login_required
@require_POST
def visit_call_off(request: HttpRequest, pk: int) -> HttpResponseRedirect:
    """Call a visit off: for weather or illness, so that it waits for a new day, or for good."""
    visit = _managed_visit(request, pk)
    reason, kind = request.POST.get("reason", "").strip(), request.POST.get("kind", "")
    now = timezone.now()
    try:
        if kind in PUT_OFF:
            put_off_visit(visit=visit, why=VisitState(kind), reason=reason, now=now)
            messages.success(request, _("Called off."))
        else:
            cancel_visit(visit=visit, reason=reason, now=now)
            messages.success(request, _("Cancelled."))
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
    else:
        if told_of(visit):
            messages.success(request, _("{name} gets a mail with free times.").format(name=visit.site.customer.name))
        else:
            messages.warning(request, _("No mail about this visit went out, so none goes now. Call them."))
    return redirect("visit_sheet", visit.pk)


@login_required
@require_POST
def visit_finish(request: HttpRequest, pk: int) -> HttpResponseRedirect:
    """The office marks a visit done that nobody recorded on a phone, on the day it was washed."""
    visit, now = _managed_visit(request, pk), timezone.now()
    zone = ZoneInfo(visit.site.tz)
    try:
        day = date.fromisoformat(request.POST.get("day", ""))
        moment = datetime.combine(day, visit.ends_at.astimezone(zone).time(), tzinfo=zone)
        if day == now.astimezone(zone).date():
            moment = min(moment, now)
        finish_visit(visit=visit, now=now, finished_at=moment)
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
    except ValueError:
        messages.error(request, _("Choose the day on which it was washed."))
    else:
        messages.success(request, _("Marked done: {day} counts as a cleaning of this roof.").format(day=day_words(day)))
    return redirect("visit_sheet", visit.pk)


@login_required
@require_POST
def visit_reopen(request: HttpRequest, pk: int) -> HttpResponseRedirect:
    visit = _managed_visit(request, pk)
    try:
        reopen_visit(visit=visit, now=timezone.now())
        messages.success(request, _("Reopened: the day no longer counts as a cleaning."))
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
    return redirect("visit_sheet", visit.pk)
