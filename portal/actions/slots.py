"""Free times for a visit, best first: near a round that is there already."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from portal.actions.travel import BESIDE_WORK, drive, road_km, starts_of
from portal.models import Business, DayOff, Role, Site, User, Visit, VisitState
from portal.pv.town import Place

LOOKED_AHEAD = 21
"""So many days ahead a visit is proposed. Common practice, no source."""
PROPOSED = 3
"""Times that are proposed. No source."""
MOST_DRIVING = timedelta(hours=2)
"""A time that lengthens a round by more is not proposed. Common practice, no source."""
SLOT_STEP = timedelta(minutes=15)
"""Visits begin at a quarter of an hour. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Slot:
    """A free time of one technician."""

    starts_at: datetime
    technician: User
    beside: Visit | None
    """The visit of that day's round that is nearest; None on a day without one."""
    beside_km: float
    """By road from that visit, or from where the technician sets out [km]."""
    more_km: float
    """So much longer the day's round becomes, by road [km]."""

    @property
    def iso(self) -> str:
        return self.starts_at.isoformat()

    @property
    def more_minutes(self) -> int:
        return round(drive(self.more_km).total_seconds() / 60)


@dataclass(frozen=True, slots=True)
class _Stop:
    """A place where the van is until, or from, a moment."""

    place: Place | None
    arrives: datetime
    leaves: datetime
    visit: Visit | None = None


def best_slots(site: Site, *, minutes: int, now: datetime) -> list[Slot]:
    """The best times for a visit of so many minutes: those that lengthen a round of that day the least.

    Days on which the firm, the technician or the customer has no time are left out, and those on which the roof has a
    visit already. A day without any visit counts with all of its way out and home. One slot a technician and day.
    """
    business = site.customer.business
    zone = ZoneInfo(business.tz)
    today = now.astimezone(zone).date()
    days = [today + timedelta(days=n) for n in range(1, LOOKED_AHEAD + 1)]
    suits = site.customer.week_days or "0123456"
    days = [day for day in days if str(day.weekday()) in business.work_days and str(day.weekday()) in suits]
    if not days:
        return []
    crew = User.objects.filter(
        memberships__business=business, memberships__role=Role.TECHNICIAN, is_active=True
    ).order_by("pk")
    rounds, starts = _rounds(business, days, zone), starts_of(business)
    off = list(DayOff.objects.filter(business=business).between(days[0], days[-1]))
    found = []
    taken = {day for (_, day), visits in rounds.items() if any(one.site_id == site.pk for one in visits)}
    for day in days:
        away = {row.user_id for row in off if row.covers(day)}
        if None in away or day in taken:
            continue
        for person in crew:
            if person.pk not in away:
                found += list(
                    _slots(site, person, day, rounds.get((person.pk, day), []), minutes, starts.of([person]))
                )[:1]
    return sorted(found, key=lambda slot: (round(slot.more_km), slot.starts_at, slot.technician.pk))[:PROPOSED]


def _rounds(business: Business, days: Sequence[date], zone: ZoneInfo) -> dict[tuple[int, date], list[Visit]]:
    """Each technician's visits of each day, in the order of time."""
    booked = Visit.objects.filter(site__customer__business=business, state=VisitState.BOOKED)
    booked = booked.between(days[0], days[-1], tz=business.tz).order_by("starts_at", "pk")
    rounds: dict[tuple[int, date], list[Visit]] = {}
    for visit in booked.select_related("site__customer").prefetch_related("technicians"):
        for person in visit.technicians.all():
            rounds.setdefault((person.pk, visit.starts_at.astimezone(zone).date()), []).append(visit)
    return rounds


def _slots(
    site: Site, person: User, day: date, visits: Sequence[Visit], minutes: int, start: Place | None
) -> Iterator[Slot]:
    """The gaps of a round that the visit fits into, with the way there and on; the shortest way first."""
    business = site.customer.business
    zone, here = ZoneInfo(business.tz), site.place
    begins = datetime.combine(day, business.works_from, zone)
    ends = datetime.combine(day, business.works_until, zone)
    # The first visit begins with work, so the way to it is before; the last ends with work, and the way home is after.
    stops = [
        _Stop(start, begins, begins),
        *(_Stop(one.site.place, one.starts_at, one.ends_at, one) for one in visits),
        _Stop(start, ends, ends),
    ]
    fits = []
    for before, after in pairwise(stops):
        there, on = road_km(before.place, here), road_km(here, after.place)
        earliest = max(begins, before.leaves + drive(there))
        if before.visit is None:
            earliest = max(begins, begins - BESIDE_WORK + drive(there))
        starts_at = _rounded_up(earliest)
        leaves = starts_at + timedelta(minutes=minutes)
        home_by = ends + BESIDE_WORK if after.visit is None else after.arrives
        more = there + on - road_km(before.place, after.place)
        if leaves > min(after.arrives, home_by - drive(on)) or drive(more) > MOST_DRIVING:
            continue
        near = [
            (km, stop.visit)
            for km, stop in ((there, before), (on, after))
            if stop.visit is not None and stop.place is not None and here is not None
        ]
        beside_km, beside = min(near, key=lambda one: one[0]) if near else (road_km(start, here), None)
        fits.append(Slot(starts_at, person, beside, beside_km, max(0.0, more)))
    yield from sorted(fits, key=lambda slot: (round(slot.more_km), slot.starts_at))


def _rounded_up(moment: datetime) -> datetime:
    midnight = datetime.combine(moment.date(), time.min, moment.tzinfo)
    return midnight + math.ceil((moment - midnight) / SLOT_STEP) * SLOT_STEP
