"""Leads: opened and closed by what the readings say, worked by the office.

A lead opens where the roof's owner is advised to wash, or will likely be within the firm's lead time: both by the same
distribution, so that no roof is called about whose owner is told to wait, unless the firm wants that. It closes by
itself when that is gone. Between the two lies a band in which nothing happens, and a fading lead is given a week, so
that noise does not open and close it by turns.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import translation
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from portal.actions.advice import recommendations
from portal.actions.asks import answer
from portal.actions.travel import yard_of
from portal.actions.washes import last_wash
from portal.models import (
    CLOSED_STAGES,
    Business,
    EventKind,
    Lead,
    LeadKind,
    LeadNote,
    LeadStage,
    Site,
    SiteAssessment,
    User,
    Visit,
    VisitState,
)
from portal.pv.advice import Act, State, kept_advice
from portal.pv.recommend import Recommendation
from portal.pv.result import Cause, chance_loss_exceeds
from portal.pv.town import Place, kilometres

TURNED_DOWN = gettext_noop("Turned down: {why}")
RAISED_WRONGLY = gettext_noop("Raised wrongly: {why}")
REOPENED = gettext_noop("Reopened: it was right after all.")
MOVED = gettext_noop("Moved to “{stage}”.")
CALL_AGAIN = gettext_noop("To call again on {day}.")
OUR_NOTES = tuple(note.partition("{")[0] for note in (TURNED_DOWN, RAISED_WRONGLY, REOPENED, MOVED, CALL_AGAIN))
"""How notes begin that nobody wrote; all others stay in the language of who wrote them."""

GONE_CHANCE = 0.1
"""Below this chance the loss is gone and its lead closes at once. No source."""

FADING_SHARE = 0.5
"""Below this share of the opening chance a lead fades. No source."""

FADES_FOR = timedelta(days=7)
"""So long a lead must have faded before it closes. No source."""

REST_AFTER_VISIT = timedelta(days=21)
"""After a wash the readings get this long before the roof can be a lead again. Common practice, no source."""

REST_AFTER_CLEARED = timedelta(days=14)
REST_AFTER_LOST = timedelta(days=180)
REST_AFTER_WRONG = timedelta(days=14)
"""A lead raised wrongly says something of the readings, nothing of the owner: the roof is not silenced, but the same
readings of the night after would only raise it again. Common practice, no source."""


def review_leads(*, assessments: Sequence[SiteAssessment], now: datetime) -> None:
    """Let each site's lead follow its newest assessment: what most roofs need, a look, in few queries for all."""
    sites = [assessment.site for assessment in assessments]
    with transaction.atomic():
        # One review of a site at a time: two workers would each see no open lead.
        list(Site.objects.filter(pk__in=[site.pk for site in sites]).order_by("pk").select_for_update())
        open_leads = {lead.site_id: lead for lead in Lead.objects.filter(site__in=sites).open()}
        told = recommendations(sites, now=now)
        for assessment in assessments:
            _review(open_leads.get(assessment.site_id), assessment, told[assessment.site_id], now=now)


def _review(lead: Lead | None, assessment: SiteAssessment, told: Recommendation, *, now: datetime) -> None:
    """Run twice with the same assessment it changes nothing the second time."""
    site = assessment.site
    if lead is not None:
        lead.site = site
        washed = Visit.objects.filter(lead=lead, lead__kind=LeadKind.CLEANING, state=VisitState.DONE)
        if washed.exists():
            win_lead(lead=lead, now=now)
            lead = None
    if told.cause == Cause.SNOW or not told.readings_speak:
        return  # it says nothing of the roof as it is now, and nobody is to be sent for it
    chance = call_for(told, assessment, site.customer.business)
    dirty = chance is not None and chance >= site.customer.business.lead_chance
    faulty = told.state == State.NOT_DIRT
    if lead is None:
        kind = LeadKind.REFERRAL if faulty else LeadKind.CLEANING
        if not (dirty or faulty) or _resting(site, kind, now):
            return
        lead = Lead(site=site, kind=kind, opened_at=now)
    elif _gone(lead, told, chance):
        _close(lead, LeadStage.CLEARED, now=now)
        return
    elif lead.stage != LeadStage.BOOKED:
        if faulty:
            lead.kind = LeadKind.REFERRAL
        elif dirty:
            lead.kind = LeadKind.CLEANING
    # A wash that was booked before the readings called for one is this lead's.
    booked = Visit.objects.filter(site=site, lead=None, state=VisitState.BOOKED).order_by("starts_at").first()
    if booked is not None and lead.kind == LeadKind.CLEANING and lead.stage != LeadStage.BOOKED:
        lead.stage, lead.booked_at = LeadStage.BOOKED, now
    lead.save()
    if booked is not None and lead.stage == LeadStage.BOOKED:
        booked.lead = lead
        booked.save(update_fields=["lead"])


