"""The proof of a visit: the gain with its interval as clear days come in, what it is worth, and links to show it."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from math import isfinite

import pandas as pd
from django.core import signing
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Exists, OuterRef, Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from portal.actions.washes import WASH_SEEN_WITHIN, wash_after
from portal.models import (
    DayRain,
    EntryKind,
    InspectionFinding,
    Look,
    Proof,
    ProofState,
    RainGauge,
    ReportLink,
    Site,
    SiteAssessment,
    SiteDaily,
    Visit,
    VisitState,
)
from portal.models.record import standing
from portal.pv.advice import Range
from portal.pv.recovered import expected_clean_wh, recovered, same_season
from portal.pv.result import Band, Recovery, Verdict
from portal.pv.year import SoilingYear, read_year
from portal.words.figures import day_words
from portal.words.gains import NoGain

NARROW = 0.04
"""A first answer is given when the 90 % interval is no wider than this share of the clean yield; never because it
excludes nothing, since answers picked for that would be too good on average. No source."""

FEWEST_USABLE_DAYS = 3
"""And not with fewer usable days than this in the month before or after the wash: what is said without having looked
would be a guess. No source."""

FEW_DAYS = 8
"""Fewer usable days than this on either side are said as a doubt. No source."""

SETTLES_AFTER = timedelta(days=30)
OVERDUE = timedelta(days=3)
"""So long after it should have settled a proof may still be in the making: some nights. Common practice, no source."""
WATCHED_FOR = timedelta(days=400)
PROOF_HORIZON = timedelta(days=365)
PROOF_WINDOW = timedelta(days=30)
SAME_WEEK = timedelta(days=7)
RAIN_THAT_WASHES_MM = 2.0
"""Daily rain that may take dirt off a panel; published thresholds run from under 1 to 10 mm (from memory)."""

REPORT_SALT = "visit-report"
LINK_LASTS = timedelta(days=90)
"""So long the link to a report opens. Common practice, no source."""

log = logging.getLogger(__name__)


def update_proofs(*, now: datetime, sites: Sequence[Site] | None = None) -> int:
    """Look at the finished visits of the last year or so, of some roofs or of all. Returns how many proofs changed.

    Older ones are looked at where nothing was ever said of them: their readings may have come since. One that fails is
    logged and does not keep the others.
    """
    told_of = SiteAssessment.objects.filter(site=OuterRef("site"), is_newest=True)
    never = ~Q(proof__state=ProofState.SETTLED) & Exists(told_of)
    visits = Visit.objects.filter(Q(finished_at__gte=now - WATCHED_FOR) | never, state=VisitState.DONE)
    if sites is not None:
        visits = visits.filter(site__in=sites)
    changed = 0
    for visit in visits.select_related("site__customer__business"):
        try:
            changed += update_proof(visit=visit, now=now)
        except Exception:
            log.exception("the proof of visit %d could not be worked out", visit.pk)
    return changed


@transaction.atomic
def update_proof(*, visit: Visit, now: datetime) -> bool:
    """Bring one visit's proof up to its roof's newest assessment. Returns whether there was something new."""
    site, cleaned_on = visit.site, visit.cleaned_on
    if visit.state != VisitState.DONE or cleaned_on is None:
        return False
    Visit.objects.select_for_update().get(pk=visit.pk)  # two workers, one proof
    proof = Proof.objects.filter(visit=visit).first() or Proof(visit=visit, updated_at=now)
    assessment = SiteAssessment.objects.filter(site=site, as_of__gt=cleaned_on).newest().first()
    kept = SiteDaily.objects.filter(site=site).first()
    if assessment is None or kept is None:
        if proof.pk is None:
            proof.save()
            return True
        return False
    if proof.as_of == assessment.as_of and proof.updated_at >= assessment.made_at:
        return False
    daily = kept.frame()
    recoveries = _recoveries(assessment)
    if proof.state != ProofState.SETTLED or proof.gain is None:  # readings may come in months after the wash
        _judge(proof, assessment, daily, recoveries, cleaned_on, now=now)
    _count(proof, assessment, daily, recoveries, cleaned_on)
    proof.as_of = assessment.as_of
    proof.updated_at = now
    proof.save()
    return True


def _judge(
    proof: Proof,
    assessment: SiteAssessment,
    daily: pd.DataFrame,
    recoveries: Sequence[Recovery],
    cleaned_on: date,
    *,
    now: datetime,
) -> None:
    """State the gain once its interval is narrow enough, and settle it after 30 days whatever it is."""
    usable = [day for day, used in zip(daily.index, daily["used"], strict=True) if used]
    proof.clear_days_before = sum(cleaned_on - PROOF_WINDOW <= day < cleaned_on for day in usable)
    proof.clear_days_after = sum(cleaned_on < day <= cleaned_on + PROOF_WINDOW for day in usable)
    found = next((one for one in assessment.cleanings if one["date"] == cleaned_on.isoformat()), None)
    settled = assessment.as_of >= cleaned_on + SETTLES_AFTER
    seen = min(proof.clear_days_before, proof.clear_days_after) >= FEWEST_USABLE_DAYS
    said = found is not None and found["gain"] is not None and seen
    if found is not None and said and (settled or found["high"] - found["low"] <= NARROW):
        proof.gain, proof.gain_low, proof.gain_high = found["gain"], found["low"], found["high"]
        proof.state = ProofState.FIRST
    if settled:
        proof.state = ProofState.SETTLED
    season = same_season(daily, cleaned_on=cleaned_on)
    if season is not None:
        proof.season_difference = season.difference
        proof.season_low, proof.season_high = season.ci.low, season.ci.high
        proof.season_days = season.days_before
    proof.doubts = _doubts(proof, assessment, recoveries, cleaned_on)


def _count(
    proof: Proof, assessment: SiteAssessment, daily: pd.DataFrame, recoveries: Sequence[Recovery], cleaned_on: date
) -> None:
    """Turn the gain into energy: to date by the readings, and until the next due date by the season and its rain."""
    gain, low, high = proof.gain, proof.gain_low, proof.gain_high
    if gain is None or low is None or high is None:
        return
    next_wash = wash_after(proof.visit, cleaned_on)
    held = recovered(daily, recoveries, cleaned_on=cleaned_on, next_wash=next_wash)
    kwh = held.clean_wh / 1000
    proof.kwh, proof.kwh_low, proof.kwh_high = gain * kwh, low * kwh, high * kwh
    proof.counted_to = held.last
    proof.days_without_readings = held.days_without_readings
    # Where no wash is in sight, the gain is followed for a year.
    until = next_wash or assessment.clean_due or cleaned_on + PROOF_HORIZON
    ahead = Range(0.0, 0.0, 0.0)
    if next_wash is None and until > assessment.as_of:
        until = min(until, assessment.as_of + PROOF_HORIZON)
        year = _year(assessment, daily, recoveries)
        ahead = expected_clean_wh(daily, year, after=assessment.as_of, until=until)
    proof.due_on = next_wash or assessment.clean_due
    if isfinite(ahead.middle):  # the record holds energies
        least, total, most = (kwh + held.share_left * wh / 1000 for wh in (ahead.low, ahead.middle, ahead.high))
        ends = [one * share for one in (low, high) for share in (least, most)]
        proof.kwh_by_due, proof.kwh_by_due_low, proof.kwh_by_due_high = gain * total, min(ends), max(ends)


def _year(assessment: SiteAssessment, daily: pd.DataFrame, recoveries: Sequence[Recovery]) -> SoilingYear:
    """What rain does to the roof through the year, by its own record."""
    washed = [date.fromisoformat(one["date"]) for one in assessment.cleanings]
    rains = [
        (one.date, one.gain) for one in recoveries if not any(abs(one.date - day) <= WASH_SEEN_WITHIN for day in washed)
    ]
    return read_year(daily["soiling_ratio"], rains, rate_per_day=assessment.soiling_rate_per_day or 0.0)


def no_gain(visit: Visit, *, today: date) -> NoGain | None:
    """Why nothing is said of a finished visit's gain; None where something is."""
    proof: Proof | None = getattr(visit, "proof", None)
    if proof is not None and proof.gain is not None:
        return None
    if proof is None or proof.state != ProofState.SETTLED:
        over = visit.cleaned_on is not None and today > visit.cleaned_on + SETTLES_AFTER + OVERDUE
        return NoGain.NO_READINGS if over else NoGain.AWAITED
    seen = min(proof.clear_days_before, proof.clear_days_after)
    return NoGain.FEW_CLEAR_DAYS if seen < FEWEST_USABLE_DAYS else NoGain.TOO_ROUGH


