"""Assessments of sites: what the computation is given of them, and what is kept of what it says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pandas as pd
from django.db import transaction
from django.db.models import Max

from portal.actions.leads import review_lead
from portal.actions.proof import update_proofs
from portal.actions.reminders.plan import plan_reminders
from portal.actions.washes import outlook
from portal.models import (
    DayReadings,
    RainGauge,
    Site,
    SiteAssessment,
    SiteDaily,
    Visit,
    VisitState,
)
from portal.models.assessment import pack_daily
from portal.models.rain import nearest_gauge
from portal.pv.orientation import Seen, as_seen
from portal.pv.readings import SiteReadings
from portal.pv.result import Assessment, Band


def site_readings(site: Site) -> SiteReadings:
    """What the computation needs of a site: its facts, production and known cleanings."""
    return readings_of([site])[site.pk]


def readings_of(sites: Sequence[Site], *, since: Mapping[int, date] | None = None) -> dict[int, SiteReadings]:
    """The same of several sites, by their keys; what they share is asked for once.

    ``since`` gives the first day whose readings are needed, by site; where any of its meters has none since, all are.
    """
    begins = dict(since or {})
    newest = DayReadings.objects.filter(meter__site__in=begins).order_by().values_list("meter__site_id", "meter_id")
    for key, _, last in newest.annotate(last=Max("day")):
        if key in begins and last < begins[key]:
            del begins[key]
    finished: dict[int, set[date]] = {site.pk: set() for site in sites}
    zones = {site.pk: ZoneInfo(site.tz) for site in sites}
    washes = Visit.objects.filter(site__in=sites, state=VisitState.DONE).exclude(finished_at=None)
    for key, moment in washes.values_list("site_id", "finished_at"):
        assert moment is not None, "left out above"
        finished[key].add(moment.astimezone(zones[key]).date())
    gauges = list(RainGauge.objects.within_reach(sites))
    rain: dict[int, pd.Series[float]] = {}
    out = {}
    for site in sites:
        array = site.array()
        assert array is not None, "callers ask for sites with planes"
        energy_wh, interval_minutes = DayReadings.objects.all().site_energy_wh(site, since=begins.get(site.pk))
        if site.pk in begins and not energy_wh.notna().any():
            energy_wh, interval_minutes = DayReadings.objects.all().site_energy_wh(site)
        gauge = nearest_gauge(gauges, site)
        if gauge is not None and gauge.pk not in rain:
            rain[gauge.pk] = gauge.rain_mm()
        rain_mm = rain[gauge.pk] if gauge else None
        out[site.pk] = SiteReadings(
            array, energy_wh, interval_minutes, sorted(finished[site.pk]), rain_mm, key=str(site.pk)
        )
    return out


def keep_assessment(*, site: Site, result: Assessment, now: datetime) -> SiteAssessment:
    """Keep one result, and let proofs, lead and reminders follow it. Keeping the same day again replaces it."""
    loss, rate = result.present_loss_ci, result.soiling_rate_ci
    ahead = outlook(site=site, result=result)
    with transaction.atomic():
        kept, _ = SiteAssessment.objects.update_or_create(
            site=site,
            as_of=result.as_of,
            defaults={
                "made_at": now,
                "verdict": result.verdict,
                "cause": result.cause or "",
                "cause_began": result.cause_began,
                "present_loss": result.present_loss,
                "loss_low": loss.low if loss else None,
                "loss_high": loss.high if loss else None,
                "loss_quantiles": list(result.loss_quantiles),
                "soiling_rate_per_day": result.soiling_rate_per_day,
                "rate_low": rate.low if rate else None,
                "rate_high": rate.high if rate else None,
                "soiling_since": result.soiling_since,
                "reasons": [asdict(said) for said in result.reasons],
                "cleanings": [_gain(c.date, c.gain, c.gain_ci) for c in result.cleanings],
                "recoveries": [_gain(r.date, r.gain, r.gain_ci) for r in result.recoveries],
                "quality": asdict(result.data_quality),
                "readings_until": DayReadings.objects.last_day(site),
                "seen": _planes_as_seen(site, result.seen),
                "neighbours": result.neighbours,
                "energy_kwh_per_year": ahead.energy_kwh_per_year,
                "value_lost_per_month": ahead.value_lost_per_month,
                "clean_due": ahead.due_on,
                "due_basis": ahead.due.basis,
                "advice": ahead.advised.keep(),
            },
        )
        SiteDaily.objects.update_or_create(
            site=site, defaults={"as_of": result.as_of, "table": pack_daily(result.daily), "memory": result.memory}
        )
        update_proofs(now=now, site=site)
        review_lead(site=site, assessment=kept, now=now)
        plan_reminders(sites=[site], now=now)
    return kept


def _planes_as_seen(site: Site, seen: Seen | None) -> list[dict[str, object]]:
    """Each plane as told when the assessment was made, and as seen, in whole degrees; empty where it is as told."""
    array = site.array()
    if seen is None or array is None:
        return []
    return [
        {
            "plane": plane.pk,
            "told": [plane.tilt, plane.azimuth],
            "seen": [round(found.tilt), round(found.azimuth) % 360],
        }
        for plane, found in zip(site.planes.all(), as_seen(array, seen).planes, strict=True)
    ]


def _gain(day: date, gain: float | None, band: Band | None) -> dict[str, object]:
    return {
        "date": day.isoformat(),
        "gain": gain,
        "low": band.low if band else None,
        "high": band.high if band else None,
    }