def call_for(told: Recommendation, assessment: SiteAssessment, business: Business) -> float | None:
    """Chance that a call about a wash is right; None where the readings cannot say.

    It is sure where a wash is advised, else the chance that one will be within the firm's lead time. Where the firm
    also calls about roofs that would rather wait, the loss above its threshold counts too, if the dirt of the months it
    names costs as much as a wash.
    """
    advised = kept_advice(assessment.advice)
    if advised is None or not advised.days_to_wash:
        return None
    if told.act == Act.WASH:
        return 1.0
    if told.state == State.NOT_DIRT:
        return 0.0
    chance = 0.0
    if told.act == Act.WAIT:
        chance = advised.chance_within(business.lead_days + (told.today - advised.as_of).days)
    lost = told.lost_a_month.middle * business.lead_pays_months if told.lost_a_month else 0.0
    if business.lead_waiting and told.state == State.DIRTY and told.wash is not None and lost >= told.wash.price:
        chance = max(chance, chance_loss_exceeds(assessment.loss_quantiles, business.lead_loss))
    return chance


def _gone(lead: Lead, told: Recommendation, chance: float | None) -> bool:
    """Whether the lead's cause is gone; marks since when it fades.

    Readings that cannot say do not say that it is gone, and a booked visit is for the office to call off.
    """
    if lead.by_customer or lead.events.exclude(kind=EventKind.NOT_NOW).exists():
        return False  # its owner asked: that is the office's to answer, whatever the readings say
    if lead.stage == LeadStage.BOOKED or told.state == State.CANNOT_TELL:
        return False
    if lead.kind == LeadKind.REFERRAL:
        fading, gone = told.state not in (State.NOT_DIRT, State.UNSURE), False
    elif chance is None:
        return False
    else:
        opening = lead.site.customer.business.lead_chance
        fading = told.state != State.NOT_DIRT and chance < FADING_SHARE * opening
        gone = fading and chance <= GONE_CHANCE and told.state == State.CLEAN
    if not fading:
        lead.fading_since = None
        return False
    lead.fading_since = lead.fading_since or told.today
    return gone or told.today - lead.fading_since >= FADES_FOR


def _resting(site: Site, kind: LeadKind, now: datetime) -> bool:
    """Whether the site was washed, cleared or turned down too lately to be a lead again."""
    if kind == LeadKind.CLEANING:
        washed = last_wash(site)
        if washed is not None and washed.finished_at is not None and washed.finished_at > now - REST_AFTER_VISIT:
            return True
    closed = Lead.objects.filter(site=site, kind=kind)
    return (
        closed.filter(stage=LeadStage.CLEARED, closed_at__gt=now - REST_AFTER_CLEARED).exists()
        or closed.filter(stage=LeadStage.LOST, closed_at__gt=now - REST_AFTER_LOST).exists()
        or closed.filter(stage=LeadStage.WRONG, closed_at__gt=now - REST_AFTER_WRONG).exists()
    )


def _close(lead: Lead, stage: LeadStage, *, now: datetime) -> None:
    lead.stage = stage
    lead.closed_at = now
    lead.snoozed_until = None
    lead.save()
    answer(lead=lead, now=now)


@transaction.atomic
def win_lead(*, lead: Lead, now: datetime) -> None:
    """The roof was washed: the lead has done its work. What was promised stays on it for comparison."""
    lead = Lead.objects.select_for_update(of=("self",)).get(pk=lead.pk)
    if lead.closed_at is None:
        _close(lead, LeadStage.WON, now=now)


@transaction.atomic
def reopen_lead(*, visit: Visit) -> None:
    """The wash that won this visit's lead did not happen: the lead is booked again.

    Where the readings have opened another lead for the roof meanwhile, that one is booked by the visit, since a roof
    has one open lead. A lead that another finished visit has won too stays won.
    """
    Site.objects.select_for_update(of=("self",)).get(pk=visit.site_id)
    lead = Lead.objects.select_for_update(of=("self",)).filter(visits=visit, stage=LeadStage.WON).first()
    if lead is None or lead.visits.filter(state=VisitState.DONE).exclude(pk=visit.pk).exists():
        return
    newer = Lead.objects.select_for_update(of=("self",)).filter(site=visit.site_id).open().first()
    if newer is not None:
        if newer.kind != LeadKind.CLEANING:
            return
        newer.booked_at = lead.booked_at
        lead = newer
        visit.lead = lead
        visit.save(update_fields=["lead"])
    lead.stage = LeadStage.BOOKED
    lead.closed_at = None
    lead.save()


@transaction.atomic
def lose_lead(*, lead: Lead, reason: str, by: User, now: datetime) -> None:
    """They said no. The reason is kept, and the roof is left in peace for half a year."""
    lead = held_open(lead)
    if not reason.strip():
        raise ValidationError(_("Say why it was lost: it helps the next call."))
    lead.closed_because = reason
    _close(lead, LeadStage.LOST, now=now)
    note_lead(lead=lead, text=TURNED_DOWN.format(why=lead.closed_because), by=by, now=now)


