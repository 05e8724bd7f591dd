"""What waits until a person has said that it may go on: mails after a restore, everything nightly after a clock's jump.

A server whose battery is empty may start a year off. Then every roof would look as if its readings had stopped, mails
would be out of date before they went, and old rows would be thinned away.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.utils.translation import gettext_noop

from portal.actions.trail import note
from portal.models import Business, Clock, Deed, MailHold, Reminder, ReminderState, User

log = logging.getLogger(__name__)

FAR = timedelta(days=7)
"""Not heard of for longer: the clock may have jumped. Less than after which anybody is written to for no readings.
Common practice, no source."""
BACK = timedelta(days=1)
"""So far a clock may be set back: it went ahead a little, or another machine's does. Common practice, no source."""
REMEMBERED = timedelta(minutes=1)
"""Jobs come many a second: so often is often enough to write down that the portal ran. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class ClockDoubt:
    """The clock says one day, the portal remembers another."""

    last: datetime
    now: datetime


def clock_doubt(*, now: datetime) -> ClockDoubt | None:
    """Whether the clock stands too far from when the portal last ran; None where it can be believed."""
    last = Clock.objects.values_list("seen_at", flat=True).first()
    if last is None or last - BACK <= now <= last + FAR:
        return None
    return ClockDoubt(last=last, now=now)


def trust_clock(*, now: datetime) -> bool:
    """Whether what hangs on the day may be done; remembers that the portal ran."""
    doubt = clock_doubt(now=now)
    if doubt is not None:
        log.warning("the clock says %s, the portal last ran at %s: it waits until somebody confirms", now, doubt.last)
        return False
    if not Clock.objects.filter(seen_at__gt=now - REMEMBERED).exists():
        confirm_clock(now=now)
    return True


def confirm_clock(*, now: datetime) -> None:
    """Believe the clock: somebody has looked at it."""
    Clock.objects.update_or_create(pk=1, defaults={"seen_at": now})


def decide_mails(*, business: Business, send: bool, by: User, now: datetime) -> int:
    """End a firm's hold: what has come due goes, or is dropped. Returns how many mails that were."""
    with transaction.atomic():
        hold = MailHold.objects.select_for_update().filter(business=business).open().first()
        if hold is None:
            return 0
        waiting = Reminder.objects.filter(business=business).due(now)
        count = waiting.count()
        if not send:
            waiting.update(
                state=ReminderState.DROPPED,
                reason=gettext_noop("It waited after the portal was brought back, and may have gone before."),
            )
        hold.decided_at = now
        hold.save(update_fields=["decided_at"])
        about = f"held mails {'sent' if send else 'dropped'}: {count}"
        note(deed=Deed.SETTINGS, about=about, business=business, by=by, now=now)
    return count
