"""Visits: book, move, call off, finish; and the order of a day's visits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from decimal import Decimal

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from portal.actions.asks import answer
from portal.actions.doubts import Doubt, doubts_about, hold_crew, mark_of
from portal.actions.invoices.draft import draft_invoice, forget_drafts
from portal.actions.leads import reopen_lead, win_lead
from portal.actions.nights import ask_for_assessment
from portal.actions.roof_warnings import AskFirst, ask_first, note_read
from portal.actions.travel import DETOUR
from portal.models import (
    CALLED_OFF,
    PUT_OFF,
    Lead,
    LeadKind,
    LeadStage,
    Membership,
    Proof,
    Site,
    User,
    Visit,
    VisitState,
)
from portal.models.visit import VisitQuerySet
from portal.pv.town import Place, kilometres

USUAL_MINUTES = 60
"""So long a visit is booked for where nobody says otherwise. Common practice, no source."""


@transaction.atomic
def book_visit(
    *,
    site: Site,
    starts_at: datetime,
    technicians: Sequence[User],
    now: datetime,
    lead: Lead | None = None,
    price: Decimal | None = None,
    minutes: int = USUAL_MINUTES,
    note: str = "",
    by: User | None = None,
    read: str = "",
    despite: str = "",
) -> Visit:
    """Book a cleaning. The site's open cleaning lead, if it has one, becomes booked.

    The same roof booked for the same moment again is the same visit: a button pressed twice books once.

    ``read`` is the mark of what ``by`` has read of the roof, ``despite`` that of what they have read to speak against
    the time and the crew; without them nothing is booked where there is any (``AskFirst``). Of two people who book the
    same crew or the same roof at once, the second is asked.
    """
    _refuse_naive(starts_at)
    if lead is not None and lead.site_id != site.pk:
        raise ValidationError(_("This lead belongs to another roof. Open the lead again and book from its page."))
    _refuse_strangers(site, technicians)
    Site.objects.select_for_update(of=("self",)).get(pk=site.pk)
    hold_crew(technicians, site)
    twin = Visit.objects.filter(site=site, starts_at=starts_at, state=VisitState.BOOKED).first()
    if twin is not None and set(twin.technicians.all()) != set(technicians):
        raise ValidationError(_("This roof is booked for that time already, with others on the crew. Open that visit."))
    against = doubts_about(site, starts_at, minutes=minutes, technicians=technicians, now=now, visit=twin)
    known = ask_first(site, read=read, now=now, doubts=[] if twin else against, despite=despite)
    if twin is not None:
        return twin
    # A closed lead needs no visit any more; the visit then stands by itself.
    still_open = site.leads.open().select_for_update(of=("self",))
    lead = still_open.filter(pk=lead.pk).first() if lead else still_open.filter(kind=LeadKind.CLEANING).first()
    visit = Visit.objects.create(site=site, lead=lead, starts_at=starts_at, minutes=minutes, price=price, note=note)
    visit.technicians.set(technicians)
    if by is not None and known and read == known.mark:
        note_read(visit=visit, mark=read, by=by, now=now)
    if lead is not None and lead.kind == LeadKind.CLEANING:
        _lead_to(visit, LeadStage.BOOKED, now=now)
        answer(lead=lead, now=now)
    return visit


@transaction.atomic
def move_visit(
    *,
    visit: Visit,
    starts_at: datetime,
    now: datetime,
    technicians: Sequence[User] | None = None,
    minutes: int | None = None,
    price: Decimal | None = None,
    note: str | None = None,
    by: User | None = None,
    read: str = "",
    despite: str = "",
) -> Visit:
    """Give a visit another time; what is left None stays. A visit called off is booked again by this.

    To book it again asks first like booking does, where something grave is known of the roof; another time, length or
    crew asks first where something speaks against it.
    """
    _refuse_naive(starts_at)
    visit = _held(visit)
    if visit.state == VisitState.DONE:
        raise ValidationError(_("This visit is done. Book a new one instead of moving it."))
    crew = list(visit.technicians.all()) if technicians is None else list(technicians)
    length = visit.minutes if minutes is None else minutes
    _refuse_strangers(visit.site, crew if technicians is not None else [])
    hold_crew(crew, visit.site)
    again = visit.state in CALLED_OFF
    as_it_was = (visit.starts_at, visit.minutes, set(visit.technicians.all())) == (starts_at, length, set(crew))
    against: list[Doubt] = []
    if again or not as_it_was:
        against = doubts_about(visit.site, starts_at, minutes=length, technicians=crew, now=now, visit=visit)
    if again:
        known = ask_first(visit.site, read=read, now=now, doubts=against, despite=despite)
        if by is not None and known and read == known.mark:
            note_read(visit=visit, mark=read, by=by, now=now)
    elif against and despite != mark_of(against):
        raise AskFirst(" ".join(one.words for one in against), against)
    visit.technicians.set(crew)
    visit.starts_at = starts_at
    visit.minutes = length
    visit.price = visit.price if price is None else price
    visit.note = visit.note if note is None else note
    visit.state = VisitState.BOOKED
    visit.revision += 1
    visit.save()
    _lead_to(visit, LeadStage.BOOKED, now=now)
    return visit


def cancel_visit(*, visit: Visit, reason: str, now: datetime) -> Visit:
    """Cancel a booked visit for good; its lead waits for the next step again."""
    return _call_off(visit, VisitState.CANCELLED, reason, now=now)


def put_off_visit(*, visit: Visit, why: VisitState, reason: str = "", now: datetime) -> Visit:
    """Call off a visit because of the weather or an illness; it waits to be moved."""
    if why not in PUT_OFF:
        raise ValueError("a visit is put off for weather or illness")
    return _call_off(visit, why, reason, now=now)


@transaction.atomic
def finish_visit(*, visit: Visit, now: datetime, finished_at: datetime | None = None) -> Visit:
    """Mark a visit done: a known cleaning date for the assessment, which is asked for again. Twice is once.

    ``finished_at`` is for a finish that waited on a phone for a signal, or that the office heard of later.

    A visit that was called off and washed all the same counts: the panels are clean whatever the calendar said.
    """
    if finished_at is not None and finished_at > now:
        raise ValidationError(_("A wash that is still to come cannot be marked done. Choose today or an earlier day."))
    visit = _held(visit)
    if visit.state == VisitState.DONE:
        return visit
    visit.state = VisitState.DONE
    visit.finished_at = finished_at or now
    visit.save()
    lead = visit.lead
    if lead is not None and lead.kind == LeadKind.CLEANING:
        win_lead(lead=lead, now=now)
    draft_invoice(visit=visit, now=now)
    ask_for_assessment(visit.site, now=now)
    return visit


@transaction.atomic
def reopen_visit(*, visit: Visit, now: datetime) -> Visit:
    """Take back a finish pressed by mistake: the day is no longer a known cleaning, and the lead it won is open again.

    What was seen on the roof was seen: findings and the work to refer stay.
    """
    visit = _held(visit)
    if visit.state != VisitState.DONE:
        return visit
    forget_drafts(visit=visit)
    visit.state = VisitState.BOOKED
    visit.finished_at = None
    visit.save()
    Proof.objects.filter(visit=visit).delete()
    reopen_lead(visit=visit)
    ask_for_assessment(visit.site, now=now)
    return visit


def overlapping(visit: Visit) -> VisitQuerySet:
    """Other booked visits of this visit's technicians, for the same firm, that overlap with it."""
    others = Visit.objects.filter(
        technicians__in=visit.technicians.all(),
        site__customer__business=visit.site.customer.business_id,
        state=VisitState.BOOKED,
        starts_at__lt=visit.ends_at,
    ).exclude(pk=visit.pk)
    same_time = [other.pk for other in others.distinct() if other.ends_at > visit.starts_at]
    return Visit.objects.filter(pk__in=same_time).select_related("site__customer")