def _recoveries(assessment: SiteAssessment) -> list[Recovery]:
    return [
        Recovery(date.fromisoformat(one["date"]), one["gain"], Band(one["low"], one["high"]))
        for one in assessment.recoveries
    ]


def _doubts(proof: Proof, assessment: SiteAssessment, recoveries: Sequence[Recovery], cleaned_on: date) -> list[str]:
    """What else could explain the change, in sentences."""
    site = proof.visit.site
    doubts = []
    first, last = cleaned_on - SAME_WEEK, cleaned_on + SAME_WEEK
    gauge = RainGauge.objects.all().nearest(site)
    if gauge is None:
        doubts.append(
            gettext_noop("No rain gauge is known near this roof, so rain in the same week cannot be ruled out.")
        )
    else:
        rain_days = DayRain.objects.filter(gauge=gauge, day__range=(first, last))
        due = (min(last, assessment.as_of) - first).days + 1
        missing = due - rain_days.filter(day__lte=assessment.as_of).count()
        if missing > 0:
            doubts.append(
                gettext_noop(
                    "Of the {due} days around the wash {missing} are missing from the rain record of {name}, so rain "
                    "in the same week cannot be ruled out."
                ).format(missing=missing, due=due, name=gauge.called_for(site))
            )
        for rain in rain_days.filter(rain_mm__gte=RAIN_THAT_WASHES_MM).order_by("-rain_mm")[:1]:
            doubts.append(
                gettext_noop(
                    "It rained within a week of the wash ({rain_mm:.0f} mm on {day} at {name}): part of the "
                    "change may be the rain's."
                ).format(rain_mm=rain.rain_mm, day=day_words(rain.day), name=gauge.called_for(site))
            )
    for recovery in recoveries:
        if first <= recovery.date <= last:
            words = gettext_noop("The readings also recovered by themselves on {date}.")
            doubts.append(words.format(date=day_words(recovery.date)))
    faults = SiteAssessment.objects.filter(
        site=site, verdict=Verdict.OTHER_FAULT, as_of__range=(cleaned_on - timedelta(days=60), cleaned_on)
    )
    if faults.exists() and assessment.verdict != Verdict.OTHER_FAULT:
        doubts.append(
            gettext_noop("Before the wash the readings showed a fault that is gone since: a repair raises output too.")
        )
    for words, days in (
        (gettext_noop("Usable clear days in the month before the wash: only {days}."), proof.clear_days_before),
        (gettext_noop("Usable clear days in the month after the wash: only {days}."), proof.clear_days_after),
    ):
        if days < FEW_DAYS:
            doubts.append(words.format(days=days))
    stands = standing(proof.visit.entries.all())
    for look, words in (
        (Look.DEBRIS, gettext_noop("Leaves or moss were found on the visit")),
        (Look.NESTING, gettext_noop("A nest was found on the visit")),
        (Look.SHADING, gettext_noop("Growth that shades the panels was found on the visit")),
    ):
        entry = stands.get((EntryKind.INSPECTION, look))
        if entry is not None and entry.answer != InspectionFinding.OK:
            doubts.append(gettext_noop("{words}: clearing it raises output as well.").format(words=words))
    return doubts


