"""What speaks against a visit at a time by a crew. It is asked before anything is written or anybody is told."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Q
from django.utils.dates import WEEKDAYS
from django.utils.translation import gettext as _

from portal.models import DayOff, Membership, Site, User, Visit, VisitState
from portal.words.figures import clock_words, day_words

LONGEST_VISIT = timedelta(hours=12)
"""A visit begun longer before is over, whatever it was booked for. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """One thing that speaks against it."""

    key: str
    """What it is, the same in each language."""
    words: str


def doubts_about(
    site: Site,
    starts_at: datetime,
    *,
    minutes: int,
    technicians: Sequence[User],
    now: datetime,
    visit: Visit | None = None,
) -> list[Doubt]:
    """What speaks against this visit; ``visit`` is the one that is moved there."""
    zone = ZoneInfo(site.tz)
    day = starts_at.astimezone(zone).date()
    booked = Visit.objects.filter(state=VisitState.BOOKED)
    if visit is not None:
        booked = booked.exclude(pk=visit.pk)
    found = []
    if starts_at < now:
        found.append(Doubt("past", _("This time is past.")))
    for other in booked.filter(site=site, starts_at__gte=now).order_by("starts_at", "pk"):
        when = times_of(other)
        found.append(Doubt(f"roof {other.pk}", _("This roof has a visit already: {when}.").format(when=when)))
    ends_at = starts_at + timedelta(minutes=minutes)
    near = booked.filter(technicians__in=technicians, starts_at__lt=ends_at, starts_at__gt=starts_at - LONGEST_VISIT)
    busy = near.exclude(site=site).distinct().select_related("site__customer").prefetch_related("technicians")
    for other in busy.order_by("starts_at", "pk"):
        if other.ends_at > starts_at:
            who = ", ".join(str(one) for one in other.technicians.all() if one in technicians)
            if other.site.customer.business_id != site.customer.business_id:  # whose customers are that firm's own
                found.append(Doubt(f"busy elsewhere {who}", _("{who} works elsewhere then.").format(who=who)))
                continue
            words = _("{who} is booked then at {site}: {when}.")
            found.append(Doubt(f"busy {other.pk}", words.format(who=who, site=other.site, when=times_of(other))))
    return found + _hours(site, starts_at, ends_at) + _off(site, day, technicians) + _other_day(site, day)


def times_of(visit: Visit) -> str:
    """A visit's day, start and end, where its roof stands."""
    zone = ZoneInfo(visit.site.tz)
    start, end = visit.starts_at.astimezone(zone), visit.ends_at.astimezone(zone)
    return _("{day}, {start} to {end}").format(
        day=day_words(start.date()), start=clock_words(start), end=clock_words(end)
    )


def _hours(site: Site, starts_at: datetime, ends_at: datetime) -> list[Doubt]:
    """Outside of the firm's own days and hours."""
    firm = site.customer.business
    start, end = (moment.astimezone(ZoneInfo(firm.tz)) for moment in (starts_at, ends_at))
    if str(start.weekday()) not in firm.work_days:
        words = _("{firm} does not work on this day of the week: {day}.")
        return [Doubt("closed", words.format(firm=firm, day=WEEKDAYS[start.weekday()]))]
    inside = start.date() == end.date() and firm.works_from <= start.time() and end.time() <= firm.works_until
    if inside:
        return []
    begins, ends = (clock_words(one) for one in (firm.works_from, firm.works_until))
    words = _("This is outside of working hours, {begins} to {ends}.").format(begins=begins, ends=ends)
    return [Doubt("hours", words)]


def _off(site: Site, day: date, technicians: Sequence[User]) -> list[Doubt]:
    of_firm = DayOff.objects.filter(business=site.customer.business_id).between(day, day)
    rows = of_firm.filter(Q(user=None) | Q(user__in=technicians)).select_related("user", "business")
    said = []
    for row in rows.order_by("pk"):
        words = _("{who} is off on {day}.").format(who=row.user or row.business, day=day_words(day))
        said.append(Doubt(f"off {row.pk} {day}", f"{words} {row.why}".strip()))
    return said


def _other_day(site: Site, day: date) -> list[Doubt]:
    suits = site.customer.week_days
    if not suits or str(day.weekday()) in suits:
        return []
    days = ", ".join(str(WEEKDAYS[int(one)]) for one in suits)
    words = _("{name} asked for another day of the week: {days}.")
    return [Doubt(f"weekday {suits}", words.format(name=site.customer.name, days=days))]


def mark_of(doubts: Sequence[Doubt]) -> str:
    """Changes when something else speaks against it: who agreed to one thing did not agree to another."""
    return hashlib.sha256("\0".join(one.key for one in doubts).encode()).hexdigest()[:12] if doubts else ""


def hold_crew(technicians: Sequence[User], site: Site) -> None:
    """Hold these people's days until the transaction ends: of two who book them at once, the second sees the first."""
    rows = Membership.objects.filter(business=site.customer.business_id, user__in=technicians).order_by("pk")
    list(rows.select_for_update(of=("self",)))
