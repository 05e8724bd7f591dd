"""Reminders: the row is the queue.

Planning writes rows, each with a key that makes it the same reminder however often it is planned. Sending claims a due
row, checks that it may and should still go, and hands it to the mail server. What can go wrong, and what then happens:

- The worker dies before the message begins to leave: the claim runs out and the row is sent later. Nothing has left.
- The mail server refuses for now, cannot be reached or stalls: sent later. Refuses for good: failed, with its words.
- The connection or the worker dies while the message leaves (after DATA): nobody can tell whether it arrived.
  Kinds in ``AT_LEAST_ONCE`` are sent again, since a visit nobody knows of costs more than a second mail, and the same
  Message-ID lets mailboxes drop the double. All others are not: they are shown as failed, and the office may retry.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import Enum
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import InterfaceError, OperationalError, connection, transaction
from django.db.models import Count, F, Max, OuterRef, Q, Subquery

from portal.actions.mail.facts import (
    ASKED_FOR,
    TO_STAFF,
    MayHaveArrived,
    NotTaken,
    Postman,
    clean_due,
    compose,
    digest_from,
    digest_leads,
    last_reading_day,
    last_wash,
    measured_gain,
    message_id,
    recipient,
    stop_mail,
    visits_of_day,
)
from portal.models import (
    OFFICE_ROLES,
    Business,
    Customer,
    DayReadings,
    Lead,
    LeadStage,
    MailStop,
    Membership,
    Meter,
    Preference,
    Reminder,
    ReminderKind,
    ReminderState,
    SendingRules,
    Site,
    SiteAssessment,
    Visit,
    VisitState,
)
from portal.pv.result import Cause, Verdict

log = logging.getLogger(__name__)

AT_LEAST_ONCE = frozenset({ReminderKind.BOOKED, ReminderKind.TOMORROW})

LIFETIME = {
    ReminderKind.DUE_SOON: timedelta(days=14),
    ReminderKind.DUE: timedelta(days=21),
    ReminderKind.BOOKED: timedelta(days=14),
    ReminderKind.RESULT: timedelta(days=21),
    ReminderKind.QUIET: timedelta(days=14),
    ReminderKind.OTHER_FAULT: timedelta(days=21),
    ReminderKind.SEND_READINGS: timedelta(days=21),
    ReminderKind.LEAD_DIGEST: timedelta(days=1),
    ReminderKind.LEAD_COLD: timedelta(days=7),
    ReminderKind.TOMORROW: timedelta(hours=20),
}
"""So long after it was due a reminder is still of use."""

SOON = timedelta(days=14)
AGAIN = {
    ReminderKind.DUE_SOON: timedelta(days=180),
    ReminderKind.DUE: timedelta(days=180),
    ReminderKind.QUIET: timedelta(days=30),
    ReminderKind.OTHER_FAULT: timedelta(days=90),
    ReminderKind.SEND_READINGS: timedelta(days=45),
    ReminderKind.LEAD_COLD: timedelta(days=14),
}
"""So long after one of a kind about the same thing the next may be planned."""

AT_MOST = {
    ReminderKind.DUE_SOON: 1,
    ReminderKind.QUIET: 3,
    ReminderKind.OTHER_FAULT: 2,
    ReminderKind.SEND_READINGS: 3,
    ReminderKind.LEAD_COLD: 3,
}
"""So often at most about the same thing."""
AGAIN_AFTER_DROP = timedelta(days=14)
QUIET_AFTER = timedelta(days=10)
FAULT_HOLDS = timedelta(days=3)
"""A fault must hold this long before anybody is told."""

NARROW_GAIN = 0.05
"""A gain is told once its 90 % interval is no wider than this, or after ``GAIN_WAITS``."""
GAIN_WAITS = timedelta(days=30)
CAP_WINDOW = timedelta(days=30)
DIGEST_HOUR = 8
TOMORROW_HOUR = 16

LEASE = timedelta(minutes=10)
"""A claim older than this is of a worker that died. One mail takes a tenth of it at the worst (time-outs of 20 s)."""
ROUND_SECONDS = 240
BATCH = 200
PLANNED_AT_ONCE = 1000
"""Sites or reminders that share the queries of planning."""
BACKOFF = (5, 15, 60, 240, 720)
"""Minutes until the next try after a refusal for now; a greylist lets the second or third try in (RFC 6647)."""
SERVER_AWAY_WAIT = timedelta(minutes=2)
MAX_ATTEMPTS = 6


# --- when people may be written to -----------------------------------------------------------------------------------


def sending_rules(business: Business) -> SendingRules:
    """The business's rules, or the standard ones."""
    rules: SendingRules | None = getattr(business, "sending_rules", None)
    return rules or SendingRules(business=business)


