"""What slipped through and needs a hand: it comes to the office's first page, so that nobody has to look for it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Q

from portal.actions.advice import last_readings
from portal.actions.reminders.kinds import ASKS_FOR_READINGS
from portal.actions.troubles import Trouble, troubles
from portal.models import (
    PUT_OFF,
    Business,
    Import,
    ImportState,
    Lead,
    LeadStage,
    Night,
    NightState,
    Referral,
    Reminder,
    ReminderState,
    Site,
    User,
    Visit,
    VisitState,
)
from portal.models.site import SiteQuerySet, keys_of

QUOTE_WAITS = timedelta(days=7)
"""A quote without an answer for so long is asked about. Common practice, no source."""
FILE_IS_NEWS = timedelta(days=60)
"""A file that could not be read this long ago is not coming any more. Common practice, no source."""
MAIL_IS_NEWS = timedelta(days=14)
"""A mail that failed this long ago is not to be sent again. Common practice, no source."""
NIGHT_IS_NEWS = timedelta(days=2)
"""Nights that failed before the last two were followed by others. By definition."""


@dataclass(frozen=True, slots=True)
class Silent:
    """A roof whose readings stopped, or never came, and when its owner was last written to about that."""

    site: Site
    since: date | None
    """The last day with readings; None where none ever came."""
    written_on: date | None


@dataclass(frozen=True, slots=True)
class Slipped:
    """What needs a hand, by kind."""

    undone: list[Visit]
    """Visits of past days that are neither done nor called off."""
    unsent: list[Visit]
    """Coming visits that nobody is sent to."""
    put_off: list[Visit]
    """Called off for weather or illness, without a new day."""
    unanswered: list[Lead]
    """Quotes without an answer."""
    silent: list[Silent]
    incomplete: list[Trouble]
    """Roofs one of whose meters is missing while others go on."""
    utilities: list[Trouble]
    """Roofs whose utility hands nothing over any more."""
    findings: list[Referral]
    files: list[Import]
    mails: list[Reminder]
    unassessed: list[Night]

    def __len__(self) -> int:
        return sum(len(getattr(self, name)) for name in self.__slots__)


def slipped(user: User, *, sites: Collection[Site] | SiteQuerySet, today: date, now: datetime) -> Slipped:
    """All that needs a hand in the businesses the user runs, whose sites these are."""
    mine = list(Business.objects.managed_by(user))
    wrong = troubles(sites, now=now)
    leads = Lead.objects.filter(site__customer__business__in=mine, stage=LeadStage.QUOTED)
    files = Import.objects.filter(meter__site__customer__business__in=mine).unread()
    mails = Reminder.objects.filter(business__in=mine, state=ReminderState.FAILED, due_at__gte=now - MAIL_IS_NEWS)
    unassessed = Night.objects.filter(
        site__in=keys_of(sites), state=NightState.FAILED, day__gte=today - NIGHT_IS_NEWS
    ).order_by("-day", "pk")
    referrals = Referral.objects.filter(visit__site__customer__business__in=mine).open()
    return Slipped(
        **_visits(mine, now),
        unanswered=list(
            leads.awake(today)
            .filter(Q(contacted_at__lt=now - QUOTE_WAITS) | Q(next_action_on__lte=today))
            .select_related("site__customer__business")
            .order_by("contacted_at", "pk")
        ),
        silent=silent_roofs(sites, wrong, now=now),
        incomplete=[one for site in sites for one in wrong[site.pk] if one.meter is not None],
        utilities=[one for site in sites for one in wrong[site.pk] if one.utility is not None],
        findings=list(referrals.select_related("visit__site__customer", "entry")),
        files=list(
            files.filter(Q(state=ImportState.QUESTION) | Q(uploaded_at__gte=now - FILE_IS_NEWS)).select_related(
                "meter__site__customer"
            )
        ),
        mails=list(mails.select_related("customer", "user", "site__customer").order_by("-due_at", "-pk")),
        unassessed=list(unassessed.select_related("site__customer")),
    )


def _visits(mine: Sequence[Business], now: datetime) -> dict[str, list[Visit]]:
    of_firms = Visit.objects.filter(site__customer__business__in=mine).select_related("site__customer__business")
    booked = of_firms.filter(state=VisitState.BOOKED).prefetch_related("technicians").order_by("starts_at", "pk")
    past = Q(pk__in=[])
    for tz in {business.tz for business in mine}:
        midnight = datetime.combine(now.astimezone(ZoneInfo(tz)).date(), time.min, ZoneInfo(tz))
        past |= Q(site__customer__business__tz=tz, starts_at__lt=midnight)
    again = Visit.objects.filter(site=OuterRef("site"), starts_at__gt=OuterRef("starts_at")).standing()
    put_off = of_firms.filter(state__in=PUT_OFF).exclude(Exists(again)).order_by("starts_at", "pk")
    return {
        "undone": list(booked.filter(past)),
        "unsent": list(booked.exclude(past).filter(technicians=None)),
        "put_off": list(put_off),
    }


def silent_roofs(
    sites: Collection[Site] | SiteQuerySet, wrong: dict[int, list[Trouble]], *, now: datetime
) -> list[Silent]:
    """Roofs that say nothing any more, the longest silence first, then those that never said anything."""
    last = last_readings(keys_of(sites))
    found = [
        (site, last.get(site.pk))
        for site in sites
        if site.pk not in last or any(one.stopped_on is not None for one in wrong[site.pk])
    ]
    written = {
        row.site_id: row.sent_at
        for row in Reminder.objects.filter(site__in=[site for site, _ in found], kind__in=ASKS_FOR_READINGS)
        .exclude(sent_at=None)
        .order_by("sent_at")
    }
    rows = []
    for site, since in found:
        sent_at = written.get(site.pk)
        rows.append(Silent(site, since, sent_at.astimezone(ZoneInfo(site.tz)).date() if sent_at else None))
    return sorted(rows, key=lambda one: (one.since is None, one.since or date.min, one.site.pk))