@transaction.atomic
def wrong_lead(*, lead: Lead, reason: str, by: User, now: datetime) -> None:
    """The lead should not have been raised. It counts as wrong; it can be reopened, and the roof raised again soon."""
    lead = held_open(lead)
    reason = reason.replace("\0", "").strip()
    if not reason:
        raise ValidationError(_("Say what was wrong: it shows where the readings mislead."))
    if lead.stage == LeadStage.BOOKED:
        raise ValidationError(_("A visit is booked for it. Call that off first."))
    lead.closed_because = reason.strip()
    _close(lead, LeadStage.WRONG, now=now)
    note_lead(lead=lead, text=RAISED_WRONGLY.format(why=lead.closed_because), by=by, now=now)


@transaction.atomic
def unwrong_lead(*, lead: Lead, by: User, now: datetime) -> None:
    """It was right after all: the lead is open again. Twice is once."""
    Site.objects.select_for_update(of=("self",)).get(pk=lead.site_id)
    lead = Lead.objects.select_for_update(of=("self",)).get(pk=lead.pk)
    if lead.stage != LeadStage.WRONG:
        return
    if Lead.objects.filter(site=lead.site_id).open().exists():
        raise ValidationError(_("This roof has another open lead by now. Go on with that one."))
    lead.stage = LeadStage.CONTACTED if lead.contacted_at else LeadStage.NEW
    lead.closed_at, lead.closed_because, lead.fading_since = None, "", None
    lead.save()
    note_lead(lead=lead, text=REOPENED, by=by, now=now)


@transaction.atomic
def move_lead(*, lead: Lead, stage: LeadStage, by: User, now: datetime) -> None:
    """Move an open lead between its open stages."""
    lead = held_open(lead)
    if stage in CLOSED_STAGES or stage == LeadStage.BOOKED:
        raise ValidationError(_("A lead is booked by booking its visit, and closed by washing, losing or clearing it."))
    lead.stage = stage
    if stage != LeadStage.NEW:
        lead.contacted_at = now
        answer(lead=lead, now=now)
    lead.save()
    with translation.override("en"):  # as all that is kept; who reads it gets it in their language
        moved = MOVED.format(stage=LeadStage(stage).label)
    note_lead(lead=lead, text=moved, by=by, now=now)


def note_lead(*, lead: Lead, text: str, by: User, now: datetime) -> LeadNote:
    if not text.strip():
        raise ValidationError(_("The note is empty."))
    return LeadNote.objects.create(lead=lead, text=text.strip(), written_by=by, written_at=now)


@transaction.atomic
def plan_lead(
    *, lead: Lead, assigned_to: User | None, next_action_on: date | None, snoozed_until: date | None, now: datetime
) -> None:
    """Who follows it up and when; a snoozed lead stays off the board until its day."""
    lead = held_open(lead)
    business = lead.site.customer.business
    today = now.astimezone(ZoneInfo(business.tz)).date()
    if assigned_to and not business.memberships.filter(user=assigned_to).exists():
        raise ValidationError(_("Give it to somebody who works here."))
    if snoozed_until and snoozed_until <= today and snoozed_until != lead.snoozed_until:  # one that ran out may stay
        raise ValidationError(_("Snooze it until a day that is still to come."))
    lead.assigned_to = assigned_to
    lead.next_action_on = next_action_on
    lead.snoozed_until = snoozed_until
    lead.save()


def held_open(lead: Lead) -> Lead:
    """The lead as it stands now, held: the nightly review may have closed it since the page was drawn."""
    held = Lead.objects.select_for_update(of=("self",)).select_related("site__customer__business").get(pk=lead.pk)
    if held.closed_at is not None:
        raise ValidationError(_("This lead is closed. A new one opens by itself if the readings call for it."))
    return held


def trips(leads: Sequence[Lead], *, within_km: float) -> list[list[Lead]]:
    """Leads grouped for one drive: around the one with most at stake, all within ``within_km`` as the crow flies.

    ``leads`` come in the order of their worth; each group keeps it.
    """
    groups: list[list[Lead]] = []
    for lead in leads:
        for group in groups:
            km = _km(group[0].site.place, lead.site.place)
            if km is not None and km <= within_km:
                group.append(lead)
                break
        else:
            groups.append([lead])
    return sorted(groups, key=lambda group: -sum(_at_stake(lead) for lead in group))


def _at_stake(lead: Lead) -> float:
    """What :meth:`LeadQuerySet.with_stake` put beside it."""
    return float(getattr(lead, "at_stake", None) or 0)


def _km(a: Place | None, b: Place | None) -> float | None:
    return None if a is None or b is None else kilometres(*a, *b)


def distance_km(lead: Lead) -> float | None:
    """From the business's yard to the roof, as the crow flies; None while nobody said where either is."""
    return _km(yard_of(lead.site.customer.business), lead.site.place)
