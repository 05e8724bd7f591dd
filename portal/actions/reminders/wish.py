"""A reminder that should be there."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from portal.models import Business, Lead, Site, Visit


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """A reminder that should be there; whether one about the same thing waits or went already is seen later."""

    about: str
    """What it is about, the same however often it is wished for."""
    due_at: datetime
    business: Business
    site: Site | None = None
    visit: Visit | None = None
    lead: Lead | None = None
    user_id: int | None = None
    """Who of the staff it goes to; without one it goes to the roof's owner."""
    stale_at: datetime | None = None
    """When it is of no use any more, where that is not so long after it was due."""
