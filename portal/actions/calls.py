"""Whom the office calls today, best first, what came of each call, and taking that back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import translation
from django.utils.translation import gettext as _

from portal.actions.asks import answer
from portal.actions.leads import CALL_AGAIN, held_open, lose_lead, move_lead, note_lead, wrong_lead
from portal.actions.standing_wishes import standing_wishes
from portal.models import (
    CLOSED_STAGES,
    Call,
    CallOutcome,
    Lead,
    LeadEvent,
    LeadNote,
    LeadStage,
    Site,
    User,
)
from portal.models.lead import LeadQuerySet
from portal.pv.advice import Act
from portal.pv.recommend import Recommendation
from portal.pv.standing_wish import StandingWish
from portal.words.figures import day_words


@dataclass(frozen=True, slots=True)
class ToCall:
    """One roof to call about, and what was said about it last time."""

    lead: Lead
    told: Recommendation
    promised: bool
    """They were told that somebody calls again by now."""
    asked: bool
    """They asked for something, and nobody has seen to it yet."""
    last: list[LeadNote]
    standing: StandingWish | None

    @property
    def due(self) -> bool:
        """Whether there is a reason to call today; the others would rather wait."""
        wished = self.standing is not None and self.standing.due(self.told.today)
        return self.promised or self.asked or wished or self.told.act in (Act.WASH, Act.LOOK)


def calls_to_make(leads: LeadQuerySet, told: Mapping[int, Recommendation], *, today: date) -> list[ToCall]:
    """Who is to be called today: nobody who has a price or a visit, and nobody before the day agreed on.

    Whoever was promised a call comes first, then those whom a wash pays now, who asked, or whose standing wish is due,
    each by what dirt costs a month; last those who would rather wait.
    """
    open_ = leads.awake(today).filter(stage__in=[LeadStage.NEW, LeadStage.CONTACTED]).by_value()
    waiting = [
        lead
        for lead in open_.select_related("site__customer__business")
        if told[lead.site_id].booked_for is None and (lead.next_action_on is None or lead.next_action_on <= today)
    ]
    said = last_said(waiting)
    wishes = standing_wishes([lead.site for lead in waiting], told)
    asked = set(LeadEvent.objects.filter(lead__in=waiting).waiting().values_list("lead", flat=True))
    calls = [
        ToCall(
            one,
            told[one.site_id],
            promised=one.next_action_on is not None,
            asked=one.pk in asked,
            last=said.get(one.site_id, []),
            standing=wishes.get(one.site_id),
        )
        for one in waiting
    ]
    return sorted(calls, key=lambda call: (not call.promised, not call.due, call.told.act != Act.WASH))


def last_said(leads: Iterable[Lead]) -> dict[int, list[LeadNote]]:
    """The notes of the last talk about each lead's roof, also of an earlier lead, by the roof's key."""
    of_roof: dict[int, list[LeadNote]] = {}
    notes = LeadNote.objects.filter(lead__site__in={lead.site_id for lead in leads})
    for note in notes.select_related("written_by", "lead").order_by("-written_at", "-pk"):
        of_roof.setdefault(note.lead.site_id, []).append(note)
    return {
        site: [note for note in reversed(notes) if note.written_at == notes[0].written_at]
        for site, notes in of_roof.items()
    }


@transaction.atomic
def keep_call(
    *, lead: Lead, outcome: CallOutcome, by: User, now: datetime, said: str = "", again_on: date | None = None
) -> Call:
    """Keep what came of a call. The lead follows: it waits for an answer, for another day, or closes.

    The same pressed twice is one call.
    """
    twin = _twin(lead, outcome, again_on, by)
    if twin is not None:
        return twin
    lead, said = held_open(lead), said.replace("\0", "").strip()
    before = _kept(lead) | {
        "answered": list(LeadEvent.objects.filter(lead=lead).waiting().values_list("pk", flat=True)),
        "notes": list(lead.notes.values_list("pk", flat=True)),
    }
    if lead.stage == LeadStage.BOOKED:
        raise ValidationError(_("A visit is booked for it. Call that off first."))
    if outcome == CallOutcome.QUOTED:
        move_lead(lead=lead, stage=LeadStage.QUOTED, by=by, now=now)
    elif outcome == CallOutcome.AGAIN:
        _again(lead, again_on, by=by, now=now)
    elif outcome == CallOutcome.NO:
        lose_lead(lead=lead, reason=said[:200], by=by, now=now)
    else:
        wrong_lead(lead=lead, reason=said[:200], by=by, now=now)
    if said and outcome in (CallOutcome.QUOTED, CallOutcome.AGAIN):
        note_lead(lead=lead, text=said, by=by, now=now)
    if outcome == CallOutcome.QUOTED:
        Lead.objects.filter(pk=lead.pk).update(next_action_on=None)  # it waits for their answer now
    lead.refresh_from_db()
    return Call.objects.create(
        lead=lead,
        at=now,
        by=by,
        outcome=outcome,
        again_on=again_on if outcome == CallOutcome.AGAIN else None,
        before=before,
        after=_kept(lead),
    )


def _twin(lead: Lead, outcome: CallOutcome, again_on: date | None, by: User) -> Call | None:
    """The last call, where it said just this and nothing was done since."""
    lead = Lead.objects.select_for_update(of=("self",)).get(pk=lead.pk)
    last = lead.calls.standing().first()
    same = last is not None and last.outcome == outcome and last.by == by and last.after == _kept(lead)
    return last if same and last is not None and last.again_on in (None, again_on) else None


def _again(lead: Lead, on: date | None, *, by: User, now: datetime) -> None:
    today = now.astimezone(ZoneInfo(lead.site.customer.business.tz)).date()
    if on is None or on <= today:
        raise ValidationError(_("Choose a day that is still to come."))
    lead.stage = LeadStage.CONTACTED
    lead.contacted_at = now
    lead.next_action_on = lead.snoozed_until = on
    lead.save()
    answer(lead=lead, now=now)
    with translation.override("en"):  # as all that is kept; who reads it gets it in their language
        text = CALL_AGAIN.format(day=day_words(on))
    note_lead(lead=lead, text=text, by=by, now=now)


@transaction.atomic
def take_back_call(*, call: Call, now: datetime) -> None:
    """The wrong button: the lead stands as before the call, as long as nothing else was done with it since."""
    Site.objects.select_for_update(of=("self",)).get(pk=call.lead.site_id)
    lead = Lead.objects.select_for_update(of=("self",)).get(pk=call.lead_id)
    call = Call.objects.select_for_update(of=("self",)).get(pk=call.pk)
    if call.undone_at is not None:
        return
    if _kept(lead) != call.after:
        raise ValidationError(_("Something else was done with this lead since. Change it on its own page."))
    if lead.stage in CLOSED_STAGES and Lead.objects.filter(site=lead.site_id).open().exists():
        raise ValidationError(_("This roof has another open lead by now. Go on with that one."))
    for name in CALL_CHANGES:
        setattr(lead, name, call.before[name])
    # Days come out of their text.
    lead.clean_fields(exclude=[one.name for one in Lead._meta.fields if one.name not in CALL_CHANGES])
    lead.save(update_fields=CALL_CHANGES)
    lead.notes.filter(written_at=call.at).exclude(pk__in=call.before["notes"]).delete()
    LeadEvent.objects.filter(lead=lead, pk__in=call.before["answered"], answered_at=call.at).update(answered_at=None)
    call.undone_at = now
    call.save(update_fields=["undone_at"])


CALL_CHANGES = (
    "stage",
    "closed_at",
    "next_action_on",
    "snoozed_until",
    "closed_because",
    "contacted_at",
    "fading_since",
)
"""What a call may change of a lead."""


def _kept(lead: Lead) -> dict[str, Any]:
    values = {name: getattr(lead, name) for name in CALL_CHANGES}
    return {name: one.isoformat() if isinstance(one, date) else one for name, one in values.items()}
