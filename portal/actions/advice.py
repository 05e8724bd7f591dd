"""The one recommendation for each roof: the newest assessment's advice, joined with what happened since.

Everything that tells a person of a roof asks here; nothing is kept but what the assessment itself said, so that a wash,
a booking, a rain or a silence shows at once.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from portal.models import (
    DayRain,
    EventKind,
    Lead,
    LeadEvent,
    LeadStage,
    Meter,
    Plane,
    Proof,
    ProofState,
    RainGauge,
    Site,
    SiteAssessment,
    Visit,
    VisitState,
)
from portal.models.rain import nearest_gauge
from portal.models.site import SiteQuerySet, keys_of
from portal.pv.advice import Range, kept_advice
from portal.pv.due import Calendar
from portal.pv.recommend import LONGEST_RESULT, Asked, Found, Recommendation, Since, recommend
from portal.pv.result import Cause
from portal.pv.said import Said

RAIN_LOOKED_AT = timedelta(days=60)
"""Rain before this is in the assessment, or the readings are old. As long as readings may be silent, by definition
(:data:`portal.models.assessment.SILENT_AFTER`)."""
NOT_ANSWERED = (LeadStage.NEW, LeadStage.CONTACTED)
"""Stages of a lead whose owner has no price and no day yet."""
READ = (
    *("site", "as_of", "readings_until", "advice", "reasons", "cause", "cause_began", "soiling_since"),
    *("present_loss", "loss_low", "loss_high", "value_lost_per_month"),
)
"""Of an assessment's row: an office's first page looks at every roof."""


def recommendation(site: Site, *, now: datetime) -> Recommendation:
    """What is to be said of one roof now."""
    return recommendations([site], now=now)[site.pk]


def recommendations(sites: Collection[Site] | SiteQuerySet, *, now: datetime) -> dict[int, Recommendation]:
    """What is to be said of each roof now, by its key: in as many queries for many roofs as for one."""
    roofs = {site.pk: site for site in sites}
    here = keys_of(sites)
    newest = {row.site_id: row for row in SiteAssessment.objects.filter(site__in=here).newest().only(*READ)}
    readings = last_readings(here)
    washed, booked = _visits(Visit.objects.filter(site__in=here), roofs, now)
    rain = _rain(list(roofs.values()), now)
    asked = _wished(roofs, now) | _asked(LeadEvent.objects.filter(lead__site__in=here), roofs, now)
    planes = set(Plane.objects.filter(site__in=here).order_by().values_list("site_id", flat=True))
    told = {}
    for key, site in roofs.items():
        row = newest.get(key)
        known = [day for day in (readings.get(key), row.readings_until if row else None) if day is not None]
        today = now.astimezone(ZoneInfo(site.tz)).date()
        visit = washed.get(key)
        cleaned = visit.cleaned_on if visit else None
        since = Since(
            today=today,
            readings_until=max(known) if known else None,
            washed_on=cleaned,
            result_told=visit is None or _result_told(visit, row, cleaned),
            booked_for=booked[key].astimezone(ZoneInfo(site.tz)) if key in booked else None,
            asked=asked.get(key),
            rain=rain.get(key, ()),
            calendar_on=Calendar(site.customer.business.calendar_months, cleaned or site.installed_on).due,
            lacks=site.missing_facts(planes=key in planes),
        )
        told[key] = recommend(
            kept_advice(row.advice) if row else None,
            _found(row) if row else None,
            since,
            currency=site.customer.business.currency,
        )
    return told


def last_readings(sites: Iterable[int] | QuerySet[Site, int]) -> dict[int, date]:
    """The last day with readings of each roof, by its key, where there is one."""
    last: dict[int, date] = {}
    here = sites if isinstance(sites, QuerySet) else list(sites)
    for site_id, _, day in Meter.objects.filter(site__in=here).last_days():
        if day is not None:
            last[site_id] = max(last.get(site_id, day), day)
    return last


def _visits(
    visits: QuerySet[Visit], roofs: dict[int, Site], now: datetime
) -> tuple[dict[int, Visit], dict[int, datetime]]:
    """The last wash of each roof, and the start of its next visit, or of one of which nobody noted what came of it."""
    washed: dict[int, Visit] = {}
    booked: dict[int, datetime] = {}
    visits = visits.filter(state__in=[VisitState.DONE, VisitState.BOOKED])
    for visit in visits.select_related("proof").order_by("finished_at", "pk"):
        if visit.site_id not in roofs:
            continue
        visit.site = roofs[visit.site_id]
        if visit.state == VisitState.DONE:
            washed[visit.site_id] = visit
        else:
            known = booked.get(visit.site_id, visit.starts_at)
            ahead = [start for start in (known, visit.starts_at) if not _day_is_over(start, visit.site, now)]
            booked[visit.site_id] = min(ahead) if ahead else max(known, visit.starts_at)
    return washed, booked


def _day_is_over(moment: datetime, site: Site, now: datetime) -> bool:
    zone = ZoneInfo(site.tz)
    return moment.astimezone(zone).date() < now.astimezone(zone).date()


def _result_told(visit: Visit, row: SiteAssessment | None, cleaned: date | None) -> bool:
    """Whether what the readings say of this wash is told, or never will be: until then the roof is just washed."""
    proof: Proof | None = getattr(visit, "proof", None)
    if proof is not None and (proof.gain is not None or proof.state == ProofState.SETTLED):
        return True
    return row is not None and cleaned is not None and row.as_of >= cleaned + LONGEST_RESULT


def _asked(events: QuerySet[LeadEvent], roofs: dict[int, Site], now: datetime) -> dict[int, Asked]:
    """What the owner of each roof wants of the firm; what waits for an answer goes first."""
    asked: dict[int, Asked] = {}
    for event in events.filter(lead__closed_at=None).select_related("lead").order_by("pk"):
        key, rests = event.lead.site_id, event.lead.snoozed_until
        if key not in roofs:
            continue
        if event.kind != EventKind.NOT_NOW:
            if event.answered_at is None:
                asked[key] = Asked.SOMETHING
        elif rests is not None and rests > now.astimezone(ZoneInfo(roofs[key].tz)).date():
            asked.setdefault(key, Asked.PEACE)
    return asked


def _wished(roofs: dict[int, Site], now: datetime) -> dict[int, Asked]:
    """Whose standing wish opened a lead of which nobody asked anything; who said later is left in peace until then."""
    wishing = [key for key, site in roofs.items() if site.wash_rhythm]
    if not wishing:
        return {}
    leads = Lead.objects.filter(site__in=wishing, by_customer=True, events=None, stage__in=NOT_ANSWERED)
    told = {}
    for key, rests in leads.values_list("site_id", "snoozed_until"):
        later = rests is not None and rests > now.astimezone(ZoneInfo(roofs[key].tz)).date()
        told[key] = Asked.PEACE if later else Asked.WISH
    return told


def _rain(sites: Sequence[Site], now: datetime) -> dict[int, tuple[tuple[date, float], ...]]:
    """Rain of late at the gauge nearest to each roof."""
    near = list(RainGauge.objects.all().within_reach(sites))
    found = {site.pk: nearest_gauge(near, site) for site in sites}
    nearest = {key: gauge.pk for key, gauge in found.items() if gauge is not None}
    fell: dict[int, list[tuple[date, float]]] = {}
    of_late = DayRain.objects.filter(gauge__in=set(nearest.values()), day__gte=(now - RAIN_LOOKED_AT).date())
    for gauge_id, day, mm in of_late.filter(rain_mm__gt=0).values_list("gauge_id", "day", "rain_mm"):
        fell.setdefault(gauge_id, []).append((day, mm))
    return {key: tuple(fell.get(gauge_id, ())) for key, gauge_id in nearest.items()}


def _found(row: SiteAssessment) -> Found:
    loss = None
    if row.present_loss is not None and row.loss_low is not None and row.loss_high is not None:
        loss = Range(row.loss_low, row.present_loss, row.loss_high)
    cost = None
    if loss is not None and row.value_lost_per_month is not None and loss.middle > 0:
        # What dirt costs goes with the loss.
        per_loss = float(row.value_lost_per_month) / loss.middle
        cost = Range(*(max(0.0, per_loss * one) for one in (loss.low, loss.middle, loss.high)))
    return Found(
        loss,
        cost,
        Cause(row.cause) if row.cause else None,
        row.less_since,
        tuple(Said(**said) if isinstance(said, dict) else said for said in row.reasons),
    )
