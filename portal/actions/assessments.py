"""The nightly job: assess every site, town by town, and let leads and reminders follow.

A ``Night`` row is one site's place in the queue. Asking twice makes one row; a row asked for again while its site is
being assessed stays waiting, so that readings which came in meanwhile are not missed.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import date, datetime, timedelta
from functools import partial
from zoneinfo import ZoneInfo

from django.db import transaction
from django.utils.translation import gettext_noop

from portal.actions.jobs import ask_for
from portal.actions.leads import review_lead
from portal.actions.proof import update_proofs
from portal.actions.reminders.plan import plan_reminders
from portal.actions.washes import outlook
from portal.models import (
    Business,
    DayReadings,
    Meter,
    Night,
    NightState,
    RainGauge,
    Site,
    SiteAssessment,
    SiteDaily,
    Visit,
    VisitState,
)
from portal.models.assessment import NightQuerySet, pack_daily
from portal.pv.assessment import assess, assess_town
from portal.pv.orientation import Seen, as_seen
from portal.pv.readings import SiteReadings
from portal.pv.result import Assessment, Band
from portal.pv.said import Code, Said
from portal.pv.town import towns

log = logging.getLogger(__name__)

STALLED_AFTER = timedelta(minutes=10)
"""A night still waiting after this has lost its message; the poll asks again."""


def ask_for_assessment(site: Site, *, now: datetime, changed_since: date | None = None) -> Night:
    """Put a site in the queue of its local day and ask the worker to assess it.

    ``changed_since`` is the first day whose readings changed: what the last assessment remembered of it is forgotten.
    """
    day = now.astimezone(ZoneInfo(site.tz)).date()
    with transaction.atomic():
        night, _ = Night.objects.update_or_create(
            site=site, day=day, defaults={"state": NightState.WAITING, "asked_at": now, "problem": ""}
        )
        if changed_since is not None:
            SiteDaily.objects.filter(site=site, as_of__gte=changed_since).update(memory=b"")
    transaction.on_commit(lambda: ask_for("assess_nights", [night.pk]))
    return night


def start_night(*, now: datetime) -> int:
    """Queue every site that has a plane, and ask for one job a town. Returns how many sites wait.

    Run twice on one day it queues nothing new.
    """
    for site in Site.objects.filter(planes__isnull=False).distinct():
        day = now.astimezone(ZoneInfo(site.tz)).date()
        Night.objects.get_or_create(site=site, day=day, defaults={"asked_at": now})
    return _ask_by_town(Night.objects.waiting())


def poll_nights(*, now: datetime) -> int:
    """Ask again for nights whose message was lost. Returns how many."""
    return _ask_by_town(Night.objects.waiting().filter(asked_at__lt=now - STALLED_AFTER))


def _ask_by_town(nights: NightQuerySet) -> int:
    by_business: dict[int, list[Night]] = {}
    for night in nights.select_related("site__customer"):
        by_business.setdefault(night.site.customer.business_id, []).append(night)
    asked = 0
    for waiting in by_business.values():
        for town in _towns([night.site for night in waiting]):
            inside = {site.pk for site in town}
            keys = [night.pk for night in waiting if night.site_id in inside]
            transaction.on_commit(partial(ask_for, "assess_nights", keys))
            asked += len(keys)
    return asked


def _towns(sites: Sequence[Site]) -> list[list[Site]]:
    """Sites that share their sky, each group together."""
    labels = towns([site.latitude for site in sites], [site.longitude for site in sites])
    groups: dict[int, list[Site]] = {}
    for site, label in zip(sites, labels, strict=True):
        groups.setdefault(int(label), []).append(site)
    return list(groups.values())


def assess_nights(*, nights: Sequence[int], now: datetime) -> int:
    """Assess the towns of these nights, as far as they still wait. Returns how many sites were done.

    Whatever else waits in a town is done along with it, so that many files sent at once cost one joint assessment;
    the messages that come later then find nothing to do.
    """
    asked = Night.objects.waiting().filter(pk__in=nights)
    wanted = set(asked.values_list("site_id", flat=True))
    done = 0
    for business in Business.objects.filter(customers__sites__in=wanted).distinct():
        everyone = list(
            Site.objects.filter(customer__business=business, planes__isnull=False)
            .distinct()
            .select_related("customer__business")
            .prefetch_related("planes")
        )
        for town in _towns(everyone):
            if any(site.pk in wanted for site in town):
                done += _assess_town(town, now=now)
    return done


def _assess_town(town: Sequence[Site], *, now: datetime) -> int:
    # the newest night of a site speaks for those before it, which a worker that was away left behind
    waiting = {night.site_id: night for night in Night.objects.waiting().filter(site__in=town).order_by("day")}
    if not waiting:  # another worker did this town while we did the one before
        return 0
    remembered = dict(SiteDaily.objects.filter(site__in=town).values_list("site_id", "memory"))
    inputs = {site.pk: site_readings(site) for site in town}
    surplus = set(Meter.objects.filter(site__in=town, mapping__export="surplus").values_list("site_id", flat=True))
    for key in surplus & inputs.keys():
        inputs[key] = replace(inputs[key], energy_wh=inputs[key].energy_wh.iloc[:0])
    company = [readings for readings in inputs.values() if not readings.energy_wh.empty]
    previous = [bytes(remembered.get(int(readings.key), b"")) for readings in company]
    as_of = max(night.day for night in waiting.values()) - timedelta(days=1)
    try:
        found = assess_town(company, as_of=as_of, previous=previous)
        results = dict(zip((readings.key for readings in company), found, strict=True))
    except Exception:  # one unreadable roof must not cost its neighbours their answer
        log.exception("joint assessment failed; assessing %d sites one by one", len(company))
        results = {}
    done = 0
    for site in town:
        if site.pk not in waiting:
            continue
        night, readings = waiting[site.pk], inputs[site.pk]
        theirs = Night.objects.waiting().filter(site=site, asked_at__lte=night.asked_at)
        try:
            result = results.get(readings.key) or assess(readings, as_of=as_of)
        except Exception:  # recorded on the night's row, logged, and the other sites go on
            log.exception("assessment of site %d failed", site.pk)
            theirs.update(
                state=NightState.FAILED,
                problem=gettext_noop(
                    "The assessment of this site stopped with an error. It is in the server's log; the "
                    "figures shown are those of the last good night."
                ),
            )
            continue
        if site.pk in surplus:
            result = replace(result, reasons=(Said(Code.ONLY_SURPLUS),))
        with transaction.atomic():
            # Asked for again meanwhile: the night stays waiting, and what was computed from the readings of before
            # is not remembered.
            asked_once = Night.objects.select_for_update().filter(pk=night.pk, asked_at=night.asked_at).exists()
            keep_assessment(site=site, result=result if asked_once else replace(result, memory=b""), now=now)
            theirs.update(state=NightState.DONE, problem="")
        done += 1
    return done


def site_readings(site: Site) -> SiteReadings:
    """What the computation needs of a site: its facts, production and known cleanings."""
    array = site.array()
    assert array is not None, "callers ask for sites with planes"
    energy_wh, interval_minutes = DayReadings.objects.all().site_energy_wh(site)
    zone = ZoneInfo(site.tz)
    finished = Visit.objects.filter(site=site, state=VisitState.DONE).values_list("finished_at", flat=True)
    visits = sorted({moment.astimezone(zone).date() for moment in finished if moment})
    gauge = RainGauge.objects.nearest(site)
    rain_mm = gauge.rain_mm() if gauge else None
    return SiteReadings(array, energy_wh, interval_minutes, visits, rain_mm, key=str(site.pk))


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
                "clean_due": ahead.due.on,
                "due_basis": ahead.due.basis,
                "due_reasons": [asdict(said) for said in ahead.due.reasons],
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
