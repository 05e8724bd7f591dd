"""What a homeowner does about their own roof: asks for a wash or a call, accepts the quote, or wants to be left alone.

Each is an event of the roof's lead, which it opens where there is none. It stands on the office's first page and goes
to it by mail until somebody there has seen to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from portal.actions.advice import recommendation
from portal.actions.pricing import price_of_visit, quote
from portal.models import (
    Business,
    Enquiry,
    EventKind,
    Lead,
    LeadEvent,
    LeadKind,
    LeadStage,
    Site,
    User,
    Visit,
    VisitState,
)
from portal.pv.advice import State
from portal.pv.due import calendar_due

MOST_ASKS_A_DAY = 12
"""So often a day a roof's owner may ask something new. Common practice, no source."""
REST_MONTHS = (1, 3, 6, 12)
"""After so many months they may want to be asked again. Common practice, no source."""
ENQUIRIES_A_DAY = 20
"""So many enquiries a day a firm is sent: more are no neighbours. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a homeowner may ask of the firm about a roof, and what they have asked already."""

    site: Site
    waiting: list[LeadEvent]
    """Asked, and not seen to yet."""
    quoted: Decimal | None
    """What a visit costs, where the office gave a price that waits for an answer."""
    accepted: LeadEvent | None
    rests_until: date | None

    @property
    def asked(self) -> set[str]:
        return {event.kind for event in self.waiting}


def wishes(site: Site, *, now: datetime) -> Wishes:
    """What the owner of a roof may ask now."""
    lead = Lead.objects.filter(site=site).open().first()
    events = list(LeadEvent.objects.filter(lead=lead)) if lead else []
    accepted = next((one for one in events if one.kind == EventKind.ACCEPT), None)
    quoted = lead is not None and lead.stage == LeadStage.QUOTED and accepted is None
    today = now.astimezone(ZoneInfo(site.tz)).date()
    rests = lead.snoozed_until if lead is not None and any(one.kind == EventKind.NOT_NOW for one in events) else None
    return Wishes(
        site,
        [one for one in events if one.answered_at is None],
        price_of_visit(site) if quoted else None,
        accepted,
        rests if rests and rests > today else None,
    )


def left_alone(sites: Sequence[int], *, now: datetime) -> set[int]:
    """Which of these roofs' owners want to be asked later: they are not written to about a wash until then."""
    today = now.date()
    asked = LeadEvent.objects.filter(lead__site__in=sites, kind=EventKind.NOT_NOW, ask_again_on__gt=today)
    return set(asked.filter(lead__snoozed_until__gt=today, lead__closed_at=None).values_list("lead__site", flat=True))


@transaction.atomic
def ask(
    *,
    site: Site,
    kind: EventKind,
    by: User,
    now: datetime,
    text: str = "",
    months: int | None = None,
    price: Decimal | None = None,
) -> LeadEvent:
    """Keep what the owner of a roof asks; the same asked again before somebody has seen to it is one.

    ``months`` is how long "not now" lasts, ``price`` the sum of the quote that is accepted, as they saw it.
    """
    Site.objects.select_for_update(of=("self",)).get(pk=site.pk)
    lead = Lead.objects.filter(site=site).open().select_for_update(of=("self",)).first()
    said: dict[str, Any] = {"text": text.strip()[:500]}
    if kind == EventKind.ACCEPT:
        said["agreed"] = _agreed(site, lead, price)
    if kind == EventKind.NOT_NOW:
        said["ask_again_on"] = _months_on(now.astimezone(ZoneInfo(site.tz)).date(), months)
    if lead is not None:
        standing = LeadEvent.objects.filter(lead=lead, kind=kind).waiting().first()
        if standing is not None:
            return _again(standing, said, now)
    day = LeadEvent.objects.filter(lead__site=site, at__gt=now - timedelta(days=1))
    if day.count() >= MOST_ASKS_A_DAY:
        raise ValidationError(_("That is a lot for one day. Please call the firm instead."))
    if lead is None:
        faulty = recommendation(site, now=now).state == State.NOT_DIRT
        lead = Lead(site=site, kind=LeadKind.REFERRAL if faulty else LeadKind.CLEANING, opened_at=now, by_customer=True)
        _keep_visit(lead, now)
    _rest(lead, said.get("ask_again_on"))
    fresh = lead.pk is None
    lead.save()
    if fresh and lead.stage == LeadStage.BOOKED:
        Visit.objects.filter(site=site, lead=None, state=VisitState.BOOKED).update(lead=lead)
    return LeadEvent.objects.create(lead=lead, kind=kind, at=now, by=by, **said)