@dataclass(frozen=True, slots=True)
class Worth:
    """A proof in money: what came back, what the visit cost, and what is left. All amounts in the business's money."""

    value: Decimal
    value_low: Decimal
    value_high: Decimal
    by_due: Decimal | None
    by_due_low: Decimal | None
    by_due_high: Decimal | None
    cost: Decimal | None
    net: Decimal | None
    net_low: Decimal | None
    net_high: Decimal | None
    payback_days: int | None
    """Days until the wash has paid for itself at the pace so far; None when nothing came back or it has no price."""
    payback_soonest: int | None
    payback_latest: int | None
    """None as well where at the low end nothing came back: it may never pay for itself."""


def worth(proof: Proof) -> Worth | None:
    """A proof in money at the roof's own value of a kWh; None while there is no gain to price."""
    if proof.kwh is None or proof.kwh_low is None or proof.kwh_high is None:
        return None
    price_per_kwh, cost = proof.visit.site.price_per_kwh, proof.visit.price
    low, value, high = (_money(kwh, price_per_kwh) for kwh in (proof.kwh_low, proof.kwh, proof.kwh_high))
    due: list[Decimal | None] = [
        None if kwh is None else _money(kwh, price_per_kwh)
        for kwh in (proof.kwh_by_due_low, proof.kwh_by_due, proof.kwh_by_due_high)
    ]
    net = [None if amount is None or cost is None else amount - cost for amount in due]
    paid: list[int | None] = [None, None, None]
    cleaned_on = proof.visit.cleaned_on
    if cost is not None and cleaned_on is not None and proof.counted_to is not None:
        # Days without readings earned something too, but it is not in the value.
        days = max(1, (proof.counted_to - cleaned_on).days - proof.days_without_readings)
        paid = [int(cost / back * days) + 1 if back > 0 else None for back in (high, value, low)]
    return Worth(
        value, low, high, due[1], due[0], due[2], cost, net[1], net[0], net[2],
        payback_days=paid[1], payback_soonest=paid[0], payback_latest=paid[2],
    )  # fmt: skip


