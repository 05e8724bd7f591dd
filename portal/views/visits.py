"""Visits: the lists, the sheet to read before driving out, booking, moving and calling off."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, cast
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.paginator import Paginator
from django.db.models import Q
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from portal.actions.advice import recommendation
from portal.actions.pricing import price_of_visit, quote
from portal.actions.roof_warnings import AskFirst, roof_warnings, visit_warnings
from portal.actions.visits import (
    book_visit,
    call_off_for_weather,
    cancel_visit,
    finish_visit,
    move_visit,
    overlapping,
    reopen_visit,
)
from portal.charts.chart import Chart
from portal.charts.performance import Event, performance_chart
from portal.models import (
    Business,
    DayReadings,
    Invoice,
    Lead,
    Membership,
    Referral,
    Site,
    SiteAssessment,
    SiteDaily,
    User,
    Visit,
    VisitState,
)
from portal.models.assessment import unpack_daily
from portal.models.site import SiteQuerySet
from portal.models.visit import VisitQuerySet
from portal.pv.shaded_hours import hours_that_look_shaded
from portal.views.asked import row_asked, words_asked
from portal.views.life import life_of
from portal.views.visit_days import DAYS_A_PAGE, coming_days, days_of
from portal.words.figures import day_words
from portal.words.sentences import with_words

PAGE = 50


def _with_site(visits: VisitQuerySet) -> VisitQuerySet:
    return visits.select_related("site__customer__business").prefetch_related("technicians", "site__planes")


@login_required
def visits(request: HttpRequest) -> HttpResponse:
    """Today's and coming visits: the office's of the whole business, a technician's own."""
    user = cast(User, request.user)
    memberships = Membership.objects.filter(user=user).select_related("business")
    if not memberships:
        raise PermissionDenied
    now = timezone.now()
    yesterday = now - timedelta(days=1)
    worked = _with_site(Visit.objects.worked_by(user))
    managed = Business.objects.managed_by(user)
    technicians = User.objects.filter(memberships__business__in=managed, visits__isnull=False).distinct()
    chosen = next((one for one in technicians if str(one.pk) == request.GET.get("technician")), None)
    if chosen is not None:
        worked = worked.filter(technicians=chosen)
    coming = coming_days(worked.standing().filter(starts_at__gte=yesterday), now)
    page = Paginator(list(coming), DAYS_A_PAGE).get_page(request.GET.get("page"))
    listed = list(worked.filter(pk__in=[key for day in page for key in coming[day]]).order_by("starts_at", "pk"))
    query = request.GET.copy()
    query.pop("page", None)
    by_route = request.GET.get("order") == "route"
    referrals = Referral.objects.visible_to(user).select_related("visit__site__customer", "entry")
    return render(
        request,
        "visits/visits.html",
        {
            "days": days_of(listed, by_route=by_route, reader=user),
            "page": page,
            "query": query.urlencode(),
            "today": now.astimezone(ZoneInfo(memberships[0].business.tz)).date(),
            "by_route": by_route,
            "chosen": chosen,
            "technicians": technicians,
            "may_book": managed.exists(),
            "called_off": worked.filter(state=VisitState.WEATHER, starts_at__gte=now - timedelta(days=60)),
            "done": worked.filter(state=VisitState.DONE, starts_at__lt=now).order_by("-finished_at")[:20],
            "referrals": referrals.open(),
            "passed_on": referrals.exclude(closed_at=None).order_by("-closed_at")[:20],
            "user_id": user.pk,
        },
    )


@login_required
def visit_sheet(request: HttpRequest, pk: int) -> HttpResponse:
    """What a technician reads before driving out: one page for a phone in the sun, and one printed page."""
    user = cast(User, request.user)
    visit = get_object_or_404(_with_site(Visit.objects.worked_by(user)), pk=pk)
    site = visit.site
    today = timezone.now().astimezone(ZoneInfo(site.tz)).date()
    assessment = SiteAssessment.objects.filter(site=site).newest().first()
    kept = SiteDaily.objects.filter(site=site).first()
    earlier = list(site.visits.filter(state=VisitState.DONE).exclude(pk=visit.pk).order_by("-finished_at")[:5])
    return render(
        request,
        "visits/sheet.html",
        {
            "visit": visit,
            "known": visit_warnings([visit], reader=user)[visit.pk],
            "shows_prices": site.customer.business.shows_prices_to(user),
            "invoices": Invoice.objects.visible_to(user).filter(visit=visit).with_open().order_by("pk"),
            "site": site,
            "assessment": assessment,
            "told": recommendation(site, now=timezone.now()),
            "less_since": assessment and assessment.less_since,
            "earlier": earlier,
            "chart": _chart(kept, assessment, earlier) if kept else None,
            "life": life_of(site, user=user, until=today, assessment=assessment),
            "shaded": _shaded_hours(site, kept) if kept else [],
            "may_manage": Site.objects.managed_by(user).filter(pk=site.pk).exists(),
            "today": today,
            "washed_on": min(today, visit.starts_at.astimezone(ZoneInfo(site.tz)).date()),
            "overlaps": overlapping(visit) if visit.state == VisitState.BOOKED else [],
            "user_id": user.pk,
        },
    )