def _keep_visit(lead: Lead, now: datetime) -> None:
    """A visit that is booked already is this lead's: it is not called about as if there were none."""
    if lead.kind == LeadKind.CLEANING and Visit.objects.filter(site=lead.site, state=VisitState.BOOKED).exists():
        lead.stage, lead.booked_at = LeadStage.BOOKED, now


def _rest(lead: Lead, until: date | None) -> None:
    """Until when nobody is to ask. Whoever asks for something does not want to be left alone any more."""
    if lead.stage != LeadStage.BOOKED:
        lead.snoozed_until, lead.next_action_on = until, until or lead.next_action_on


def _again(standing: LeadEvent, said: dict[str, Any], now: datetime) -> LeadEvent:
    """Pressed twice is once; another day to be asked again, and more words, replace those before."""
    for name, value in said.items():
        if value and name != "agreed":
            setattr(standing, name, value)
    standing.save()
    if standing.ask_again_on:
        _rest(standing.lead, standing.ask_again_on)
        standing.lead.save(update_fields=["snoozed_until", "next_action_on"])
    return standing


def _agreed(site: Site, lead: Lead | None, price: Decimal | None) -> dict[str, Any]:
    """What is agreed to: the quote, just as they saw it."""
    if lead is None or lead.stage != LeadStage.QUOTED:
        accepted = lead is not None and LeadEvent.objects.filter(lead=lead, kind=EventKind.ACCEPT).exists()
        if not accepted:
            raise ValidationError(_("There is no open quote for this roof. Ask for a wash, and you get one."))
    now_asked = price_of_visit(site)
    if price != now_asked:
        raise ValidationError(_("The price has changed since you opened the page. Look at it again, then accept it."))
    return {
        "price": str(now_asked),
        "currency": site.customer.business.currency,
        "lines": [[line.words, str(line.amount)] for line in quote(site)],
    }


def _months_on(today: date, months: int | None) -> date:
    if months not in REST_MONTHS:
        raise ValidationError(_("Choose when we may ask you again."))
    return calendar_due(today, every_months=months)


def answer(*, lead: Lead, now: datetime) -> None:
    """The office has seen to what the homeowner asked."""
    LeadEvent.objects.filter(lead=lead).waiting().update(answered_at=now)


# --- neighbours ------------------------------------------------------------------------------------------------------


@transaction.atomic
def enquire(
    *, business: Business, name: str, reach: str, address: str = "", text: str = "", now: datetime
) -> Enquiry | None:
    """Keep the enquiry of somebody who saw a shared report; the same sent twice is one. None where it is too much."""
    business = Business.objects.select_for_update(of=("self",)).get(pk=business.pk)
    lately = Enquiry.objects.filter(business=business, at__gt=now - timedelta(days=1))
    said = {"name": name.strip(), "reach": reach.strip(), "address": address.strip(), "text": text.strip()}
    twin = lately.filter(reach__iexact=said["reach"]).open().first()
    if twin is not None:
        return twin
    if lately.count() >= ENQUIRIES_A_DAY:
        return None
    return Enquiry.objects.create(business=business, at=now, **said)


def close_enquiry(*, enquiry: Enquiry, now: datetime) -> None:
    """Somebody of the office has called them."""
    if enquiry.closed_at is None:
        enquiry.closed_at = now
        enquiry.save(update_fields=["closed_at"])


def erase_enquiry(*, enquiry: Enquiry) -> None:
    """They asked for it, or it was no neighbour: nothing of it is kept."""
    enquiry.delete()