def set_sending_rules(*, business: Business, **rules: Any) -> None:
    """Keep when a business writes; ``rules`` are fields of ``SendingRules``. It holds from the next mail on."""
    SendingRules.objects.update_or_create(business=business, defaults=rules)


def next_decent(moment: datetime, *, tz: str, rules: SendingRules) -> datetime:
    """The first instant from ``moment`` on that lies in decent hours of a decent day of the zone."""
    zone = ZoneInfo(tz)
    local = moment.astimezone(zone)
    if local.hour >= rules.until_hour:
        local = _at_hour(local.date() + timedelta(days=1), rules.from_hour, zone)
    elif local.hour < rules.from_hour:
        local = _at_hour(local.date(), rules.from_hour, zone)
    if local.weekday() == 6 and not rules.on_sundays:
        local = _at_hour(local.date() + timedelta(days=1), rules.from_hour, zone)
    return local.astimezone(moment.tzinfo)


def _at_hour(day: date, hour: int, zone: ZoneInfo) -> datetime:
    return datetime(day.year, day.month, day.day, hour, tzinfo=zone)


def season_stopped(day: date, rules: SendingRules) -> bool:
    """Whether no cleaning reminders go out on this day (snow)."""
    if rules.stop_from is None or rules.stop_until is None:
        return False
    if rules.stop_from <= rules.stop_until:
        return rules.stop_from <= day.month <= rules.stop_until
    return day.month >= rules.stop_from or day.month <= rules.stop_until


# --- planning --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Wish:
    """A reminder that should be there; whether one about the same thing waits or went already is seen later."""

    kind: ReminderKind
    about: object
    due_at: datetime
    business: Business
    site: Site | None = None
    visit: Visit | None = None
    lead: Lead | None = None
    user_id: int | None = None
    stale_at: datetime | None = None

    @property
    def prefix(self) -> str:
        return f"{self.kind}:{self.about}:"


@dataclass(slots=True)
class _Known:
    """What planning needs to know of one site."""

    assessment: SiteAssessment | None = None
    last_reading: date | None = None
    last_wash: Visit | None = None
    visit_ahead: bool = False
    proven: list[Visit] = field(default_factory=list)
    told_soon_at: datetime | None = None


def plan_reminders(*, sites: Sequence[Site], now: datetime) -> None:
    """Plan what homeowners should hear, from each roof's newest assessment or, without one, from the calendar.

    Planned again on the same day nothing is added. It asks the database as often for many sites as for one.
    """
    sites = [site for site in sites if site.customer.email and site.customer.consented_on is not None]
    known = _what_is_known(sites, now)
    _plan([wish for site in sites for wish in _wishes(site, known[site.pk], now)], now)


def _what_is_known(sites: Sequence[Site], now: datetime) -> dict[int, _Known]:
    known = {site.pk: _Known() for site in sites}
    here = list(known)
    for assessment in SiteAssessment.objects.filter(site__in=here).newest():
        known[assessment.site_id].assessment = assessment
    # The newest day of each meter is one step in the index of its days; the greatest of all days would read them all.
    newest = DayReadings.objects.filter(meter=OuterRef("pk")).order_by("-day").values("day")[:1]
    meters = Meter.objects.filter(site__in=here).annotate(last=Subquery(newest)).exclude(last=None)
    for site_id, day in meters.values_list("site_id", "last"):
        known[site_id].last_reading = max(known[site_id].last_reading or day, day)
    visits = Visit.objects.filter(site__in=here).select_related("proof").order_by("finished_at", "pk")
    told_until = now - GAIN_WAITS - LIFETIME[ReminderKind.RESULT]
    for visit in visits.exclude(state=VisitState.CANCELLED):
        here_known = known[visit.site_id]
        if visit.state != VisitState.DONE:
            here_known.visit_ahead = True
            continue
        here_known.last_wash = visit
        assert visit.finished_at is not None, "a constraint sees to it"
        if visit.finished_at > told_until:
            here_known.proven.append(visit)
    told = Reminder.objects.filter(site__in=here, kind=ReminderKind.DUE_SOON, state=ReminderState.SENT)
    for site_id, sent_at in told.order_by("sent_at").values_list("site_id", "sent_at"):
        known[site_id].told_soon_at = sent_at
    return known


