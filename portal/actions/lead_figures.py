"""What became of leads: week by week, and whether the gain that was promised came true."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Count
from django.db.models.functions import TruncWeek

from portal.actions.washes import measured_gain
from portal.charts.promise import Promise
from portal.models import LeadKind, LeadStage, Visit, VisitState
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
    won = leads.filter(kind=LeadKind.CLEANING, stage=LeadStage.WON, present_loss__isnull=False, loss_low__isnull=False)
    visits = Visit.objects.filter(lead__in=won, state=VisitState.DONE).select_related("lead", "site__customer", "proof")
    found = []
    for visit in visits.order_by("finished_at"):
        lead, gain = visit.lead, measured_gain(visit)
        if lead is None or gain is None:
            continue
        assert lead.present_loss is not None  # filtered above
        assert lead.loss_low is not None
        assert lead.loss_high is not None
        found.append(Promise(str(visit.site), lead.present_loss, lead.loss_low, lead.loss_high, *gain))
    return found
