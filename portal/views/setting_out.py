"""The word that the van sets out: on the visit's sheet, and in the day's lists of who is sent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from uuid import UUID, uuid4
from zoneinfo import ZoneInfo

from django.db.models import prefetch_related_objects

from portal.actions.arrival import there_by, way_from
from portal.actions.reminders.kinds import KINDS_AT_ONCE
from portal.models import EntryKind, Reminder, User, Visit, VisitState


@dataclass(frozen=True, slots=True)
class SettingOut:
    """What the button of one visit needs, and what came of pressing it."""

    opens: datetime
    closes: datetime
    """The visit's own day. A page that was put aside on the day before shows the button from then on."""
    open: bool
    first: bool
    """The first of its day that nobody has set out to."""
    way: int | None
    there_at: datetime | None
    mail: Reminder | None
    identity: UUID


def sets_out(visits: Sequence[Visit], *, reader: User | None, now: datetime) -> dict[int, SettingOut]:
    """Of visits today and tomorrow, in their order, that are booked and where nobody is yet.

    With a ``reader``, of those that they are sent to; the way is reckoned from the one before among ``visits``.
    """
    days = {visit.pk: _day_of(visit) for visit in visits}
    soon = [
        visit
        for visit in visits
        if visit.state == VisitState.BOOKED
        and days[visit.pk] <= now + timedelta(days=1)
        and now < days[visit.pk] + timedelta(days=1)
        and (reader is None or reader in visit.technicians.all())
    ]
    prefetch_related_objects(soon, "entries")
    mails = Reminder.objects.filter(visit__in=soon, kind__in=KINDS_AT_ONCE).order_by("pk")
    told = {mail.visit_id: mail for mail in mails}
    found: dict[int, SettingOut] = {}
    waits: set[datetime] = set()
    for visit in soon:
        entries = list(visit.entries.all())
        if any(entry.kind == EntryKind.ARRIVED for entry in entries):
            continue
        said = [entry for entry in entries if entry.kind == EntryKind.SET_OUT]
        opens = days[visit.pk]
        found[visit.pk] = SettingOut(
            opens=opens,
            closes=opens + timedelta(days=1),
            open=opens <= now,
            first=not said and opens not in waits,
            way=way_from(_before(visit, visits, days), visit),
            there_at=there_by(said[-1]) if said else None,
            mail=told.get(visit.pk),
            identity=uuid4(),
        )
        waits |= set() if said else {opens}
    return found


def _day_of(visit: Visit) -> datetime:
    zone = ZoneInfo(visit.site.tz)
    return datetime.combine(visit.starts_at.astimezone(zone).date(), time.min, zone)


def _before(visit: Visit, visits: Sequence[Visit], days: dict[int, datetime]) -> Visit | None:
    """The stop of the same people on the same day that comes before."""
    crew = set(visit.technicians.all())
    earlier = [
        one
        for one in visits
        if days[one.pk] == days[visit.pk] and one.starts_at < visit.starts_at and crew & set(one.technicians.all())
    ]
    return max(earlier, key=lambda one: (one.starts_at, one.pk), default=None)
