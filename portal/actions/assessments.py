"""Assessments of sites: what the computation is given of them, and what is kept of what it says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
from django.db import transaction

from portal.actions.advice import last_readings
from portal.actions.leads import review_leads
from portal.actions.proof import update_proofs
from portal.actions.reminders.plan import plan_reminders
from portal.actions.washes import Outlook
from portal.models import (
    DayReadings,
    Meter,
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
    for key, _, last in Meter.objects.filter(site__in=begins).last_days():
        if key in begins and last is not None and last < begins[key]:
            del begins[key]
    finished: dict[int, set[date]] = {site.pk: set() for site in sites}
    zones = {site.pk: ZoneInfo(site.tz) for site in sites}
    washes = Visit.objects.filter(site__in=sites, state=VisitState.DONE).exclude(finished_at=None)
    for key, moment in washes.values_list("site_id", "finished_at"):
        assert moment is not None, "left out above"
        finished[key].add(moment.astimezone(zones[key]).date())
    recent = DayReadings.objects.all().since({site: begins[site.pk] for site in sites if site.pk in begins})
    rain = _rain(sites)
    out = {}
    for site in sites:
        array = site.array()
        assert array is not None, "callers ask for sites with planes"
        energy_wh, interval_minutes = recent.get(site.pk) or DayReadings.objects.all().site_energy_wh(site)
        if site.pk in begins and not energy_wh.notna().any():
            energy_wh, interval_minutes = DayReadings.objects.all().site_energy_wh(site)
        visits = sorted(finished[site.pk])
        out[site.pk] = SiteReadings(array, energy_wh, interval_minutes, visits, rain.get(site.pk), key=str(site.pk))
    return out


def _rain(sites: Sequence[Site]) -> dict[int, pd.Series[float]]:
    """Rain at the gauge nearest to each site, where there is one."""
    gauges = list(RainGauge.objects.within_reach(sites))
    nearest = {site.pk: gauge for site in sites if (gauge := nearest_gauge(gauges, site)) is not None}
    fell = {gauge.pk: gauge.rain_mm() for gauge in set(nearest.values())}
    return {key: fell[gauge.pk] for key, gauge in nearest.items()}


def keep_assessments(
    *, results: Sequence[tuple[Site, Assessment]], ahead: Sequence[Outlook], now: datetime
) -> list[SiteAssessment]:
    """Keep results, one a site, and let proofs, leads and reminders follow them; the same day again replaces it.

    ``ahead`` is what :func:`portal.actions.washes.outlooks` makes of them: who holds a lock works it out before.
    In as many queries for many roofs as for one, but for those at which something moved.
    """
    sites = [site for site, _ in results]
    read_until = last_readings(site.pk for site in sites)
    rows = [
        _row(site, result, one, read_until.get(site.pk), now)
        for (site, result), one in zip(results, ahead, strict=True)
    ]
    with transaction.atomic():
        SiteAssessment.objects.all().keep(rows)
        _keep_tables(results, [one.fan.keep() if one.fan else {} for one in ahead])
        update_proofs(now=now, sites=sites)
        review_leads(assessments=rows, now=now)
        plan_reminders(sites=sites, now=now)
    return rows


def _keep_tables(results: Sequence[tuple[Site, Assessment]], fans: Sequence[dict[str, Any]]) -> None:
    """Keep the daily tables, whole after a full fit, else the days since it alone; and beside each the year ahead."""
    there = set(SiteDaily.objects.filter(site__in=[site for site, _ in results]).values_list("site_id", flat=True))
    whole, tails = [], []
    for (site, result), fan in zip(results, fans, strict=True):
        row = SiteDaily(site=site, as_of=result.as_of, table=b"", tail=b"", fan=fan)
        if result.stands and site.pk in there:
            row.tail = pack_daily(result.daily.iloc[result.stands :])
            tails.append(row)
        else:
            row.table, row.memory = pack_daily(result.daily), result.memory
            whole.append(row)
    both = ["as_of", "tail", "fan"]
    for rows, fields in ((whole, [*both, "table", "memory"]), (tails, both)):
        SiteDaily.objects.bulk_create(rows, update_conflicts=True, unique_fields=["site"], update_fields=fields)


def _row(site: Site, result: Assessment, ahead: Outlook, read_until: date | None, now: datetime) -> SiteAssessment:
    row = SiteAssessment(
        site=site,
        as_of=result.as_of,
        made_at=now,
        verdict=result.verdict,
        cause=result.cause or "",
        cause_began=result.cause_began,
        present_loss=result.present_loss,
        loss_quantiles=list(result.loss_quantiles),
        soiling_rate_per_day=result.soiling_rate_per_day,
        soiling_since=result.soiling_since,
        reasons=[asdict(said) for said in result.reasons],
        cleanings=[_gain(c.date, c.gain, c.gain_ci) for c in result.cleanings],
        recoveries=[_gain(r.date, r.gain, r.gain_ci) for r in result.recoveries],
        quality=asdict(result.data_quality),
        readings_until=read_until,
        seen=_planes_as_seen(site, result.seen),
        neighbours=result.neighbours,
        energy_kwh_per_year=ahead.energy_kwh_per_year,
        value_lost_per_month=ahead.value_lost_per_month,
        clean_due=ahead.due_on,
        due_basis=ahead.due.basis,
        advice=ahead.advised.keep(),
    )
    if loss := result.present_loss_ci:
        row.loss_low, row.loss_high = loss.low, loss.high
    return row


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
