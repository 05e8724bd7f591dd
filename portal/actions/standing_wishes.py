"""What owners of roofs want at every so often: kept, set beside the readings, and called about when it is due."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Exists, Max, OuterRef, Q

from portal.actions.advice import recommendations
from portal.actions.travel import yard_of
from portal.models import PUT_OFF, Lead, LeadKind, LeadStage, Site, Visit, VisitState
from portal.pv.recommend import Recommendation
from portal.pv.standing_wish import Rhythm, StandingWish, hear, next_asked_for

LOOKED_AT_ONCE = 500
"""Roofs that share the queries of a round. A bound on the work, no source."""


def want(*, site: Site, rhythm: Rhythm | None, now: datetime) -> None:
    """Keep how often the owner of a roof wants a wash; None: they leave it to the readings. The same again is one."""
    with transaction.atomic():
        site = Site.objects.select_for_update(of=("self",)).get(pk=site.pk)
        if site.wash_rhythm == (rhythm or ""):
            return
        site.wash_rhythm = rhythm or ""
        site.wash_rhythm_since = now.astimezone(ZoneInfo(site.tz)).date() if rhythm else None
        site.save(update_fields=["wash_rhythm", "wash_rhythm_since"])


def standing_wish(site: Site, told: Recommendation) -> StandingWish | None:
    """A roof's standing wish beside what is told of it; None where its owner has none."""
    return standing_wishes([site], {site.pk: told}).get(site.pk)


def standing_wishes(sites: Sequence[Site], told: Mapping[int, Recommendation]) -> dict[int, StandingWish]:
    """Each roof's standing wish, by its key, where there is one."""
    asked = {site.pk: site for site in sites if site.wash_rhythm}
    settled = _settled_on(asked)
    found = {}
    for key, site in asked.items():
        assert site.wash_rhythm_since is not None, "a constraint sees to it"
        rhythm = Rhythm(site.wash_rhythm)
        asked_for = next_asked_for(
            rhythm,
            latitude=spring_latitude(site),
            since=site.wash_rhythm_since,
            settled_on=settled.get(key),
            today=told[key].today,
        )
        found[key] = hear(rhythm, asked_for, told[key])
    return found


def spring_latitude(site: Site) -> float:
    """Which half of the Earth its spring is of: the firm's yard stands for a roof without a place, else the north."""
    place = site.place or yard_of(site.customer.business)
    return place[0] if place is not None else 45.0


def _settled_on(sites: Mapping[int, Site]) -> dict[int, date]:
    """When each roof was last washed, or its owner last said no to a wash."""
    if not sites:
        return {}
    washed = Visit.objects.filter(site__in=sites, state=VisitState.DONE).order_by().values_list("site")
    refused = Lead.objects.filter(site__in=sites, kind=LeadKind.CLEANING, stage__in=[LeadStage.LOST, LeadStage.WRONG])
    said_no = refused.order_by().values_list("site")
    found: dict[int, date] = {}
    for key, moment in [*washed.annotate(Max("finished_at")), *said_no.annotate(Max("closed_at"))]:
        day = moment.astimezone(ZoneInfo(sites[key].tz)).date()
        found[key] = max(day, found.get(key, day))
    return found


def call_for_wishes(*, now: datetime) -> None:
    """Open a lead for each roof whose standing wish is due, unless it has one or a visit. Run twice it opens one."""
    busy = Visit.objects.filter(site=OuterRef("pk"), state__in=[VisitState.BOOKED, *PUT_OFF])
    called = Lead.objects.filter(site=OuterRef("pk")).open()
    idle = Site.objects.exclude(wash_rhythm="").exclude(Exists(busy)).exclude(Exists(called))
    keys = list(idle.order_by("pk").values_list("pk", flat=True))
    for first in range(0, len(keys), LOOKED_AT_ONCE):
        sites = list(idle.filter(pk__in=keys[first : first + LOOKED_AT_ONCE]).select_related("customer__business"))
        told = recommendations(sites, now=now)
        for key, wish in standing_wishes(sites, told).items():
            if wish.due(told[key].today):
                _open_lead(key, now)


@transaction.atomic
def _open_lead(key: int, now: datetime) -> None:
    held = Site.objects.select_for_update(of=("self",)).filter(~Q(wash_rhythm=""), pk=key).first()
    if held is not None and not Lead.objects.filter(site=held).open().exists():
        Lead.objects.create(site=held, kind=LeadKind.CLEANING, opened_at=now, by_customer=True)
