"""The week by crews: each round with the way between its stops, and putting a round in the order of the route."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from portal.actions.doubts import hold_crew
from portal.actions.travel import BESIDE_WORK, drive, road_km, starts_of, whole_steps
from portal.actions.visits import in_route_order, overlapping
from portal.models import Business, DayOff, Role, User, Visit, VisitState
from portal.pv.town import Place


@dataclass(frozen=True, slots=True)
class Stop:
    """A visit of a round, and the way to it from the stop before, or from where the crew sets out."""

    visit: Visit
    km: float
    minutes: int
    late: bool
    """The way takes longer than the time there is for it."""


@dataclass(frozen=True, slots=True)
class Round:
    """One crew's visits of one day in the order of time; kilometres are by road, out and home."""

    day: date
    stops: list[Stop]
    km: float
    route_km: float
    route_moves: int
    """How many visits would begin at another time in the order of the route."""
    off: str
    """Why nobody of this crew works on that day; empty where they do."""

    @property
    def saves_km(self) -> float:
        """How much shorter it would be in the order of the route."""
        return max(0.0, self.km - self.route_km)

    @property
    def minutes(self) -> int:
        """Washing and driving together."""
        driving = drive(self.km).total_seconds() / 60
        return sum(stop.visit.minutes for stop in self.stops) + round(driving)


@dataclass(frozen=True, slots=True)
class CrewWeek:
    """One row of the week: who is sent together, and their rounds day by day."""

    crew: list[User]
    rounds: list[Round]
    own_start: bool
    """They set out from elsewhere than the yard."""

    @property
    def key(self) -> str:
        return "-".join(str(person.pk) for person in self.crew)


def crew_of(visit: Visit) -> tuple[User, ...]:
    """Who is sent to a visit together, in a fixed order: visits of one crew on one day are one round."""
    return tuple(sorted(visit.technicians.all(), key=lambda one: one.pk))


def week_of(business: Business, first: date) -> list[CrewWeek]:
    """The seven days from ``first`` on of each technician, of each crew of several, and of visits nobody is sent to."""
    zone, days = ZoneInfo(business.tz), [first + timedelta(days=n) for n in range(7)]
    visits = Visit.objects.filter(site__customer__business=business).standing()
    visits = visits.between(days[0], days[-1], tz=business.tz).with_site().order_by("starts_at", "pk")
    technicians = User.objects.filter(memberships__business=business, memberships__role=Role.TECHNICIAN, is_active=True)
    crews: dict[tuple[int, ...], list[User]] = {(one.pk,): [one] for one in technicians.order_by("name", "pk")}
    rounds: dict[tuple[tuple[int, ...], date], list[Visit]] = {}
    for visit in visits:
        crew = crew_of(visit)
        key = tuple(one.pk for one in crew)
        crews.setdefault(key, list(crew))
        rounds.setdefault((key, visit.starts_at.astimezone(zone).date()), []).append(visit)
    off, starts = list(DayOff.objects.filter(business=business).between(days[0], days[-1])), starts_of(business)
    return [
        CrewWeek(
            crew,
            [
                _round(business, day, rounds.get((key, day), []), starts.of(crew), off=_off(off, key, day))
                for day in days
            ],
            own_start=any(one in starts.own for one in key),
        )
        for key, crew in sorted(crews.items(), key=lambda one: (len(one[0]) != 1, len(one[0])))
    ]


def _off(rows: Iterable[DayOff], crew: Sequence[int], day: date) -> str:
    for row in rows:
        if row.covers(day) and (row.user_id is None or row.user_id in crew):
            return row.why or _("day off")
    return ""


def _round(business: Business, day: date, visits: Sequence[Visit], start: Place | None, *, off: str) -> Round:
    stops, before = [], None
    leaves_at = datetime.combine(day, business.works_from, ZoneInfo(business.tz)) - BESIDE_WORK
    for visit in visits:
        km = road_km(before.site.place if before else start, visit.site.place)
        # Who is booked before work begins sets out as early as that takes.
        late = leaves_at + drive(km) > visit.starts_at if before or drive(km) > BESIDE_WORK else False
        leaves_at = visit.ends_at
        stops.append(Stop(visit, km, round(drive(km).total_seconds() / 60), late))
        before = visit
    times, km = route_times(visits, start)
    return Round(
        day=day,
        stops=stops,
        km=_closed_km([one.site.place for one in visits], start),
        route_km=km,
        route_moves=sum(starts_at != visit.starts_at for visit, starts_at in times),
        off=off,
    )


def round_of(business: Business, day: date, crew: Iterable[int]) -> list[Visit]:
    """One crew's standing visits of a day; ``crew`` are the keys of just who is sent together."""
    sent = set(crew)
    visits = Visit.objects.filter(site__customer__business=business).standing().between(day, day, tz=business.tz)
    return [one for one in visits.with_site() if {person.pk for person in crew_of(one)} == sent]


def route_times(visits: Sequence[Visit], start: Place | None) -> tuple[list[tuple[Visit, datetime]], float]:
    """A round's visits in the order of the route, each with the time it then begins, and its length by road [km].

    It begins when its first visit begins now.
    """
    ordered, km = in_route_order(visits, start)
    times: list[tuple[Visit, datetime]] = []
    for visit in ordered:
        starts_at = min(one.starts_at for one in visits)
        if times:
            before, began_at = times[-1]
            way = drive(road_km(before.site.place, visit.site.place))
            starts_at = began_at + whole_steps(timedelta(minutes=before.minutes) + way)
        times.append((visit, starts_at))
    return times, km


def _closed_km(places: Sequence[Place | None], start: Place | None) -> float:
    """Out and home by road; without a start, back to the first roof. Roofs whose place nobody knows are left out."""
    known = [place for place in places if place is not None]
    if not known:
        return 0.0
    ends = [start or known[0]]
    return sum(road_km(a, b) for a, b in pairwise([*ends, *known, *ends]))


@transaction.atomic
def order_by_route(*, visits: Sequence[Visit], now: datetime) -> list[Visit]:
    """Give a round's visits the times of the shortest way found, from when its first visit begins.

    Customers whose time changes are told by the same mail as after any other move. Nothing is changed where something
    speaks against the new times.
    """
    held = Visit.objects.select_for_update(of=("self",)).filter(pk__in=[one.pk for one in visits])
    visits = list(held.select_related("site__customer__business").order_by("pk"))
    booked = [one for one in visits if one.state == VisitState.BOOKED]
    if len(booked) < max(2, len(visits)) or min(one.starts_at for one in booked) < now:
        raise ValidationError(_("A round is put in order while all of its visits are still to come."))
    hold_crew([person for one in booked for person in one.technicians.all()], booked[0].site)
    moved = []
    start = starts_of(booked[0].site.customer.business).of(booked[0].technicians.all())
    for visit, starts_at in route_times(booked, start)[0]:
        if visit.starts_at != starts_at:
            visit.starts_at = starts_at
            visit.revision += 1
            visit.save(update_fields=["starts_at", "revision", "changed_at"])
            moved.append(visit)
    for visit in moved:
        for other in overlapping(visit):
            raise ValidationError(
                _("{site} would then be at the same time as {other}.").format(site=visit.site, other=other.site)
            )
    return moved