def _wishes(site: Site, known: _Known, now: datetime) -> Iterator[_Wish]:
    """What the owner of one roof should hear."""
    business = site.customer.business
    rules = sending_rules(business)
    soonest = next_decent(now, tz=site.tz, rules=rules)
    today = now.astimezone(ZoneInfo(site.tz)).date()

    def wish(kind: ReminderKind, about: object, *, due_at: datetime = soonest, visit: Visit | None = None) -> _Wish:
        return _Wish(kind, f"{site.pk}:{about}", due_at, business, site=site, visit=visit)

    if known.last_reading is None:
        if today - site.created_at.astimezone(ZoneInfo(site.tz)).date() >= timedelta(days=7):
            yield wish(ReminderKind.SEND_READINGS, "none")
    elif today - known.last_reading >= QUIET_AFTER:
        yield wish(ReminderKind.QUIET, known.last_reading)

    found = known.assessment
    if found is not None and found.verdict == Verdict.OTHER_FAULT:
        held = next_decent(now + FAULT_HOLDS, tz=site.tz, rules=rules)
        if found.cause != Cause.SNOW:
            yield wish(ReminderKind.OTHER_FAULT, found.cause or Cause.UNKNOWN, due_at=held)
    elif not known.visit_ahead and not season_stopped(today, rules):
        due, _ = clean_due(site, found, known.last_wash)
        since = _wash_key(known.last_wash)
        if due is not None and today < due <= today + SOON:
            yield wish(ReminderKind.DUE_SOON, since)
        elif due is not None and due <= today and not _told_lately(known.told_soon_at, today, site):
            yield wish(ReminderKind.DUE, since)

    for visit in known.proven:
        if _gain_is_told(visit, now):
            yield wish(ReminderKind.RESULT, visit.pk, visit=visit)


def _told_lately(told_soon_at: datetime | None, today: date, site: Site) -> bool:
    """Whether "due soon" went so lately that "due" would only say it again."""
    return told_soon_at is not None and told_soon_at > _at_hour(today, 0, ZoneInfo(site.tz)) - timedelta(days=9)


def _gain_is_told(visit: Visit, now: datetime) -> bool:
    gain = measured_gain(visit)
    if gain is None or visit.finished_at is None:
        return False
    _, low, high = gain
    return high - low <= NARROW_GAIN or now - visit.finished_at >= GAIN_WAITS


def _wash_key(last_wash: Visit | None) -> int:
    """Cleaning reminders belong to the time since the last wash; 0 where none is known."""
    return last_wash.pk if last_wash else 0


def _visit_ahead(site: Site) -> bool:
    return Visit.objects.filter(site=site, state__in=[VisitState.BOOKED, VisitState.WEATHER]).exists()


def _plan(wishes: Sequence[_Wish], now: datetime) -> None:
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


def _row(wish: _Wish, *, number: int) -> Reminder:
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
        _plan([*_bookings(business, now), *_tomorrow(business, now), *_lead_mails(business, now)], now)


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


def _bookings(business: Business, now: datetime) -> Iterator[_Wish]:
    ahead = Visit.objects.filter(site__customer__business=business, state=VisitState.BOOKED, starts_at__gt=now)
    for visit in ahead.exclude(site__customer__email="").select_related("site__customer"):
        yield _Wish(
            ReminderKind.BOOKED,
            f"{visit.pk}:{visit.revision}",
            now,
            business,
            site=visit.site,
            visit=visit,
            stale_at=visit.starts_at,
        )


