"""A roof's life for whoever may see it: what was installed, read, rained, washed, found, said and called about."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from django.db.models import QuerySet
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from portal.actions.proof import no_gain
from portal.actions.washes import measured_gain
from portal.charts.chart import Chart
from portal.charts.life import LifeRow, Mark, MarkShape, life_chart
from portal.models import (
    DayReadings,
    InspectionFinding,
    Lead,
    Site,
    SiteAssessment,
    User,
    Visit,
    VisitEntry,
    VisitState,
)
from portal.models.record import findings
from portal.pv.advice import State
from portal.views.words import interval_words
from portal.words.advice import SIGNS
from portal.words.figures import percent
from portal.words.gains import IN_A_ROW, NoGain

GAP = timedelta(days=7)
"""Days without readings that are seen as a gap. No source."""
SAID = {
    State.DIRTY: (MarkShape.DIAMOND, "line"),
    State.CLEAN: (MarkShape.DROP, "wash"),
    State.NOT_DIRT: (MarkShape.CROSS, "fault"),
}
"""How a verdict is drawn; the others are dots."""


def life_of(site: Site, *, user: User, until: date, assessment: SiteAssessment | None) -> Chart | None:
    """Draw the life of a roof, as far as a person may see it; leads are the office's."""
    visits = Visit.objects.visible_to(user).filter(site=site)
    leads = Lead.objects.visible_to(user).filter(site=site)
    rows = [
        LifeRow(_("Installed"), [Mark(site.installed_on, _("Installed"))] if site.installed_on else []),
        LifeRow(_("Readings"), list(_readings(site))),
        LifeRow(_("Came clean by itself"), list(_rains(assessment))),
        LifeRow(_("Washes"), list(_washes(visits, until))),
        LifeRow(_("Findings"), list(_findings(site, visits))),
        LifeRow(_("What the readings said"), list(_said(site))),
        LifeRow(_("Leads"), list(_leads(site, leads, until))),
    ]
    return life_chart(rows, until=until)


def _readings(site: Site) -> Iterator[Mark]:
    """Stretches with readings: a gap of a week ends one."""
    days = list(DayReadings.objects.filter(meter__site=site).order_by("day").values_list("day", flat=True).distinct())
    begin = previous = None
    for day in [*days, None]:
        if begin is not None and previous is not None and (day is None or day - previous > GAP):
            words = _("{first} to {last}").format(first=_day(begin), last=_day(previous))
            yield Mark(begin, words, colour="day", until=previous)
            begin = None
        begin, previous = (day if begin is None else begin), day


def _day(day: date) -> str:
    return date_format(day, _("j M Y"))


def _rains(assessment: SiteAssessment | None) -> Iterator[Mark]:
    for one in assessment.recoveries if assessment else []:
        yield Mark(
            date.fromisoformat(one["date"]), _gained(one["gain"], one["low"], one["high"]), MarkShape.RAIN, "rain"
        )


def _washes(visits: QuerySet[Visit], until: date) -> Iterator[Mark]:
    for visit in visits.filter(state=VisitState.DONE).select_related("proof", "site"):
        day, gain = visit.cleaned_on, measured_gain(visit)
        if day is not None:
            unknown = IN_A_ROW[no_gain(visit, today=until) or NoGain.AWAITED]
            words = _gained(*gain) if gain else _("Gain {why}").format(why=unknown)
            yield Mark(day, words, MarkShape.DROP, "wash")


def _gained(gain: float, low: float, high: float) -> str:
    return _("Gain {gain}").format(gain=f"{percent(gain)} {interval_words(low, high)}".strip())


def _findings(site: Site, visits: QuerySet[Visit]) -> Iterator[Mark]:
    """What stands of each visit's record, but for what was found in order."""
    of_visit: dict[int, list[VisitEntry]] = {}
    for entry in VisitEntry.objects.filter(visit__in=visits):
        of_visit.setdefault(entry.visit_id, []).append(entry)
    zone = ZoneInfo(site.tz)
    for entries in of_visit.values():
        for entry in findings(entries):
            urgent = entry.answer == InspectionFinding.URGENT
            words = f"{entry.item_label}: {entry.answer_label.lower()}"
            shape, colour = (MarkShape.CROSS, "fault") if urgent else (MarkShape.DIAMOND, "line")
            yield Mark(entry.at.astimezone(zone).date(), words, shape, colour)


def _said(site: Site) -> Iterator[Mark]:
    """The verdict each time that it changed."""
    before = None
    for one in SiteAssessment.objects.filter(site=site).order_by("as_of", "pk"):
        state = one.state
        if state != before:
            shape, colour = SAID.get(state, (MarkShape.DOT, "refused"))
            yield Mark(one.as_of, str(SIGNS[state][1]), shape, colour)
        before = state


def _leads(site: Site, leads: QuerySet[Lead], until: date) -> Iterator[Mark]:
    zone = ZoneInfo(site.tz)
    for lead in leads:
        opened = lead.opened_at.astimezone(zone).date()
        closed = lead.closed_at.astimezone(zone).date() if lead.closed_at else until
        words = f"{lead.get_kind_display()}, {lead.get_stage_display().lower()}"
        yield Mark(opened, words, colour="expected", until=closed)
