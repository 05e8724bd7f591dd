"""Booking by the signed link of a mail: anew what was called off, or the wash that a standing wish asks for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from portal.actions.advice import recommendation
from portal.actions.pricing import price_of_visit
from portal.actions.roof_warnings import AskFirst, roof_warnings
from portal.actions.slots import Slot, best_slots
from portal.actions.standing_wishes import standing_wish
from portal.actions.visits import USUAL_MINUTES, book_visit, move_visit
from portal.models import CALLED_OFF, PUT_OFF, Site, User, Visit, VisitState
from portal.pv.standing_wish import StandingWish
from portal.words.standing_wish import your_wish_words


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
    begins, crew = _chosen(offer(visit, now=now).slots, starts_at, technician)
    try:
        return move_visit(visit=visit, starts_at=begins, technicians=crew, now=now)
    except AskFirst:
        raise _taken() from None


@dataclass(frozen=True, slots=True)
class WishOffer:
    """What the link shows of a wash that a standing wish asks for: the visit that is booked, or free times."""

    visit: Visit | None
    slots: list[Slot]
    """None where a visit is booked, the wish is not due any more, or somebody of the firm has to decide."""
    wish: StandingWish | None = None
    today: date = date.min

    @property
    def asked(self) -> str:
        """What they asked for, and what it comes to beside the readings, as the mail says it."""
        return your_wish_words(self.wish, self.today) if self.wish else ""


def wish_offer(site: Site, *, now: datetime) -> WishOffer:
    """Times that are free now for the wash that its owner wants every so often, while it is due."""
    visits = Visit.objects.filter(site=site, state__in=[VisitState.BOOKED, *PUT_OFF]).order_by("-starts_at")
    booked = next((one for one in visits if one.state == VisitState.BOOKED and one.ends_at > now), None)
    told = recommendation(site, now=now)
    wish = standing_wish(site, told)
    due = wish is not None and wish.due(told.today)
    if visits or not due or roof_warnings([site], now=now)[site.pk].grave:
        return WishOffer(booked, [])
    return WishOffer(None, best_slots(site, minutes=USUAL_MINUTES, now=now), wish, told.today)


@transaction.atomic
def choose_wished(*, site: Site, starts_at: str, technician: str, now: datetime) -> Visit:
    """Book the wash for one of the times that are free now, named as the page named it; pressed twice it is one."""
    Site.objects.select_for_update(of=("self",)).get(pk=site.pk)
    offered = wish_offer(site, now=now)
    if offered.visit is not None:
        return offered.visit
    begins, crew = _chosen(offered.slots, starts_at, technician)
    try:
        return book_visit(site=site, starts_at=begins, technicians=crew, price=price_of_visit(site), now=now)
    except AskFirst:
        raise _taken() from None


def _chosen(slots: list[Slot], starts_at: str, technician: str) -> tuple[datetime, list[User]]:
    for slot in slots:
        if (slot.iso, str(slot.technician.pk)) == (starts_at, technician):
            return slot.starts_at, [slot.technician]
    raise _taken()


def _taken() -> ValidationError:
    """Somebody was booked there a moment ago."""
    return ValidationError(_("This time was taken a moment ago. Choose another one."))