def _tomorrow(business: Business, now: datetime) -> Iterator[_Wish]:
    zone = ZoneInfo(business.tz)
    today = now.astimezone(zone).date()
    due_at = _at_hour(today, TOMORROW_HOUR, zone)
    if now < due_at:
        return
    going = Visit.objects.filter(
        site__customer__business=business,
        state=VisitState.BOOKED,
        starts_at__gte=_at_hour(today + timedelta(days=1), 0, zone),
        starts_at__lt=_at_hour(today + timedelta(days=2), 0, zone),
        technicians__is_active=True,
    )
    for user_id in going.order_by().values_list("technicians", flat=True).distinct():
        yield _Wish(ReminderKind.TOMORROW, f"{business.pk}:{user_id}:{today}", due_at, business, user_id=user_id)


def _lead_mails(business: Business, now: datetime) -> Iterator[_Wish]:
    """The digest of new leads, and leads going cold."""
    zone = ZoneInfo(business.tz)
    today = now.astimezone(zone).date()
    due_at = _at_hour(today, DIGEST_HOUR, zone)
    office = list(
        Membership.objects.filter(business=business, role__in=OFFICE_ROLES, user__is_active=True).values_list(
            "user_id", flat=True
        )
    )
    leads = Lead.objects.filter(site__customer__business=business).open()
    if now >= due_at:
        newest = leads.filter(opened_at__lte=due_at).aggregate(newest=Max("opened_at"))["newest"]
        sent = Reminder.objects.filter(business=business, kind=ReminderKind.LEAD_DIGEST, state=ReminderState.SENT)
        last = dict(sent.filter(due_at__lt=due_at).values_list("user").annotate(last=Max("due_at")).order_by())
        for user_id in office:
            if newest is None or newest <= digest_from(due_at, last.get(user_id)):
                continue
            about = f"{business.pk}:{user_id}:{today}"
            yield _Wish(ReminderKind.LEAD_DIGEST, about, due_at, business, user_id=user_id)
    rules = sending_rules(business)
    soonest = next_decent(now, tz=business.tz, rules=rules)
    cold = leads.awake(today).filter(_cold(today, now - timedelta(days=rules.cold_after_days)))
    for lead in cold.select_related("site__customer"):
        for user_id in [lead.assigned_to_id] if lead.assigned_to_id else office:
            yield _Wish(
                ReminderKind.LEAD_COLD,
                f"{lead.pk}:{user_id}",
                soonest,
                business,
                site=lead.site,
                lead=lead,
                user_id=user_id,
            )


def _cold(today: date, before: datetime) -> Q:
    """Leads nobody has touched since ``before`` and that have no step planned ahead."""
    return (
        Q(stage__in=[LeadStage.NEW, LeadStage.CONTACTED, LeadStage.QUOTED])
        & Q(opened_at__lt=before)
        & (Q(contacted_at=None) | Q(contacted_at__lt=before))
        & (Q(next_action_on=None) | Q(next_action_on__lt=today))
    )


# --- sending ---------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Round:
    """What one round of sending did, in reminders."""

    sent: int = 0
    dropped: int = 0
    postponed: int = 0
    later: int = 0
    failed: int = 0
    unsure: int = 0
    server_away: bool = False


class _ClaimLost(Exception):
    """Somebody else holds the reminder now; nothing has left."""


def send_due(*, now: datetime, limit: int | None = None) -> Round:
    """Send what is due, oldest first, until it is done, ``limit`` is reached or the round's time is up.

    Any number of these may run at once. One that finds the mail server away stops: the next beat tries again.
    """
    started = time.monotonic()

    def clock() -> datetime:
        return now + timedelta(seconds=time.monotonic() - started)

    release_expired(now=now)
    done = Round()
    postman = Postman()
    taken = 0
    try:
        while limit is None or taken < limit:
            size = BATCH if limit is None else min(BATCH, limit - taken)
            # What surrounds a batch is read at once; what could change in the meantime is looked at again one by one.
            batch = (
                Reminder.objects.due(now)
                .order_by("due_at", "pk")
                .select_related("business__sending_rules", "user", "site__customer__business", "lead__site__customer")
                .prefetch_related("business__wordings", "site__planes")[:size]
            )
            claimed = 0
            for reminder in batch:
                claimed += _send_one(reminder, postman, clock, done)
                if done.server_away or time.monotonic() - started > ROUND_SECONDS:
                    return done
            taken += claimed
            if not claimed:
                return done
    finally:
        postman.close()
    return done


