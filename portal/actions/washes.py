"""Washes of a roof: the last one, when the next is due, what one costs and earns, and what one gained.

An assessment comes in here and is asked what follows from it; leads, reminders and mails read what was found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from math import isfinite
from zoneinfo import ZoneInfo

from django.db.models import F, Max

from portal.actions.pricing import price_of_visit
from portal.models import PUT_OFF, Proof, Site, SiteAssessment, Visit, VisitState
from portal.pv.advice import Act, Advised, advise
from portal.pv.due import Basis, Calendar, Due, when_due
from portal.pv.fan import Fan, fan_of
from portal.pv.forecast import Money, PresentLoss
from portal.pv.result import Assessment, Cause
from portal.pv.worth import clean_energy_wh
from portal.pv.year import YEAR_DAYS

WASH_SEEN_WITHIN = timedelta(days=3)
"""A recovery this close to a known cleaning is that cleaning, not rain. No source."""
EVERY, MONTH = 5, 30
"""Days of the year ahead of which one stands for its pentad, and of the month in which dirt is priced."""


def last_wash(site: Site) -> Visit | None:
    return Visit.objects.filter(site=site, state=VisitState.DONE).order_by("-finished_at", "-pk").first()


def last_cleaned(site: Site, washed: Visit | None) -> date | None:
    """Day of the last known cleaning, else of the installation; None where neither is known."""
    if washed is not None and washed.finished_at is not None:
        return washed.finished_at.astimezone(ZoneInfo(site.tz)).date()
    return site.installed_on


def wash_after(visit: Visit, cleaned_on: date) -> date | None:
    """Day of the next wash after a finished one; None while there is none."""
    later = Visit.objects.filter(site=visit.site, state=VisitState.DONE, finished_at__gt=visit.finished_at)
    days = [other.cleaned_on for other in later.select_related("site").order_by("finished_at")]
    return next((day for day in days if day is not None and day > cleaned_on), None)


def wash_ahead(site: Site) -> bool:
    """Whether a wash is booked, or waits for better weather."""
    return Visit.objects.filter(site=site, state__in=[VisitState.BOOKED, *PUT_OFF]).exists()


# --- what an assessment says of the next one -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Outlook:
    """What follows from an assessment, in energy, money and time."""

    energy_kwh_per_year: float | None
    """Expected clean yield of a year."""
    value_lost_per_month: Decimal | None
    """What dirt costs in the month ahead [money]."""
    advised: Advised
    due: Due
    fan: Fan | None
    """The year ahead; None where readings cannot say."""

    @property
    def due_on(self) -> date | None:
        """Day on which a wash is due; None where none is in sight."""
        if self.due.basis == Basis.CALENDAR:
            return self.advised.calendar_on
        return self.advised.as_of if self.advised.act == Act.WASH or self.advised.wash_too else self.advised.on


def outlooks(results: Sequence[tuple[Site, Assessment]]) -> list[Outlook]:
    """What dirt costs on each roof and when its next wash is due, in as many queries for many roofs as for one."""
    sites = [site for site, _ in results]
    washed: dict[int, Visit] = {}
    for visit in Visit.objects.filter(site__in=sites, state=VisitState.DONE).order_by("finished_at", "pk"):
        washed[visit.site_id] = visit
    not_due: dict[int, date] = {}
    for as_of in {result.as_of for _, result in results}:
        watched = SiteAssessment.objects.filter(
            site__in=[site for site, result in results if result.as_of == as_of],
            due_basis=Basis.READINGS,
            as_of__lt=as_of,
        )
        last = watched.exclude(clean_due__lte=F("as_of")).order_by().values("site").annotate(last=Max("as_of"))
        not_due |= dict(last.values_list("site", "last"))
    return [_outlook(site, result, washed.get(site.pk), not_due.get(site.pk)) for site, result in results]


def _outlook(site: Site, result: Assessment, washed: Visit | None, not_due: date | None) -> Outlook:
    a_day_wh = clean_energy_wh(result.daily, [result.as_of + timedelta(days=n) for n in range(0, YEAR_DAYS, EVERY)])
    year_wh = float(a_day_wh.mean() * YEAR_DAYS)
    month_kwh = float(a_day_wh.iloc[: MONTH // EVERY].mean() * MONTH) / 1000
    value_lost = None
    if result.present_loss is not None and isfinite(month_kwh):
        value_lost = round(Decimal(max(result.present_loss, 0) * month_kwh) * site.price_per_kwh, 2)
    money = Money(a_day_wh, float(site.price_per_kwh), float(price_of_visit(site)))
    due = _when_due(site, result, money, last_cleaned(site, washed), not_due)
    advised = advise(result, due, money)
    as_of = result.as_of
    fan = fan_of(due.forecast, as_of=as_of, wash_on=advised.on or as_of) if due.forecast else None
    return Outlook(year_wh / 1000 if isfinite(year_wh) else None, value_lost, advised, due, fan)


def _when_due(site: Site, result: Assessment, money: Money, cleaned: date | None, not_due: date | None) -> Due:
    known = {cleaning.date for cleaning in result.cleanings}
    rate_ci = (result.soiling_rate_ci.low, result.soiling_rate_ci.high) if result.soiling_rate_ci else None
    return when_due(
        PresentLoss(result.as_of, result.loss_quantiles, rate_ci),
        money,
        Calendar(site.customer.business.calendar_months, cleaned, not_due),
        soiling_ratio=result.daily["soiling_ratio"],
        recoveries=[
            (recovery.date, recovery.gain)
            for recovery in result.recoveries
            if not any(abs(recovery.date - day) <= WASH_SEEN_WITHIN for day in known)
        ],
        stands_still=result.cause in (Cause.OUTAGE, Cause.SNOW),
        currency=site.customer.business.currency,
    )


# --- what one gained -------------------------------------------------------------------------------------------------


def measured_gain(visit: Visit) -> tuple[float, float, float] | None:
    """What a finished visit gained, with its 90 % interval, as fractions: the word of its report, once it has one."""
    proof: Proof | None = getattr(visit, "proof", None)
    if proof is None or proof.gain is None or proof.gain_low is None or proof.gain_high is None:
        return None
    return proof.gain, proof.gain_low, proof.gain_high
