"""How far it is by road, and how long a van takes: reckoned from the line as the crow flies."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta

from portal.models import Business, User
from portal.pv.town import Place, kilometres

DETOUR = 1.3
"""A road is so many times longer than the crow flies [1]. Common practice, no source."""
SPEED_KMH = 40.0
"""A van between two roofs of a town, with finding the door [km/h]. Common practice, no source."""
BESIDE_WORK = timedelta(hours=1)
"""The way out may begin so long before work, and the way home end so long after it. Common practice, no source."""


TO_THE_NEXT = timedelta(minutes=5)
"""Times that are reckoned are told in whole steps of this. No source."""


def yard_of(business: Business) -> Place | None:
    """Where the vans start from; None while nobody said where that is."""
    if business.latitude is None or business.longitude is None:
        return None
    return business.latitude, business.longitude


@dataclass(frozen=True, slots=True)
class Starts:
    """Where a firm's crews set out from."""

    yard: Place | None
    own: Mapping[int, Place]
    """Of technicians who set out from elsewhere, by their keys."""

    def of(self, crew: Iterable[User]) -> Place | None:
        """The yard, unless one of the crew has an own place: of two, whoever has been here longer brings the van."""
        return next((self.own[key] for key in sorted(one.pk for one in crew) if key in self.own), self.yard)


def starts_of(business: Business) -> Starts:
    rows = business.memberships.values_list("user", "latitude", "longitude")
    own = {key: (north, east) for key, north, east in rows if north is not None and east is not None}
    return Starts(yard_of(business), own)


def road_km(a: Place | None, b: Place | None) -> float:
    """By road from one place to another [km]; nothing where a place is not known."""
    return DETOUR * kilometres(*a, *b) if a is not None and b is not None else 0.0


def drive(km: float) -> timedelta:
    """How long a van takes for so many kilometres by road."""
    return timedelta(hours=km / SPEED_KMH)


def whole_steps(span: timedelta) -> timedelta:
    """A span made longer, to a whole number of steps."""
    return math.ceil(span / TO_THE_NEXT) * TO_THE_NEXT
