"""Sending: claims a due row, checks that it may and should still go, and hands it to the mail server.

What can go wrong, and what then happens:

- The worker dies before the message begins to leave: the claim runs out and the row is sent later. Nothing has left.
- The mail server refuses for now, cannot be reached or stalls: sent later. Refuses for good: failed, with its words.
- The connection or the worker dies while the message leaves (after DATA): nobody can tell whether it arrived.
  Kinds that are sent at least once are sent again, since a visit nobody knows of costs more than a second mail, and
  the same Message-ID lets mailboxes drop the double. All others are not: they are shown as failed, and the office may
  retry.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import InterfaceError, OperationalError, connection, transaction
from django.db.models import Count, F, Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from portal.actions.mail.compose import compose, message_id
from portal.actions.mail.letter import Audience
from portal.actions.mail.post import MayHaveArrived, NotTaken, Postman
from portal.actions.mail.recipient import recipient
from portal.actions.mail.stops import stop_mail
from portal.actions.reminders.hours import at_hour, next_decent, sending_rules
from portal.actions.reminders.kinds import KINDS, kind_of, kinds_for
from portal.actions.reminders.moot import why_not
from portal.models import Customer, Reminder, ReminderState, Visit

log = logging.getLogger(__name__)
CAP_WINDOW = timedelta(days=30)
"""The time in which a person gets at most so many mails as the firm says; its page says "in 30 days". By definition."""

CLAIM_LASTS = timedelta(minutes=10)
"""A claim older than this is of a worker that died. One mail takes a tenth of it at the worst (time-outs of 20 s), by
definition of the two."""
ROUND_SECONDS = 240
BATCH = 200
"""Seconds of a round, and mails claimed in one go. The round ends before its worker's time does. No source."""
BACKOFF = (5, 15, 60, 240, 720)
"""Minutes until the next try after a refusal for now; a greylist lets the second or third try in (RFC 6647)."""
SERVER_AWAY_WAIT = timedelta(minutes=2)
"""A mail server that is away is tried again after so long. Common practice, no source."""
SEND_ATTEMPTS = 6
"""Tries of one mail, one more than the pauses between them, by definition."""


@dataclass(slots=True)
class MailRound:
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