def release_expired(*, now: datetime) -> None:
    """Take back what dead workers had claimed."""
    expired = Reminder.objects.filter(state=ReminderState.SENDING, claimed_at__lt=now - LEASE)
    expired.filter(handed_over_at=None).update(state=ReminderState.DUE)
    left = expired.filter(handed_over_at__isnull=False)
    left.filter(kind__in=AT_LEAST_ONCE).update(
        state=ReminderState.DUE,
        reason="The worker died while sending it. It is sent again: it may arrive twice.",
    )
    left.exclude(kind__in=AT_LEAST_ONCE).update(
        state=ReminderState.FAILED,
        reason="The worker died while sending it: it may have arrived. It is not sent again by itself.",
    )


def _send_one(reminder: Reminder, postman: Postman, clock: Callable[[], datetime], done: Round) -> bool:
    """Claim and send one reminder; returns False when somebody else had it."""
    pk = reminder.pk
    claim = _claim(reminder, clock(), done)
    if claim != _Claim.MAY_GO:
        return claim != _Claim.TAKEN
    mine = Reminder.objects.filter(pk=pk, claimed_at=reminder.claimed_at)

    def handing_over() -> None:
        if not mine.filter(state=ReminderState.SENDING).update(handed_over_at=clock()):
            raise _ClaimLost

    try:
        mail = compose(reminder, now=clock())
    except (OperationalError, InterfaceError):
        raise  # the database is away: the claim runs out and a later round sends it
    except Exception as error:
        log.exception("reminder %d could not be written", pk)
        done.failed += 1
        mine.update(state=ReminderState.FAILED, reason=f"The mail could not be written ({error}). It has not left.")
        return True
    try:
        postman.deliver(mail, handing_over=handing_over)
    except _ClaimLost:
        log.warning("reminder %d was taken over by another worker before it left", pk)
    except NotTaken as error:
        _not_taken(reminder, error, clock(), done)
    except MayHaveArrived as error:
        done.unsure += 1
        if reminder.kind in AT_LEAST_ONCE:
            mine.update(
                state=ReminderState.DUE,
                retry_at=clock() + timedelta(minutes=BACKOFF[0]),
                reason=f"The connection broke while sending it ({error}). It is sent again: it may arrive twice.",
            )
        else:
            mine.update(
                state=ReminderState.FAILED,
                reason=f"The connection broke while sending it ({error}): it may have arrived. "
                "It is not sent again by itself.",
            )
    else:
        _keep_at_it(
            lambda: mine.update(
                state=ReminderState.SENT,
                sent_at=clock(),
                message_id=message_id(reminder),
                subject=mail.subject[:250],
                reason="",
            )
        )
        done.sent += 1
    return True


def _keep_at_it(write: Callable[[], int]) -> None:
    """Write down that a mail has left, through a restart of the database: forgetting it would send it twice."""
    for wait in (0.5, 1, 2, 4, 8, 16):
        try:
            write()
        except (OperationalError, InterfaceError):
            if connection.in_atomic_block:
                raise
            log.warning("the database is away; a sent mail is written down in %s s", wait)
            connection.close()
            time.sleep(wait)
        else:
            return
    write()


def _not_taken(reminder: Reminder, error: NotTaken, moment: datetime, done: Round) -> None:
    mine = Reminder.objects.filter(pk=reminder.pk, claimed_at=reminder.claimed_at)
    if error.server_away:
        # Not this mail's fault, so it costs no attempt; others go first in case it is.
        done.server_away = True
        done.later += 1
        mine.update(
            state=ReminderState.DUE,
            attempts=F("attempts") - 1,
            handed_over_at=None,
            retry_at=moment + SERVER_AWAY_WAIT,
            reason=error.reason,
        )
    elif error.for_good or reminder.attempts >= MAX_ATTEMPTS:
        done.failed += 1
        mine.update(state=ReminderState.FAILED, handed_over_at=None, reason=error.reason)
        if error.no_such_address:
            stop_mail(email=recipient(reminder).email, business=reminder.business, why="bounced", now=moment)
    else:
        done.later += 1
        wait = BACKOFF[min(reminder.attempts, len(BACKOFF)) - 1]
        mine.update(
            state=ReminderState.DUE,
            handed_over_at=None,
            retry_at=moment + timedelta(minutes=wait),
            reason=f"{error.reason} Tried again after {wait} minutes.",
        )


