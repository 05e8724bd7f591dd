"""When a customer may expect the van: between two times on the evening before, and at one once it has set out."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from portal.actions.travel import TO_THE_NEXT, drive, road_km, starts_of, whole_steps
from portal.models import EntryKind, Visit, VisitEntry
from portal.models.visit import VisitQuerySet

FIRST_WITHIN = timedelta(minutes=30)
LATER_EACH = timedelta(minutes=15)
WITHIN_AT_MOST = timedelta(hours=2)
"""The first stop of a round begins within so long of its time; each wash before it may take so much longer than booked.
Common practice, no source."""
LONGEST_DRIVE = timedelta(hours=4)
"""No round of one day has a longer way between two roofs. Common practice, no source."""


def stops_before(visit: Visit) -> VisitQuerySet:
    """What the same people do for the same firm on that day before this visit, in its order."""
    firm = visit.site.customer.business
    day = visit.starts_at.astimezone(ZoneInfo(firm.tz)).date()
    same = Visit.objects.standing().between(day, day, tz=firm.tz).filter(site__customer__business=firm)
    ours = same.filter(technicians__in=visit.technicians.all(), starts_at__lt=visit.starts_at)
    return ours.exclude(pk=visit.pk).distinct().order_by("starts_at", "pk")


def arrival_window(visit: Visit) -> tuple[datetime, datetime]:
    """Not before its time, and later the more washes come before it on that day."""
    slack = FIRST_WITHIN + stops_before(visit).count() * LATER_EACH
    return visit.starts_at, visit.starts_at + min(slack, WITHIN_AT_MOST)


def way_from(before: Visit | None, visit: Visit) -> int | None:
    """How long the van takes from this stop, or without one from where its crew sets out [min].

    None where a place is not known, or is further away than any round goes: the yard of another town, say.
    """
    start = before.site.place if before else starts_of(visit.site.customer.business).of(visit.technicians.all())
    if start is None or visit.site.place is None:
        return None
    way = max(whole_steps(drive(road_km(start, visit.site.place))), TO_THE_NEXT)
    return math.ceil(way.total_seconds() / 60) if way <= LONGEST_DRIVE else None


def expected_at(visit: Visit) -> datetime | None:
    """When the van is there, as its crew last said; None before it has set out."""
    said = visit.entries.filter(kind=EntryKind.SET_OUT).order_by("at", "pk").last()
    return there_by(said) if said is not None else None


def there_by(said: VisitEntry) -> datetime:
    """When the van is there, by what its crew said when it set out."""
    there = said.at + timedelta(minutes=said.drive_minutes or 0)
    midnight = there.replace(hour=0, minute=0, second=0, microsecond=0)
    return midnight + whole_steps(there - midnight)