def send_due(*, now: datetime, limit: int | None = None) -> MailRound:
    """Send what is due, oldest first, until it is done, ``limit`` is reached or the round's time is up.

    Any number of these may run at once. One that finds the mail server away stops: the next beat tries again.
    """
    started = time.monotonic()

    def clock() -> datetime:
        return now + timedelta(seconds=time.monotonic() - started)

    release_expired(now=now)
    done = MailRound()
    postman = Postman()
    taken = 0
    try:
        while limit is None or taken < limit:
            size = BATCH if limit is None else min(BATCH, limit - taken)
            # What surrounds a batch is read at once; what could change in the meantime is looked at again one by one.
            batch = (
                Reminder.objects.may_go(now)
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
        if done != MailRound():
            log.info(
                "reminders: %d sent, %d dropped, %d put off, %d to be tried later, %d failed, %d may have arrived",
                *(done.sent, done.dropped, done.postponed, done.later, done.failed, done.unsure),
            )
    return done


def release_expired(*, now: datetime) -> None:
    """Take back what dead workers had claimed."""
    expired = Reminder.objects.filter(state=ReminderState.SENDING, claimed_at__lt=now - CLAIM_LASTS)
    expired.filter(handed_over_at=None).update(state=ReminderState.DUE)
    left = expired.filter(handed_over_at__isnull=False)
    twice_if_need_be = [name for name, kind in KINDS.items() if kind.at_least_once]
    left.filter(kind__in=twice_if_need_be).update(
        state=ReminderState.DUE,
        reason=gettext_noop("The worker died while sending it. It is sent again: it may arrive twice."),
    )
    left.exclude(kind__in=twice_if_need_be).update(
        state=ReminderState.FAILED,
        reason=gettext_noop("The worker died while sending it: it may have arrived. It is not sent again by itself."),
    )


def _send_one(reminder: Reminder, postman: Postman, clock: Callable[[], datetime], done: MailRound) -> bool:
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
        mail = compose(reminder, kind_of(reminder).letter, now=clock())
    except (OperationalError, InterfaceError):
        raise  # the database is away: the claim runs out and a later round sends it
    except Exception as error:
        log.exception("reminder %d could not be written", pk)
        done.failed += 1
        mine.update(
            state=ReminderState.FAILED,
            reason=gettext_noop("The mail could not be written ({error}). It has not left.").format(error=error),
        )
        return True
    try:
        postman.deliver(mail, handing_over=handing_over)
    except _ClaimLost:
        log.warning("reminder %d was taken over by another worker before it left", pk)
    except NotTaken as error:
        _not_taken(reminder, error, clock(), done)
    except MayHaveArrived as error:
        done.unsure += 1
        if kind_of(reminder).at_least_once:
            mine.update(
                state=ReminderState.DUE,
                retry_at=clock() + timedelta(minutes=BACKOFF[0]),
                reason=gettext_noop(
                    "The connection broke while sending it ({error}). It is sent again: it may arrive twice."
                ).format(error=error),
            )
        else:
            mine.update(
                state=ReminderState.FAILED,
                reason=gettext_noop(
                    "The connection broke while sending it ({error}): it may have arrived. It is not sent "
                    "again by itself."
                ).format(error=error),
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


def _not_taken(reminder: Reminder, error: NotTaken, moment: datetime, done: MailRound) -> None:
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
    elif error.for_good or reminder.attempts >= SEND_ATTEMPTS:
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
            reason=gettext_noop("{reason} Tried again after {wait} minutes.").format(reason=error.reason, wait=wait),
        )


class _Claim(Enum):
    TAKEN = "taken"
    NOT_NOW = "not now"
    MAY_GO = "may go"


def _claim(reminder: Reminder, moment: datetime, done: MailRound) -> _Claim:
    """Claim a due reminder and check it, in one transaction."""
    with transaction.atomic():
        mine = Reminder.objects.filter(pk=reminder.pk)
        if not mine.may_go(moment).update(
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
        reason, better = why_not(reminder, moment), moment
        if not reason and kind_of(reminder).letter.audience == Audience.HOMEOWNER:
            others_today, others_lately = _others(reminder, moment)
            cap = reminder.business.reminder_cap_per_month
            if others_lately >= cap:
                reason = gettext_noop("They already got {cap} mails in 30 days.").format(cap=cap)
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


def _others(reminder: Reminder, moment: datetime) -> tuple[int, int]:
    """Other list mails to the same homeowner that went or are just going: today, and in the time of the cap."""
    zone = ZoneInfo(recipient(reminder).tz)
    midnight = at_hour(moment.astimezone(zone).date(), 0, zone)
    going = Q(state=ReminderState.SENDING)
    counts = (
        Reminder.objects.filter(customer=reminder.customer, kind__in=kinds_for(Audience.HOMEOWNER))
        .filter(state__in=[ReminderState.SENT, ReminderState.SENDING])
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
        return next_decent(at_hour(tomorrow, 1, ZoneInfo(tz)), tz=tz, rules=rules)
    return next_decent(moment, tz=tz, rules=rules)


def retry_reminder(*, reminder: Reminder, now: datetime) -> None:
    """Put a failed or dropped reminder back in the queue, at the office's wish."""
    back = Reminder.objects.filter(pk=reminder.pk, state__in=[ReminderState.FAILED, ReminderState.DROPPED]).update(
        state=ReminderState.DUE,
        due_at=now,
        stale_at=now + kind_of(reminder).lifetime,
        retry_at=None,
        claimed_at=None,
        handed_over_at=None,
        attempts=0,
        reason=gettext_noop("Put back by the office."),
    )
    if not back:
        raise ValidationError(_("Only a reminder that failed or was dropped can be put back."))