class _Claim(Enum):
    TAKEN = "somebody else has it"
    NOT_NOW = "it was dropped or postponed"
    MAY_GO = "it is ours to send"


def _claim(reminder: Reminder, moment: datetime, done: Round) -> _Claim:
    """Claim a due reminder and check it, in one transaction."""
    with transaction.atomic():
        mine = Reminder.objects.filter(pk=reminder.pk)
        if not mine.due(moment).update(
            state=ReminderState.SENDING, claimed_at=moment, handed_over_at=None, attempts=F("attempts") + 1
        ):
            return _Claim.TAKEN
        reminder.claimed_at = moment
        reminder.attempts += 1
        if reminder.customer_id:
            # Two reminders to one person are checked one after the other, or both would be the last under the cap.
            reminder.customer = Customer.objects.select_for_update().get(pk=reminder.customer_id)
        if reminder.visit_id:
            reminder.visit = Visit.objects.select_related("site__customer__business").get(pk=reminder.visit_id)
        reason, better = _why_not(reminder, moment), moment
        if not reason and _is_list_mail(reminder):
            others_today, others_lately = _others(reminder, moment)
            cap = reminder.business.reminder_cap_per_month
            if others_lately >= cap:
                reason = f"They already got {cap} mails in 30 days."
            better = _better_time(reminder, moment, others_today=others_today)
        if reason:
            done.dropped += 1
            mine.update(state=ReminderState.DROPPED, reason=reason)
            return _Claim.NOT_NOW
        if better > moment:
            done.postponed += 1
            mine.update(state=ReminderState.DUE, due_at=better, attempts=F("attempts") - 1, claimed_at=None)
            return _Claim.NOT_NOW
        return _Claim.MAY_GO


def _is_list_mail(reminder: Reminder) -> bool:
    return reminder.kind not in TO_STAFF | ASKED_FOR


def _others(reminder: Reminder, moment: datetime) -> tuple[int, int]:
    """Other list mails to the same homeowner that went or are just going: today, and in the time of the cap."""
    zone = ZoneInfo(recipient(reminder).tz)
    midnight = _at_hour(moment.astimezone(zone).date(), 0, zone)
    going = Q(state=ReminderState.SENDING)
    counts = (
        Reminder.objects.filter(customer=reminder.customer, state__in=[ReminderState.SENT, ReminderState.SENDING])
        .exclude(kind__in=ASKED_FOR)
        .exclude(pk=reminder.pk)
        .aggregate(
            today=Count("pk", filter=going | Q(sent_at__gte=midnight)),
            lately=Count("pk", filter=going | Q(sent_at__gte=moment - CAP_WINDOW)),
        )
    )
    return counts["today"], counts["lately"]


def _better_time(reminder: Reminder, moment: datetime, *, others_today: int) -> datetime:
    """When this list mail should go: now, in decent hours, or the day after another mail to the same person."""
    rules = sending_rules(reminder.business)
    tz = recipient(reminder).tz
    if others_today:
        tomorrow = moment.astimezone(ZoneInfo(tz)).date() + timedelta(days=1)
        return next_decent(_at_hour(tomorrow, 1, ZoneInfo(tz)), tz=tz, rules=rules)
    return next_decent(moment, tz=tz, rules=rules)


def _why_not(reminder: Reminder, moment: datetime) -> str:
    """Why a reminder should not go any more; empty when it should."""
    if moment > reminder.stale_at:
        return f"It was due on {reminder.due_at:%Y-%m-%d %H:%M} UTC and came too late to be of use."
    person = recipient(reminder)
    if not person.email:
        return "There is no e-mail address."
    stop = MailStop.objects.filter(business=reminder.business, email__iexact=person.email).first()
    if stop and not (stop.why == "unsubscribed" and reminder.kind in ASKED_FOR):
        return f"This address is not written to any more: {stop.get_why_display().lower()} on {stop.since:%Y-%m-%d}."
    if reminder.customer is not None and _is_list_mail(reminder) and reminder.customer.consented_on is None:
        return "They have not agreed to be written to."
    if reminder.customer is not None and _is_list_mail(reminder) and not reminder.business.postal_address.strip():
        return "Your postal address, which belongs into every such mail, is missing. Fill it in, then put this back."
    if Preference.objects.filter(
        customer=reminder.customer, user=reminder.user, kind=reminder.kind, wanted=False
    ).exists():
        return "They do not want mails of this kind."
    return _moot(reminder, moment)


