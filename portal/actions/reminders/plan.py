"""Planning: rows, each with a key that makes it the same reminder however often it is planned."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Q

from portal.actions.reminders.hours import at_hour
from portal.actions.reminders.kinds import KINDS, Kind
from portal.actions.reminders.roofs import look_at_roofs
from portal.actions.reminders.standing import Firm
from portal.actions.reminders.wish import Wish
from portal.models import Business, Reminder, ReminderState, Site, SiteAssessment

AGAIN_AFTER_DROP = timedelta(days=14)
"""So long after somebody took a reminder out of the queue it is not planned again. Common practice, no source."""
PLANNED_AT_ONCE = 1000
"""Sites or reminders that share the queries of planning. A bound on the work, no source."""


def plan_reminders(*, sites: Sequence[Site], now: datetime) -> None:
    """Plan what homeowners should hear, from each roof's newest assessment or, without one, from the calendar.

    Planned again on the same day nothing is added. It asks the database as often for many sites as for one.
    """
    sites = [site for site in sites if site.customer.email and site.customer.consented_on is not None]
    kinds = [(kind, kind.of_roof) for kind in KINDS.values() if kind.of_roof is not None]
    _plan(
        [(kind, wish) for roof in look_at_roofs(sites, now) for kind, of_roof in kinds for wish in of_roof(roof)], now
    )


def plan_standing(*, now: datetime) -> None:
    """Plan what follows from the calendar and the office's work: bookings, tomorrow's visits, digests, cold leads.

    Beat calls it every few minutes; it looks at rows alone, so what one call missed the next one plans.
    """
    kinds = [(kind, kind.of_firm) for kind in KINDS.values() if kind.of_firm is not None]
    for business in Business.objects.select_related("sending_rules"):
        firm = Firm(business=business, now=now)
        _plan([(kind, wish) for kind, of_firm in kinds for wish in of_firm(firm)], now)


def plan_at_once(*, business: Business, now: datetime) -> None:
    """Plan what must not wait for the next planning: with the entry that calls for it, as that a van has set out."""
    kinds = [(kind, kind.of_firm) for kind in KINDS.values() if kind.at_once and kind.of_firm is not None]
    firm = Firm(business=business, now=now)
    _plan([(kind, wish) for kind, of_firm in kinds for wish in of_firm(firm)], now)


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


def _plan(wished: Sequence[tuple[Kind, Wish]], now: datetime) -> None:
    """Add the reminders wished for, but none about whose matter one waits, went lately, or went often enough."""
    for first in range(0, len(wished), PLANNED_AT_ONCE):
        some = wished[first : first + PLANNED_AT_ONCE]
        kinds = {kind.letter.kind: kind for kind, _ in some}
        looked_at = {*kinds, *(other for kind in kinds.values() for other in kind.repeats)}
        rows = Reminder.objects.filter(kind__in=looked_at).filter(
            Q(site__in={wish.site.pk for _, wish in some if wish.site})
            | Q(site=None, key__in=[_key(kind, wish, 0) for kind, wish in some if not wish.site])
        )
        earlier: dict[tuple[str, str], list[Reminder]] = defaultdict(list)
        of_site: dict[int | None, list[Reminder]] = defaultdict(list)
        for row in rows.order_by("pk"):
            earlier[row.kind, row.about].append(row)
            of_site[row.site_id].append(row)
        fresh = []
        for kind, wish in some:
            same = earlier[kind.letter.kind, wish.about]
            if _may_be_told(kind, same, now) and not (
                wish.site and _says_it_again(kind, wish.site, of_site[wish.site.pk], now)
            ):
                fresh.append(planned_row(kind, wish, number=len(same)))
        # A key is unique: who plans the same at the same time adds it once.
        Reminder.objects.bulk_create(fresh, ignore_conflicts=True)


def _may_be_told(kind: Kind, earlier: Sequence[Reminder], now: datetime) -> bool:
    if not earlier:
        return True
    last, pause = earlier[-1], kind.again_after
    if last.state in (ReminderState.DUE, ReminderState.SENDING) or pause is None:
        return False
    if last.state == ReminderState.DROPPED:
        pause = AGAIN_AFTER_DROP
    told = sum(one.state != ReminderState.DROPPED for one in earlier)
    return now - last.due_at >= pause and (kind.at_most is None or told < kind.at_most)


def _says_it_again(kind: Kind, site: Site, rows: Sequence[Reminder], now: datetime) -> bool:
    """Whether another kind went about this roof so lately that this one would only repeat it."""
    zone = ZoneInfo(site.tz)
    today = at_hour(now.astimezone(zone).date(), 0, zone)
    lately = {str(other): today - span for other, span in kind.repeats.items()}
    return any(row.kind in lately and row.sent_at is not None and row.sent_at > lately[row.kind] for row in rows)


def _key(kind: Kind, wish: Wish, number: int) -> str:
    return f"{kind.letter.kind}:{wish.about}:{number}"


def planned_row(kind: Kind, wish: Wish, *, number: int) -> Reminder:
    return Reminder(
        business=wish.business,
        kind=kind.letter.kind,
        customer=wish.site.customer if wish.site and wish.user_id is None else None,
        user_id=wish.user_id,
        site=wish.site,
        visit=wish.visit,
        lead=wish.lead,
        key=_key(kind, wish, number),
        due_at=wish.due_at,
        stale_at=wish.stale_at or wish.due_at + kind.lifetime,
    )