def _money(kwh: float, price_per_kwh: Decimal) -> Decimal:
    return (Decimal(repr(kwh)) * price_per_kwh).quantize(Decimal("0.01"))


def share_report(*, visit: Visit, now: datetime, lasts: timedelta = LINK_LASTS) -> ReportLink:
    """Make a link to the report that works without login until it expires or is revoked."""
    if visit.state != VisitState.DONE:
        raise ValidationError(_("This visit is not finished, so there is no report to share yet."))
    return ReportLink.objects.create(visit=visit, expires_at=now + lasts)


def mailed_report(*, visit: Visit, now: datetime) -> ReportLink:
    """The link that the mails of a visit carry: one, while it lasts long enough to be of use."""
    links = ReportLink.objects.filter(visit=visit, mailed=True).live(now + LINK_LASTS / 3)
    return links.first() or ReportLink.objects.create(visit=visit, expires_at=now + LINK_LASTS, mailed=True)


def revoke_report_link(*, link: ReportLink, now: datetime) -> None:
    if link.revoked_at is None:
        link.revoked_at = now
        link.save(update_fields=["revoked_at"])


def link_token(link: ReportLink) -> str:
    """The signed part of a link's address; the row behind it says when it ends."""
    return signing.Signer(salt=REPORT_SALT).sign_object({"link": link.pk, "visit": link.visit_id})


def linked_report(*, token: str, now: datetime) -> ReportLink | None:
    """The link behind an address, if it is ours, not expired and not revoked."""
    try:
        said = signing.Signer(salt=REPORT_SALT).unsign_object(token)
    except signing.BadSignature:
        return None
    return (
        ReportLink.objects.live(now)
        .filter(pk=said["link"], visit=said["visit"], visit__state=VisitState.DONE)
        .select_related("visit__site__customer__business")
        .first()
    )