def route_order(points: Sequence[tuple[float, float]], start: tuple[float, float] | None) -> tuple[list[int], float]:
    """Order to drive to ``points`` and home again, and its length [km].

    Nearest neighbour from ``start`` (the yard, say; without one, from the first point), then 2-opt until no swap of two
    legs shortens the round. Distances are great circles: roads are longer, so treat the kilometres as a lower bound.
    """
    if not points:
        return [], 0.0
    nodes = [start if start is not None else points[0], *points]
    km = [[kilometres(*a, *b) for b in nodes] for a in nodes]
    left = set(range(1, len(nodes)))
    tour = [0]
    while left:
        nearest = min(left, key=lambda node: (km[tour[-1]][node], node))
        left.remove(nearest)
        tour.append(nearest)
    better = True
    while better:
        better = False
        for i in range(1, len(tour) - 1):
            for j in range(i + 1, len(tour)):
                after = tour[(j + 1) % len(tour)]
                as_is = km[tour[i - 1]][tour[i]] + km[tour[j]][after]
                swapped = km[tour[i - 1]][tour[j]] + km[tour[i]][after]
                if swapped < as_is - 1e-9:
                    tour[i : j + 1] = reversed(tour[i : j + 1])
                    better = True
    length = sum(km[a][b] for a, b in zip(tour, [*tour[1:], 0], strict=True))
    return [node - 1 for node in tour[1:]], length


