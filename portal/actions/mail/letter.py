"""What the mails of one kind are made of, and by what right people get them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from portal.models import Reminder, ReminderKind


class Audience(StrEnum):
    """Who gets a kind of mail, and why: the last line of each says so."""

    HOMEOWNER = "customer"
    """They agreed to hear of their panels: few mails, at decent hours, and each shows the way out."""
    BOOKER = "booked"
    """They booked, and the mail answers: it needs no consent, and is no list to leave."""
    STAFF = "staff"
    """They work here: as many as the work brings, and each shows the way out."""


@dataclass(frozen=True, slots=True)
class Attachment:
    name: str
    content: str | bytes
    media_type: str


@dataclass(frozen=True, slots=True)
class Letter:
    """What the mails of one kind are made of; the standard words are in the templates of the kind's name."""

    kind: ReminderKind
    audience: Audience
    names: tuple[str, ...]
    """The facts its words may name."""
    facts: Callable[[Reminder, datetime], dict[str, str]]
    """What only this kind tells, as words in the language that is active, as of a moment."""
    attachments: Callable[[Reminder, datetime], Sequence[Attachment]] | None = None