def _moot(reminder: Reminder, moment: datetime) -> str:
    """Why what the reminder says is no longer so; empty when it still is."""
    kind = ReminderKind(reminder.kind)
    site, visit, lead = reminder.site, reminder.visit, reminder.lead
    if kind in (ReminderKind.DUE_SOON, ReminderKind.DUE) and site:
        return _cleaning_moot(reminder, site, moment)
    if kind == ReminderKind.BOOKED and visit:
        if visit.state != VisitState.BOOKED:
            return "The visit was called off."
        if not reminder.key.startswith(f"{kind}:{visit.pk}:{visit.revision}:"):
            return "The visit was moved; another mail tells of it."
    elif kind == ReminderKind.RESULT and visit:
        if measured_gain(visit) is None:
            return "The readings no longer say what the wash gained."
    elif kind == ReminderKind.QUIET and site:
        last = last_reading_day(site)
        if last and moment.astimezone(ZoneInfo(site.tz)).date() - last < QUIET_AFTER:
            return "Readings have come in."
    elif kind == ReminderKind.SEND_READINGS and site:
        if last_reading_day(site) is not None:
            return "Readings have come in."
    elif kind == ReminderKind.OTHER_FAULT and site:
        newest = reminder.newest_assessment
        if newest is None or newest.verdict != Verdict.OTHER_FAULT:
            return "The readings no longer show it."
    elif kind == ReminderKind.LEAD_DIGEST:
        if not digest_leads(reminder):
            return "No new lead is open any more."
    elif kind == ReminderKind.LEAD_COLD and lead:
        today = moment.astimezone(ZoneInfo(reminder.business.tz)).date()
        before = moment - timedelta(days=sending_rules(reminder.business).cold_after_days)
        if not Lead.objects.awake(today).filter(_cold(today, before), pk=lead.pk).exists():
            return "Somebody has taken care of the lead."
    elif kind == ReminderKind.TOMORROW:
        day = reminder.due_at.astimezone(ZoneInfo(reminder.business.tz)).date() + timedelta(days=1)
        if not visits_of_day(reminder, day):
            return "No visit is left on that day."
    return ""


def _cleaning_moot(reminder: Reminder, site: Site, moment: datetime) -> str:
    today = moment.astimezone(ZoneInfo(site.tz)).date()
    if season_stopped(today, sending_rules(reminder.business)):
        return "No cleaning reminders go out in this season."
    if _visit_ahead(site):
        return "A visit is booked."
    washed = last_wash(site)
    if not reminder.key.startswith(f"{reminder.kind}:{site.pk}:{_wash_key(washed)}:"):
        return "The panels were washed meanwhile."
    newest = reminder.newest_assessment
    if newest is not None and newest.verdict == Verdict.OTHER_FAULT:
        return "By now the readings show something other than dirt."
    due, _ = clean_due(site, newest, washed)
    if due is None or due > today + SOON:
        return "By the newest readings no wash is due."
    if reminder.kind == ReminderKind.DUE_SOON and due <= today:
        return "It is due by now; the mail that says so goes instead."
    return ""


def retry_reminder(*, reminder: Reminder, now: datetime) -> None:
    """Put a failed or dropped reminder back in the queue, at the office's wish."""
    back = Reminder.objects.filter(pk=reminder.pk, state__in=[ReminderState.FAILED, ReminderState.DROPPED]).update(
        state=ReminderState.DUE,
        due_at=now,
        stale_at=now + LIFETIME[ReminderKind(reminder.kind)],
        retry_at=None,
        claimed_at=None,
        handed_over_at=None,
        attempts=0,
        reason="Put back by the office.",
    )
    if not back:
        raise ValidationError("Only a reminder that failed or was dropped can be put back.")
