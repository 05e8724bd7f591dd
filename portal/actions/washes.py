"""Washes of a roof: the last one, when the next is due, and what one gained."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

from portal.models import Proof, Site, SiteAssessment, Visit, VisitState
from portal.pv.due import calendar_due


def clean_due(site: Site, newest: SiteAssessment | None, washed: Visit | None) -> tuple[date | None, bool]:
    """When the site's next wash is due, and whether the readings say so (or only the calendar)."""
    if newest is not None and newest.due_basis:
        return newest.clean_due, newest.due_basis == "readings"
    return calendar_due(last_cleaned(site, washed), every_months=site.customer.business.calendar_months), False


def last_wash(site: Site) -> Visit | None:
    return Visit.objects.filter(site=site, state=VisitState.DONE).order_by("-finished_at", "-pk").first()


def last_cleaned(site: Site, washed: Visit | None) -> date:
    """Day of the last known cleaning, else of the installation, else of the first we heard of the roof."""
    if washed is not None and washed.finished_at is not None:
        return washed.finished_at.astimezone(ZoneInfo(site.tz)).date()
    return site.installed_on or site.created_at.astimezone(ZoneInfo(site.tz)).date()


def measured_gain(visit: Visit) -> tuple[float, float, float] | None:
    """What a finished visit gained, with its 90 % interval, as fractions: the word of its report, once it has one."""
    proof: Proof | None = getattr(visit, "proof", None)
    if proof is None or proof.gain is None or proof.gain_low is None or proof.gain_high is None:
        return None
    return proof.gain, proof.gain_low, proof.gain_high