def in_route_order(visits: Iterable[Visit], start: Place | None) -> tuple[list[Visit], float]:
    """A day's visits in the order of the shortest round found from ``start``, and its length by road [km].

    Those whose place nobody knows come last.
    """
    listed = list(visits)
    if not listed:
        return [], 0.0
    placed = [(visit, place) for visit in listed if (place := visit.site.place) is not None]
    order, km = route_order([place for _visit, place in placed], start)
    unplaced = [visit for visit in listed if visit.site.place is None]
    return [*(placed[index][0] for index in order), *unplaced], DETOUR * km


@transaction.atomic
def _call_off(visit: Visit, state: VisitState, reason: str, *, now: datetime) -> Visit:
    visit = _held(visit)
    if visit.state == VisitState.DONE:
        raise ValidationError(_("This visit is done and cannot be called off. If that is wrong, reopen it first."))
    if visit.state != state:
        visit.state = state
        visit.revision += 1
    if reason:
        visit.note = f"{visit.note}\n{reason}".strip()
    visit.save()
    quoted = visit.lead is not None and visit.lead.quoted_before
    _lead_to(visit, LeadStage.QUOTED if quoted else LeadStage.CONTACTED, now=now)
    return visit


def _held(visit: Visit) -> Visit:
    """The row as it is now, locked until the transaction ends: two people may press at once."""
    return (
        Visit.objects.select_for_update(of=("self",))
        .select_related("site__customer__business", "lead")
        .get(pk=visit.pk)
    )


def _lead_to(visit: Visit, stage: LeadStage, *, now: datetime) -> None:
    lead = visit.lead
    if lead is None or lead.closed_at is not None or lead.stage == stage:
        return
    if stage == LeadStage.BOOKED:
        lead.quoted_before = lead.stage == LeadStage.QUOTED
    lead.stage = stage
    lead.booked_at = now if stage == LeadStage.BOOKED else None
    lead.save(update_fields=["stage", "booked_at", "quoted_before"])


def _refuse_naive(moment: datetime) -> None:
    if moment.tzinfo is None:
        raise ValueError("a visit's start needs a time zone: naive times are refused")


def _refuse_strangers(site: Site, technicians: Sequence[User]) -> None:
    working = set(
        Membership.objects.filter(
            business=site.customer.business_id, user__in=technicians, user__is_active=True
        ).values_list("user_id", flat=True)
    )
    strangers = [person for person in technicians if person.pk not in working]
    if strangers:
        names = ", ".join(str(person) for person in strangers)
        raise ValidationError(
            _("{names} does not work for {business}. Choose one of its technicians.").format(
                names=names, business=site.customer.business
            )
        )
