"""What became of leads: week by week, and whether the gain that was promised came true."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Count, Prefetch
from django.db.models.functions import TruncWeek

from portal.actions.washes import measured_gain
from portal.charts.promise import Promise
from portal.models import Lead, LeadKind, LeadStage, SiteAssessment, Visit, VisitState
from portal.models.lead import LeadQuerySet


@dataclass(frozen=True, slots=True)
class Week:
    """What became of leads in one week."""

    monday: date
    opened: int
    contacted: int
    booked: int
    cleaned: int
    lost: int
    cleared: int


def weekly_figures(leads: LeadQuerySet, *, tz: str, now: datetime, weeks: int = 12) -> list[Week]:
    """What became of cleaning leads in each of the last weeks (Monday to Sunday), newest first."""
    zone = ZoneInfo(tz)
    today = now.astimezone(zone).date()
    monday = today - timedelta(days=today.weekday())
    counts: dict[str, dict[date, int]] = {}
    since = datetime.combine(monday - timedelta(weeks=weeks - 1), time(), tzinfo=zone)
    cleaning = leads.filter(kind=LeadKind.CLEANING)
    for name, field, chosen in (
        ("opened", "opened_at", cleaning),
        ("contacted", "contacted_at", cleaning),
        ("booked", "booked_at", cleaning),
        ("cleaned", "closed_at", cleaning.filter(stage=LeadStage.WON)),
        ("lost", "closed_at", cleaning.filter(stage=LeadStage.LOST)),
        ("cleared", "closed_at", cleaning.filter(stage=LeadStage.CLEARED)),
    ):
        by_week = (
            chosen.filter(**{f"{field}__gte": since})
            .annotate(week=TruncWeek(field, tzinfo=zone))
            .values("week")
            .annotate(count=Count("pk"))
            .order_by()
        )
        counts[name] = {row["week"].date(): row["count"] for row in by_week}
    mondays = [monday - timedelta(weeks=number) for number in range(weeks)]
    return [Week(day, **{name: by_week.get(day, 0) for name, by_week in counts.items()}) for day in mondays]


def promises(leads: LeadQuerySet) -> list[Promise]:
    """Washed leads whose gain has been measured: what was promised and what came."""
    won = leads.filter(kind=LeadKind.CLEANING, stage=LeadStage.WON)
    visits = Visit.objects.filter(lead__in=won, state=VisitState.DONE).select_related("site__customer", "proof")
    found = []
    for visit in visits.order_by("finished_at"):
        gain, cleaned_on = measured_gain(visit), visit.cleaned_on
        if gain is None or cleaned_on is None:
            continue
        before = SiteAssessment.objects.filter(site=visit.site_id, as_of__lte=cleaned_on, present_loss__isnull=False)
        told = before.exclude(loss_low=None).exclude(loss_high=None).first()
        if told is not None:
            assert told.present_loss is not None  # filtered above
            assert told.loss_low is not None
            assert told.loss_high is not None
            found.append(Promise(str(visit.site), told.present_loss, told.loss_low, told.loss_high, *gain))
    return found


@dataclass(frozen=True, slots=True)
class Raised:
    """What became of the leads that the readings raised in one month."""

    month: date
    right: int
    """Washed, and the measured gain lies above nothing with its whole range."""
    wrong: int
    """Called wrong by the office, or washed and the whole range of the gain lies under that of the loss told before."""
    unsure: int
    """Nobody can tell: not washed, not measured, or measured too roughly."""

    @property
    def raised(self) -> int:
        return self.right + self.wrong + self.unsure


def raised_by_month(leads: LeadQuerySet, *, tz: str, now: datetime, months: int = 12) -> list[Raised]:
    """Cleaning leads that the readings raised in each of the last months, newest first, by whether they were right."""
    zone = ZoneInfo(tz)
    first = now.astimezone(zone).date().replace(day=1)
    starts = [first]
    for _ in range(months - 1):
        starts.append((starts[-1] - timedelta(days=1)).replace(day=1))
    since = datetime.combine(starts[-1], time(), tzinfo=zone)
    counts: dict[date, Counter[str]] = {start: Counter() for start in starts}
    raised = leads.filter(kind=LeadKind.CLEANING, by_customer=False, opened_at__gte=since, opened_at__lte=now)
    visits = Visit.objects.filter(state=VisitState.DONE).select_related("proof", "site")
    for lead in raised.prefetch_related(Prefetch("visits", queryset=visits)):
        counts[lead.opened_at.astimezone(zone).date().replace(day=1)][_outcome(lead)] += 1
    return [Raised(start, **{word: counts[start][word] for word in ("right", "wrong", "unsure")}) for start in starts]


def _outcome(lead: Lead) -> str:
    if lead.stage == LeadStage.WRONG:
        return "wrong"
    if lead.stage != LeadStage.WON:
        return "unsure"
    for visit in lead.visits.all():
        gain = measured_gain(visit)
        if gain is None:
            continue
        _, low, high = gain
        if low > 0:
            return "right"
        told = _told_before(visit)
        if told is not None and high < told:
            return "wrong"
    return "unsure"


def _told_before(visit: Visit) -> float | None:
    """The low end of the loss that the readings told before the wash."""
    assert visit.cleaned_on is not None, "it is done"
    before = SiteAssessment.objects.filter(site=visit.site_id, as_of__lte=visit.cleaned_on)
    told = before.exclude(loss_low=None).first()
    return told.loss_low if told else None
