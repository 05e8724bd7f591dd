"""What keeps a roof's readings from telling anything: said where the person looks first, each with its way out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Q

from portal.actions.reminders.roofs import QUIET_AFTER
from portal.models import EndedBy, Import, Meter, Site, UtilityConnection, UtilityState
from portal.models.site import SiteQuerySet, keys_of

LOOKED_BACK = timedelta(days=30)
"""A file that was refused longer ago is no news any more. Common practice, no source."""

UTILITY_WAITED_FOR = timedelta(days=3)
"""So long a utility's server may be down, over a weekend, before anybody is told. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that is wrong with what a roof sends; which of the four it is, what is set says."""

    site: Site
    stopped_on: date | None = None
    """The last day of any meter, where all have been quiet for long."""
    meter: Meter | None = None
    """A meter whose file is missing while others go on: days count only where all have readings."""
    meter_until: date | None = None
    file: Import | None = None
    """The newest file of a meter, where it could not be read or waits for an answer."""
    utility: UtilityConnection | None = None
    """The connection to the utility, where the utility ended it, or hands nothing over any more."""


def troubles(sites: Collection[Site] | SiteQuerySet, *, now: datetime) -> dict[int, list[Trouble]]:
    """What is wrong with each roof's readings, by its key; as many queries for many roofs as for one."""
    roofs = {site.pk: site for site in sites}
    found: dict[int, list[Trouble]] = {pk: [] for pk in roofs}
    meters: dict[int, list[tuple[int, date | None]]] = defaultdict(list)
    here = keys_of(sites)
    for site_id, key, day in Meter.objects.filter(site__in=here).last_days():
        meters[site_id].append((key, day))
    missing: list[tuple[int, int, date | None]] = []
    for pk, site in roofs.items():
        days = [day for _, day in meters[pk] if day is not None]
        if not days:
            continue  # no readings yet: the page says so by itself
        if now.astimezone(ZoneInfo(site.tz)).date() - max(days) >= QUIET_AFTER:
            found[pk].append(Trouble(site, stopped_on=max(days)))
        missing += [(pk, key, day) for key, day in meters[pk] if day is None or max(days) - day >= QUIET_AFTER]
    known = Meter.objects.in_bulk([key for _, key, _ in missing])
    for pk, key, until in missing:
        if key in known:
            found[pk].append(Trouble(roofs[pk], meter=known[key], meter_until=until))
    seen: set[int] = set()
    files = Import.objects.filter(meter__site__in=here, uploaded_at__gte=now - LOOKED_BACK).unread()
    for file in files.select_related("meter"):
        if file.meter_id not in seen and file.meter.site_id in roofs:
            found[file.meter.site_id].append(Trouble(roofs[file.meter.site_id], file=file))
        seen.add(file.meter_id)
    late = now - UTILITY_WAITED_FOR
    never = Q(fetched_at=None, connected_at__lt=late)
    stopped = Q(Q(fetched_at__lt=late) | never, state=UtilityState.ACTIVE) & ~Q(problem="")
    ended = Q(ended_by__in=[EndedBy.UTILITY, EndedBy.LOST, EndedBy.NEVER_BEGAN], ended_at__gte=now - LOOKED_BACK)
    for connection in UtilityConnection.objects.filter(stopped | ended, site__in=here).order_by("pk"):
        if connection.site_id in roofs:
            found[connection.site_id].append(Trouble(roofs[connection.site_id], utility=connection))
    return found