def _chart(kept: SiteDaily, assessment: SiteAssessment | None, earlier: Sequence[Visit]) -> Chart | None:
    """The index around the last two cleanings, or over the last year where there were none."""
    washes = [visit.cleaned_on for visit in earlier[:2] if visit.cleaned_on is not None]
    since = min(washes) - timedelta(days=60) if washes else kept.as_of - timedelta(days=365)
    daily = with_words(unpack_daily(kept.table))
    events = [Event(day, _("Cleaned"), True) for day in washes]
    for recovery in assessment.recoveries if assessment else []:
        events.append(Event(date.fromisoformat(recovery["date"]), _("Recovered"), False))
    return performance_chart(daily.loc[[day >= since for day in daily.index]], events)


def _shaded_hours(site: Site, kept: SiteDaily) -> list[tuple[time, time]]:
    """Stretches of the local day in which the last two months' clear days fell short."""
    array, since = site.array(), kept.as_of - timedelta(days=60)
    if array is None:
        return []
    daily = unpack_daily(kept.table)
    clear = [day for day, used in zip(daily.index, daily["used"], strict=True) if used and day >= since]
    energy_wh, minutes = DayReadings.objects.all().site_energy_wh(site, since=since)
    stretches: list[list[int]] = []
    for hour in hours_that_look_shaded(array, energy_wh, minutes, clear):
        if stretches and stretches[-1][1] == hour:
            stretches[-1][1] = hour + 1
        else:
            stretches.append([hour, hour + 1])
    return [(time(first), time(last % 24)) for first, last in stretches]


class VisitForm(forms.Form):
    """When, who, for how much. Times are the roof's own."""

    day = forms.DateField(label=gettext_lazy("Day"), widget=forms.DateInput(attrs={"type": "date"}))
    at = forms.TimeField(label=gettext_lazy("Time"), widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"))
    minutes = forms.IntegerField(label=gettext_lazy("Minutes"), min_value=15, max_value=720, initial=60)
    technicians = forms.ModelMultipleChoiceField(
        User.objects.none(), label=gettext_lazy("Technicians"), required=False, widget=forms.CheckboxSelectMultiple
    )
    price = forms.DecimalField(min_value=0, max_digits=8, decimal_places=2, required=False)
    note = forms.CharField(
        label=gettext_lazy("Note"),
        widget=forms.Textarea,
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
    for word in wanted.split():
        sites = sites.filter(Q(name__icontains=word) | Q(address__icontains=word) | Q(customer__name__icontains=word))
    page = Paginator(sites, PAGE).get_page(request.GET.get("page"))
    query = urlencode({"q": wanted}) if wanted else ""
    return render(request, "visits/book_where.html", {"page": page, "wanted": wanted, "query": query})


@login_required
def visit_book(request: HttpRequest) -> HttpResponse:
    """Book a visit for a roof (``?site=``) or from a lead (``?lead=``)."""
    user = cast(User, request.user)
    managed = Site.objects.managed_by(user).select_related("customer__business")
    if not Business.objects.managed_by(user).exists():
        raise PermissionDenied
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
    price = price_of_visit(site, nesting=nesting)
    tomorrow = timezone.now().astimezone(ZoneInfo(site.tz)).date() + timedelta(days=1)
    form = VisitForm(site, request.POST or None, initial={"price": price, "day": tomorrow, "at": time(8, 0)})
    asked = False
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
            )
        except AskFirst:
            asked = True
        except ValidationError as problem:
            form.add_error(None, problem)
        else:
            _say_overlaps(request, visit)
            messages.success(request, f"Booked: {visit.site}.")
            return redirect("visit_sheet", visit.pk)
    return render(
        request,
        "visits/book.html",
        {
            "form": form,
            "known": roof_warnings([site])[site.pk],
            "asked": asked,
            "site": site,
            "lead": lead,
            "told": recommendation(site, now=timezone.now()),
            "lines": quote(site, nesting=nesting),
            "total": price_of_visit(site, nesting=nesting),
            "nesting": nesting,
        },
    )


def _managed_visit(request: HttpRequest, pk: int) -> Visit:
    user = cast(User, request.user)
    sites = Site.objects.managed_by(user)
    visit: Visit = get_object_or_404(_with_site(Visit.objects.filter(site__in=sites)), pk=pk)
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
    form, asked = VisitForm(visit.site, request.POST or None, initial=initial), False
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
            )
        except AskFirst:
            asked = True
        except ValidationError as problem:
            form.add_error(None, problem)
        else:
            _say_overlaps(request, moved)
            messages.success(request, _("Moved. The crew's calendars follow by themselves."))
            return redirect("visit_sheet", visit.pk)
    return render(
        request,
        "visits/move.html",
        {
            "form": form,
            "visit": visit,
            "site": visit.site,
            "known": roof_warnings([visit.site])[visit.site.pk],
            "asked": asked,
        },
    )


@login_required
@require_POST
def visit_call_off(request: HttpRequest, pk: int) -> HttpResponseRedirect:
    """Call a visit off: for weather, so that it waits for a new day, or for good."""
    visit = _managed_visit(request, pk)
    reason = request.POST.get("reason", "").strip()
    now = timezone.now()
    try:
        if request.POST.get("kind") == "weather":
            call_off_for_weather(visit=visit, reason=reason, now=now)
            messages.success(request, _("Called off for weather. Move it to a new day when the forecast is good."))
        else:
            cancel_visit(visit=visit, reason=reason, now=now)
            messages.success(request, _("Cancelled."))
    except ValidationError as problem:
        messages.error(request, problem.messages[0])
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


def _say_overlaps(request: HttpRequest, visit: Visit) -> None:
    for other in overlapping(visit):
        local = other.starts_at.astimezone(ZoneInfo(other.site.tz))
        messages.warning(
            request,
            _("At the same time the crew is booked at {site} ({local:%H:%M}).").format(site=other.site, local=local),
        )
