"""Visits: the lists, and the sheet to read before driving out."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, time, timedelta
from typing import cast
from zoneinfo import ZoneInfo

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.utils.translation import gettext as _

from portal.actions.advice import recommendation
from portal.actions.arrival import stops_before
from portal.actions.roof_warnings import visit_warnings
from portal.actions.visits import (
    overlapping,
)
from portal.charts.chart import Chart
from portal.charts.performance import MarkedDay, performance_chart
from portal.models import (
    PUT_OFF,
    Business,
    DayReadings,
    Invoice,
    Membership,
    Referral,
    Site,
    SiteAssessment,
    SiteDaily,
    User,
    Visit,
    VisitState,
)
from portal.models.record import times_there
from portal.pv.shaded_hours import hours_that_look_shaded
from portal.views.asked import page_asked
from portal.views.life import life_of
from portal.views.setting_out import sets_out
from portal.views.visit_days import DAYS_A_PAGE, coming_days, days_of_visits
from portal.words.sentences import with_words


@login_required
def visits(request: HttpRequest) -> HttpResponse:
    """Today's and coming visits: the office's of the whole business, a technician's own."""
    user = cast(User, request.user)
    memberships = Membership.objects.filter(user=user).select_related("business")
    if not memberships:
        raise PermissionDenied
    now = timezone.now()
    yesterday = now - timedelta(days=1)
    worked = Visit.objects.worked_by(user).with_site()
    managed = Business.objects.managed_by(user)
    technicians = User.objects.filter(memberships__business__in=managed, visits__isnull=False).distinct()
    chosen = next((one for one in technicians if str(one.pk) == request.GET.get("technician")), None)
    if chosen is not None:
        worked = worked.filter(technicians=chosen)
    coming = coming_days(worked.standing().filter(starts_at__gte=yesterday), now)
    page = page_asked(request, list(coming), DAYS_A_PAGE)
    listed = list(worked.filter(pk__in=[key for day in page for key in coming[day]]).order_by("starts_at", "pk"))
    by_route = request.GET.get("order") == "route"
    referrals = Referral.objects.visible_to(user).select_related("visit__site__customer", "entry")
    return render(
        request,
        "visits/visits.html",
        {
            "days": days_of_visits(listed, by_route=by_route, reader=user, now=now),
            "page": page,
            "today": now.astimezone(ZoneInfo(memberships[0].business.tz)).date(),
            "by_route": by_route,
            "chosen": chosen,
            "technicians": technicians,
            "may_book": managed.exists(),
            "called_off": worked.filter(state__in=PUT_OFF, starts_at__gte=now - timedelta(days=60)),
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
    visit = get_object_or_404(Visit.objects.worked_by(user).with_site(), pk=pk)
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
            "known": visit_warnings([visit], reader=user, now=timezone.now())[visit.pk],
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
            "out": sets_out([*stops_before(visit).with_site(), visit], reader=None, now=timezone.now()).get(visit.pk),
            "user_id": user.pk,
            "there": times_there(visit.entries.all()),
        },
    )


def _chart(kept: SiteDaily, assessment: SiteAssessment | None, earlier: Sequence[Visit]) -> Chart | None:
    """The index around the last two cleanings, or over the last year where there were none."""
    washes = [visit.cleaned_on for visit in earlier[:2] if visit.cleaned_on is not None]
    since = min(washes) - timedelta(days=60) if washes else kept.as_of - timedelta(days=365)
    daily = with_words(kept.frame())
    events = [MarkedDay(day, _("Cleaned"), True) for day in washes]
    for recovery in assessment.recoveries if assessment else []:
        events.append(MarkedDay(date.fromisoformat(recovery["date"]), _("Recovered"), False))
    return performance_chart(daily.loc[[day >= since for day in daily.index]], events)


def _shaded_hours(site: Site, kept: SiteDaily) -> list[tuple[time, time]]:
    """Stretches of the local day in which the last two months' clear days fell short."""
    array, since = site.array(), kept.as_of - timedelta(days=60)
    if array is None:
        return []
    daily = kept.frame()
    clear = [day for day, used in zip(daily.index, daily["used"], strict=True) if used and day >= since]
    energy_wh, minutes = DayReadings.objects.all().site_energy_wh(site, since=since)
    stretches: list[list[int]] = []
    for hour in hours_that_look_shaded(array, energy_wh, minutes, clear):
        if stretches and stretches[-1][1] == hour:
            stretches[-1][1] = hour + 1
        else:
            stretches.append([hour, hour + 1])
    return [(time(first), time(last % 24)) for first, last in stretches]
