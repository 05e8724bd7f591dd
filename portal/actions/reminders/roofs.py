"""What the owner of a roof should hear, by its readings, its newest assessment and its washes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import OuterRef, Subquery

from portal.actions.reminders.hours import at_hour, next_decent, season_stopped, sending_rules
from portal.actions.reminders.kinds import LIFETIME, Wish
from portal.actions.washes import measured_gain, wash_due
from portal.models import (
    DayReadings,
    Meter,
    Reminder,
    ReminderKind,
    ReminderState,
    Site,
    SiteAssessment,
    Visit,
    VisitState,
)
from portal.pv.result import Cause, Verdict

SOON = timedelta(days=14)
QUIET_AFTER = timedelta(days=10)
FAULT_HOLDS = timedelta(days=3)
"""A fault must hold this long before anybody is told."""

NARROW_GAIN = 0.05
"""A gain is told once its 90 % interval is no wider than this, or after ``GAIN_WAITS``."""
GAIN_WAITS = timedelta(days=30)


@dataclass(slots=True)
class Known:
    """What planning needs to know of one site."""

    assessment: SiteAssessment | None = None
    last_reading: date | None = None
    last_wash: Visit | None = None
    visit_ahead: bool = False
    proven: list[Visit] = field(default_factory=list)
    told_soon_at: datetime | None = None


def what_is_known(sites: Sequence[Site], now: datetime) -> dict[int, Known]:
    known = {site.pk: Known() for site in sites}
    here = list(known)
    for assessment in SiteAssessment.objects.filter(site__in=here).newest():
        known[assessment.site_id].assessment = assessment
    # The newest day of each meter is one step in the index of its days; the greatest of all days would read them all.
    newest = DayReadings.objects.filter(meter=OuterRef("pk")).order_by("-day").values("day")[:1]
    meters = Meter.objects.filter(site__in=here).annotate(last=Subquery(newest)).exclude(last=None)
    for site_id, day in meters.values_list("site_id", "last"):
        known[site_id].last_reading = max(known[site_id].last_reading or day, day)
    visits = Visit.objects.filter(site__in=here).select_related("proof").order_by("finished_at", "pk")
    told_until = now - GAIN_WAITS - LIFETIME[ReminderKind.RESULT]
    for visit in visits.exclude(state=VisitState.CANCELLED):
        here_known = known[visit.site_id]
        if visit.state != VisitState.DONE:
            here_known.visit_ahead = True
            continue
        here_known.last_wash = visit
        assert visit.finished_at is not None, "a constraint sees to it"
        if visit.finished_at > told_until:
            here_known.proven.append(visit)
    told = Reminder.objects.filter(site__in=here, kind=ReminderKind.DUE_SOON, state=ReminderState.SENT)
    for site_id, sent_at in told.order_by("sent_at").values_list("site_id", "sent_at"):
        known[site_id].told_soon_at = sent_at
    return known


def wishes_of_roof(site: Site, known: Known, now: datetime) -> Iterator[Wish]:
    """What the owner of one roof should hear."""
    business = site.customer.business
    rules = sending_rules(business)
    soonest = next_decent(now, tz=site.tz, rules=rules)
    today = now.astimezone(ZoneInfo(site.tz)).date()

    def wish(kind: ReminderKind, about: object, *, due_at: datetime = soonest, visit: Visit | None = None) -> Wish:
        return Wish(kind, f"{site.pk}:{about}", due_at, business, site=site, visit=visit)

    if known.last_reading is None:
        if today - site.created_at.astimezone(ZoneInfo(site.tz)).date() >= timedelta(days=7):
            yield wish(ReminderKind.SEND_READINGS, "none")
    elif today - known.last_reading >= QUIET_AFTER:
        yield wish(ReminderKind.QUIET, known.last_reading)

    found = known.assessment
    if found is not None and found.verdict == Verdict.OTHER_FAULT:
        held = next_decent(now + FAULT_HOLDS, tz=site.tz, rules=rules)
        if found.cause != Cause.SNOW:
            yield wish(ReminderKind.OTHER_FAULT, found.cause or Cause.UNKNOWN, due_at=held)
    elif not known.visit_ahead and not season_stopped(today, rules):
        due = wash_due(site, found, known.last_wash).on
        since = wash_key(known.last_wash)
        if due is not None and today < due <= today + SOON:
            yield wish(ReminderKind.DUE_SOON, since)
        elif due is not None and due <= today and not _told_lately(known.told_soon_at, today, site):
            yield wish(ReminderKind.DUE, since)

    for visit in known.proven:
        if _gain_is_told(visit, now):
            yield wish(ReminderKind.RESULT, visit.pk, visit=visit)


def _told_lately(told_soon_at: datetime | None, today: date, site: Site) -> bool:
    """Whether "due soon" went so lately that "due" would only say it again."""
    return told_soon_at is not None and told_soon_at > at_hour(today, 0, ZoneInfo(site.tz)) - timedelta(days=9)


def _gain_is_told(visit: Visit, now: datetime) -> bool:
    gain = measured_gain(visit)
    if gain is None or visit.finished_at is None:
        return False
    _, low, high = gain
    return high - low <= NARROW_GAIN or now - visit.finished_at >= GAIN_WAITS


def wash_key(last_wash: Visit | None) -> int:
    """Cleaning reminders belong to the time since the last wash; 0 where none is known."""
    return last_wash.pk if last_wash else 0
