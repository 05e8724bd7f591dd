"""All roofs of the office side by side, the dirtiest first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import cast
from zoneinfo import ZoneInfo

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from portal.actions.advice import recommendations
from portal.charts.last_year import last_year_chart, lowest_of
from portal.models import Business, Site, SiteDaily, User, Visit, VisitState
from portal.pv.recommend import Recommendation
from portal.views.asked import page_asked

PAGE = 12


@dataclass(frozen=True, slots=True)
class Stamp:
    """A roof among others: what is told of it, and its last year."""

    site: Site
    told: Recommendation
    chart: str


@login_required
def fleet(request: HttpRequest) -> HttpResponse:
    """Show each roof's last year on the same scale, sorted by what dirt takes; of how many nothing is told."""
    user, now = cast(User, request.user), timezone.now()
    firm = Business.objects.managed_by(user).order_by("pk").first()
    if firm is None:
        raise PermissionDenied
    told = recommendations(Site.objects.managed_by(user).with_firms(), now=now)
    order = sorted(told, key=lambda key: (told[key].loss is None, -(one.middle if (one := told[key].loss) else 0), key))
    page = page_asked(request, order, PAGE)
    sites = Site.objects.select_related("customer").in_bulk(list(page))
    charts = last_years(list(page), until=now.astimezone(ZoneInfo(firm.tz)).date())
    stamps = [Stamp(sites[key], told[key], charts.get(key, "")) for key in page]
    return render(request, "fleet/fleet.html", {"page": page, "stamps": stamps})


def last_years(sites: Sequence[int], *, until: date) -> dict[int, str]:
    """Draw the last year of each roof that has readings, all with the same lower edge, by the roofs' keys."""
    tables = {row.site_id: row.frame() for row in SiteDaily.objects.filter(site__in=sites).defer("memory")}
    washes: dict[int, list[date]] = {}
    for visit in Visit.objects.filter(site__in=sites, state=VisitState.DONE).select_related("site"):
        if visit.cleaned_on is not None:
            washes.setdefault(visit.site_id, []).append(visit.cleaned_on)
    lowest = lowest_of(list(tables.values()), until=until)
    return {
        key: last_year_chart(daily, washes.get(key, []), until=until, lowest=lowest) for key, daily in tables.items()
    }
