"""Visits day by day: what a page of the list shows, and each crew's round."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _

from portal.actions.roof_warnings import RoofWarnings, visit_warnings
from portal.actions.travel import Starts, starts_of
from portal.actions.visits import in_route_order
from portal.actions.week import crew_of
from portal.models import Business, User, Visit
from portal.models.visit import VisitQuerySet
from portal.views.setting_out import SettingOut, sets_out

DAYS_A_PAGE = 14


@dataclass(frozen=True, slots=True)
class CrewStops:
    """One crew's visits of a day, in the order to drive or to be there."""

    crew: str
    stops: list[tuple[Visit, RoofWarnings, SettingOut | None]]
    km: float


@dataclass(frozen=True, slots=True)
class VisitDay:
    """One local day's visits."""

    day: date
    rounds: list[CrewStops]


def coming_days(visits: VisitQuerySet, now: datetime) -> dict[date, list[int]]:
    """Keys of the visits of each local day from today on, in the order of days."""
    days: dict[date, list[int]] = {}
    for key, starts_at, tz in visits.order_by("starts_at", "pk").values_list("pk", "starts_at", "site__tz"):
        day = starts_at.astimezone(ZoneInfo(tz)).date()
        if day >= now.astimezone(ZoneInfo(tz)).date():
            days.setdefault(day, []).append(key)
    return dict(sorted(days.items()))


def days_of_visits(visits: Sequence[Visit], *, by_route: bool, reader: User, now: datetime) -> list[VisitDay]:
    days: dict[date, list[Visit]] = {}
    for visit in visits:
        days.setdefault(visit.starts_at.astimezone(ZoneInfo(visit.site.tz)).date(), []).append(visit)
    known, out = visit_warnings(visits, reader=reader, now=now), sets_out(visits, reader=reader, now=now)

    def stops(ordered: Iterable[Visit]) -> list[tuple[Visit, RoofWarnings, SettingOut | None]]:
        return [(one, known[one.pk], out.get(one.pk)) for one in ordered]

    if not by_route:
        return [VisitDay(day, [CrewStops("", stops(of_day), 0.0)]) for day, of_day in days.items()]
    starts = {firm: starts_of(firm) for firm in {one.site.customer.business for one in visits}}
    rounds = {day: _rounds(of_day, starts) for day, of_day in days.items()}
    return [VisitDay(day, [CrewStops(crew, stops(ordered), km) for crew, ordered, km in rounds[day]]) for day in rounds]


def names_of(crew: Iterable[User]) -> str:
    """Who is sent together, in a line."""
    return ", ".join(sorted(map(str, crew))) or _("Nobody sent yet")


def _rounds(of_day: Iterable[Visit], starts: Mapping[Business, Starts]) -> list[tuple[str, list[Visit], float]]:
    """Each crew's own round, and its kilometres: two vans do not share a route."""
    crews: dict[tuple[User, ...], list[Visit]] = {}
    for visit in of_day:
        crews.setdefault(crew_of(visit), []).append(visit)
    rounds = []
    for crew, own in crews.items():
        start = starts[own[0].site.customer.business].of(crew)
        rounds.append((names_of(crew), *in_route_order(own, start)))
    return sorted(rounds, key=lambda one: one[0])
