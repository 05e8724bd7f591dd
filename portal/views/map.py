"""The firm's roofs, leads and today's rounds on a map, with a list beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite
from zoneinfo import ZoneInfo

from django.conf import settings
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.translation import gettext as _

from portal.actions.advice import recommendations
from portal.actions.travel import Starts, starts_of
from portal.actions.week import crew_of
from portal.charts.map import Group, Spot, SpotKind, Way, Words, draw_map, ground_of, groups_of
from portal.models import Business, Lead, LeadStage, Site, User, Visit
from portal.pv.advice import State
from portal.pv.recommend import Recommendation
from portal.pv.town import Place
from portal.views.office import office
from portal.views.visit_days import names_of

ROOFS_NAMED = 12
"""So many roofs of one mark are named before the rest folds."""


@dataclass(frozen=True, slots=True)
class Listed:
    """What lies under one mark, and the piece of the map that shows it closer."""

    group: Group
    roofs: list[tuple[Site, Recommendation, SpotKind]]
    box: str


@login_required
def roof_map(request: HttpRequest) -> HttpResponse:
    """All roofs of the firm a person runs, or those within ``?box=south,west,north,east``."""
    user, firm = office(request)
    now = timezone.now()
    today = now.astimezone(ZoneInfo(firm.tz)).date()
    box = _box(request.GET.get("box", ""))
    found = Site.objects.managed_by(user).filter(customer__business=firm).with_firms().order_by("pk")
    sites = {site.pk: site for site in found if box is None or _inside(site, box)}
    told = recommendations(sites.values(), now=now)
    visits = _today(firm, today)
    leads = Lead.objects.filter(site__in=sites, stage__in=[LeadStage.NEW, LeadStage.CONTACTED, LeadStage.QUOTED])
    called, visited = set(leads.values_list("site", flat=True)), {visit.site_id for visit in visits}
    kinds = {key: _kind(key, told[key], visited, called) for key in sites}
    starts = starts_of(firm)
    whole = box is None
    ways = _ways(visits, starts) if whole else []
    ends = [way.places[0] for way in ways] + ([starts.yard] if starts.yard and whole else [])
    spots = [Spot(site.place, kinds[key], key) for key, site in sites.items() if site.place is not None]
    nowhere = [(site, told[key], kinds[key]) for key, site in sites.items() if site.place is None]
    shown: dict[str, object] = {"near": box is not None, "nowhere": nowhere, "named": ROOFS_NAMED}
    if spots:
        ground = ground_of([spot.place for spot in spots] + ends)
        groups = groups_of(spots, ground)
        words = Words(
            _("Map of the roofs"),
            {
                SpotKind.TODAY: _("Visit today"),
                SpotKind.LEAD: _("Open lead"),
                SpotKind.DIRTY: _("Dirty"),
                SpotKind.OTHER: _("Other roof"),
            },
            _("The yard"),
            _("North"),
        )
        svg, narrow = draw_map(
            groups, ways, ground, yard=starts.yard if whole else None, words=words, tiles=settings.MAP_TILES
        )
        shown |= {
            "chart": {"svg": svg, "narrow": narrow},
            "tiles": bool(settings.MAP_TILES),
            "credit": settings.MAP_CREDIT,
            "listed": [
                Listed(
                    group, [(sites[spot.key], told[spot.key], spot.kind) for spot in group.spots], _box_around(group)
                )
                for group in groups
            ],
        }
    return render(request, "visits/map.html", shown)


def _today(firm: Business, today: date) -> list[Visit]:
    of_firm = Visit.objects.filter(site__customer__business=firm).standing().between(today, today, tz=firm.tz)
    return list(of_firm.with_site().order_by("starts_at", "pk"))


def _kind(key: int, told: Recommendation, visited: set[int], called: set[int]) -> SpotKind:
    if key in visited:
        return SpotKind.TODAY
    if key in called:
        return SpotKind.LEAD
    return SpotKind.DIRTY if told.state == State.DIRTY else SpotKind.OTHER


def _ways(visits: Sequence[Visit], starts: Starts) -> list[Way]:
    """Each crew's round of today, in the order of time."""
    crews: dict[tuple[User, ...], list[Place]] = {}
    for visit in visits:
        if visit.site.place is not None:
            crews.setdefault(crew_of(visit), []).append(visit.site.place)
    ways = []
    for crew, places in crews.items():
        start = starts.of(crew)
        ends = [start] if start else []
        ways.append(Way(names_of(crew), (*ends, *places, *ends)))
    return sorted(ways, key=lambda one: one.name)


def _box(asked: str) -> tuple[float, float, float, float] | None:
    """South, west, north and east; None for what is none."""
    try:
        south, west, north, east = (float(one) for one in asked.split(","))
    except ValueError:
        return None
    return (south, west, north, east) if all(map(isfinite, (south, west, north, east))) else None


def _inside(site: Site, box: tuple[float, float, float, float]) -> bool:
    south, west, north, east = box
    if site.place is None:
        return False
    latitude, longitude = site.place
    return south <= latitude <= north and (east - west >= 360 or (longitude - west) % 360 <= (east - west) % 360)


def _box_around(group: Group) -> str:
    """Just what lies under a mark, with a metre around it; nothing where a closer look shows no more."""
    places = {spot.place for spot in group.spots}
    if len(places) < 2:
        return ""
    metre = 1e-5
    latitudes = [latitude for latitude, _ in places]
    turned = [(longitude - group.middle[1] + 180) % 360 - 180 for _, longitude in places]
    west, east = group.middle[1] + min(turned) - metre, group.middle[1] + max(turned) + metre
    return f"{min(latitudes) - metre:.6f},{west:.6f},{max(latitudes) + metre:.6f},{east:.6f}"
