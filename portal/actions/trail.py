"""The audit trail is written by the actions themselves, in the transaction of what it tells of."""

from __future__ import annotations

from datetime import datetime

from portal.models import AuditEntry, Business, Deed, User


def note(*, deed: Deed, about: str, business: Business, by: User | None, now: datetime) -> None:
    """Add one line. ``about`` names rows by their number: names are personal and would outlive their erasure."""
    AuditEntry.objects.create(deed=deed, about=about[:200], business=business, by=by, at=now)
