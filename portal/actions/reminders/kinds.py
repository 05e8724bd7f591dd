"""The kinds of reminders: how long each is of use, how often it may go, and whether twice is better than never."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from portal.models import Business, Lead, ReminderKind, Site, Visit

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


@dataclass(frozen=True, slots=True)
class Wish:
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
