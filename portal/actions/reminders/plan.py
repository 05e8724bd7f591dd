"""Planning: rows, each with a key that makes it the same reminder however often it is planned."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from django.db.models import Q

from portal.actions.reminders.kinds import AGAIN, AT_MOST, LIFETIME, Wish
from portal.actions.reminders.roofs import what_is_known, wishes_of_roof
from portal.actions.reminders.standing import bookings, lead_mails, tomorrow
from portal.models import Business, Reminder, ReminderKind, ReminderState, Site, SiteAssessment

AGAIN_AFTER_DROP = timedelta(days=14)
PLANNED_AT_ONCE = 1000
"""Sites or reminders that share the queries of planning."""


def plan_reminders(*, sites: Sequence[Site], now: datetime) -> None:
    """Plan what homeowners should hear, from each roof's newest assessment or, without one, from the calendar.

    Planned again on the same day nothing is added. It asks the database as often for many sites as for one.
    """
    sites = [site for site in sites if site.customer.email and site.customer.consented_on is not None]
    known = what_is_known(sites, now)
    _plan([wish for site in sites for wish in wishes_of_roof(site, known[site.pk], now)], now)


def _plan(wishes: Sequence[Wish], now: datetime) -> None:
    """Add the reminders wished for, but none about whose matter one waits, went lately, or went often enough."""
    for first in range(0, len(wishes), PLANNED_AT_ONCE):
        some = wishes[first : first + PLANNED_AT_ONCE]
        rows = Reminder.objects.filter(kind__in={wish.kind for wish in some}).filter(
            Q(site__in={wish.site.pk for wish in some if wish.site})
            | Q(site=None, key__in=[f"{wish.prefix}0" for wish in some if not wish.site])
        )
        earlier: dict[str, list[Reminder]] = {}
        for row in rows.order_by("pk"):
            earlier.setdefault(row.key.rpartition(":")[0] + ":", []).append(row)
        # A key is unique: who plans the same at the same time adds it once.
        Reminder.objects.bulk_create(
            [
                _row(wish, number=len(earlier.get(wish.prefix, [])))
                for wish in some
                if _may_be_told(wish.kind, earlier.get(wish.prefix, []), now)
            ],
            ignore_conflicts=True,
        )


def _may_be_told(kind: ReminderKind, earlier: Sequence[Reminder], now: datetime) -> bool:
    if not earlier:
        return True
    last = earlier[-1]
    pause = AGAIN.get(kind)
    if last.state in (ReminderState.DUE, ReminderState.SENDING) or pause is None:
        return False
    if last.state == ReminderState.DROPPED:
        pause = AGAIN_AFTER_DROP
    told = sum(one.state != ReminderState.DROPPED for one in earlier)
    return now - last.due_at >= pause and told < AT_MOST.get(kind, told + 1)


def _row(wish: Wish, *, number: int) -> Reminder:
    return Reminder(
        business=wish.business,
        kind=wish.kind,
        customer=wish.site.customer if wish.site and wish.user_id is None else None,
        user_id=wish.user_id,
        site=wish.site,
        visit=wish.visit,
        lead=wish.lead,
        key=f"{wish.prefix}{number}",
        due_at=wish.due_at,
        stale_at=wish.stale_at or wish.due_at + LIFETIME[wish.kind],
    )


def plan_standing(*, now: datetime) -> None:
    """Plan what follows from the calendar and the office's work: bookings, tomorrow's visits, digests, cold leads.

    Beat calls it every few minutes; it looks at rows alone, so what one call missed the next one plans.
    """
    for business in Business.objects.select_related("sending_rules"):
        _plan([*bookings(business, now), *tomorrow(business, now), *lead_mails(business, now)], now)


def plan_unassessed(*, now: datetime) -> None:
    """Plan for sites the nightly job has nothing to say of: calendar reminders, and asking for readings."""
    assessed = SiteAssessment.objects.filter(made_at__gt=now - timedelta(days=3)).values("site")
    sites = (
        Site.objects.exclude(pk__in=assessed)
        .exclude(customer__email="")
        .exclude(customer__consented_on=None)
        .select_related("customer__business__sending_rules")
    )
    keys = list(sites.order_by("pk").values_list("pk", flat=True))
    for first in range(0, len(keys), PLANNED_AT_ONCE):
        plan_reminders(sites=list(sites.filter(pk__in=keys[first : first + PLANNED_AT_ONCE])), now=now)
