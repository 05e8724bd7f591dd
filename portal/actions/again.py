"""A visit that was called off is booked anew by the customer, by the signed link of the mail that told them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

from portal.actions.roof_warnings import AskFirst, roof_warnings
from portal.actions.slots import Slot, best_slots
from portal.actions.visits import move_visit
from portal.models import CALLED_OFF, Visit, VisitState


@dataclass(frozen=True, slots=True)
class Offer:
    """What the link shows: free times for a visit that was called off, or how the visit stands by now."""

    visit: Visit
    slots: list[Slot]
    """None where the visit stands again, or where somebody of the firm has to decide."""

    @property
    def booked(self) -> bool:
        return self.visit.state == VisitState.BOOKED

    @property
    def over(self) -> bool:
        """It is done: there is nothing to choose any more."""
        return self.visit.state == VisitState.DONE


def offer(visit: Visit, *, now: datetime) -> Offer:
    """Times that are free now. Where something grave is known of the roof, the firm decides and nothing is offered."""
    if visit.state not in CALLED_OFF or roof_warnings([visit.site], now=now)[visit.site_id].grave:
        return Offer(visit, [])
    return Offer(visit, best_slots(visit.site, minutes=visit.minutes, now=now))


def choose_again(*, visit: Visit, starts_at: str, technician: str, now: datetime) -> Visit:
    """Book the visit for one of the times that are free now, named as the page named it; pressed twice it is one."""
    visit = Visit.objects.select_related("site__customer__business").get(pk=visit.pk)
    if visit.state == VisitState.BOOKED:
        return visit
    for slot in offer(visit, now=now).slots:
        if (slot.iso, str(slot.technician.pk)) == (starts_at, technician):
            try:
                return move_visit(visit=visit, starts_at=slot.starts_at, technicians=[slot.technician], now=now)
            except AskFirst:
                break  # somebody was booked there a moment ago
    raise ValidationError(_("This time was taken a moment ago. Choose another one."))
