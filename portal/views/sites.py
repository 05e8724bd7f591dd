"""A site's page, and how the estimate is made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, cast
from zoneinfo import ZoneInfo

import pandas as pd
from django.contrib.auth.decorators import login_required
from django.db.models import Max, Min, QuerySet
from django.db.models.functions import TruncMonth
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.utils.translation import gettext as _

from portal.actions.advice import recommendation
from portal.actions.asks import wishes
from portal.actions.green_button.utility import offered
from portal.actions.invoices.unpaid import bills_to_pay
from portal.actions.proof import no_gain
from portal.actions.sites import seen_otherwise
from portal.actions.standing_wishes import spring_latitude, standing_wish
from portal.actions.troubles import troubles
from portal.charts.chart import Chart
from portal.charts.fan import fan_chart
from portal.charts.performance import MarkedDay, performance_chart
from portal.charts.production import production_chart
from portal.charts.taken import Taken, taken_ribbon
from portal.charts.year import year_chart
from portal.models import (
    Business,
    DayReadings,
    Proof,
    Site,
    SiteAssessment,
    SiteDaily,
    User,
    Visit,
    VisitState,
)
from portal.pv.advice import State
from portal.pv.fan import kept_fan
from portal.pv.recommend import Recommendation
from portal.pv.standing_wish import StandingWish
from portal.views.life import life_of
from portal.views.words import interval_words, seen_words
from portal.words.figures import percent
from portal.words.gains import IN_A_ROW, NoGain
from portal.words.gains import WHY_NO_GAIN as NO_GAIN
from portal.words.sentences import with_words
from portal.words.standing_wish import RHYTHMS, SPRING_COUNTS

HISTORY_MONTHS = 24
FORETOLD = (State.DIRTY, State.CLEAN, State.UNSURE)
"""States in which the newest assessment's year ahead still holds: a wash or a rain since makes it another."""


@dataclass(frozen=True, slots=True)
class PerMonth:
    """What a share of the clean yield comes to in an average month, with the ends of its 90 % interval."""

    kwh: float
    kwh_low: float
    kwh_high: float
    value: float
    value_low: float
    value_high: float


@dataclass(frozen=True, slots=True)
class WashGain:
    """What one cleaning gained, as fractions of the clean yield, with what it is worth where that can be told."""

    date: date
    gain: float | None
    low: float | None
    high: float | None
    worth: PerMonth | None
    visit: Visit | None
    unknown: NoGain | None
    """Why there is no figure, where there is none."""

    @property
    def unknown_in_a_row(self) -> str:
        return str(IN_A_ROW[self.unknown]) if self.unknown else ""

    @property
    def unknown_words(self) -> str:
        return str(NO_GAIN[self.unknown]) if self.unknown else ""

    @property
    def measurable(self) -> bool:
        return self.low is not None and self.low > 0


@dataclass(frozen=True, slots=True)
class Took:
    """What dirt took over the days of a chart, in energy and money, with the ends of its 90 % interval."""

    chart: Chart
    taken: Taken
    value: float
    value_low: float
    value_high: float


@dataclass(frozen=True, slots=True)
class Story:
    """All that a page tells of one roof."""

    site: Site
    business: Business
    today: date
    assessment: SiteAssessment | None
    told: Recommendation
    standing: StandingWish | None
    """What its owner wants at every so often."""
    first_reading: date | None
    last_reading: date | None
    gains: list[WashGain]
    performance: Chart | None
    production: Chart | None
    took: Took | None
    """What dirt took in the last year; None where nothing is told of dirt."""
    year: Chart | None
    """Which days of the last year could be judged."""
    ahead: Chart | None
    """The year ahead; None where nothing is told of dirt, or what was told is over since."""
    seen: list[dict[str, Any]]
    """What the readings see of each plane's slope and direction otherwise than told; empty where they agree."""

    @property
    def seen_words(self) -> str:
        return seen_words(self.seen)

    @property
    def corrections(self) -> list[dict[str, Any]]:
        """What a press would set, plane by plane."""
        names = dict(self.site.planes.values_list("pk", "name"))
        return [one | {"name": names[one["plane"]]} for one in self.seen]

    @property
    def rhythms(self) -> list[tuple[str, str]]:
        """How often a wash may be wanted."""
        return [(one.value, str(word)) for one, word in RHYTHMS.items()]

    @property
    def spring_counts(self) -> str:
        return str(SPRING_COUNTS[spring_latitude(self.site) >= 0])

    @property
    def last_gain(self) -> WashGain | None:
        return self.gains[0] if self.gains else None


def site_story(site: Site, *, user: User, now: datetime) -> Story:
    """Gather what the pages of a homeowner, the office and a technician tell of a roof."""
    visits = Visit.objects.visible_to(user).filter(site=site)
    assessment = SiteAssessment.objects.filter(site=site).first()
    readings = DayReadings.objects.filter(meter__site=site).aggregate(first=Min("day"), last=Max("day"))
    daily = SiteDaily.objects.filter(site=site).first()
    performance = production = took = year = ahead = None
    told, today = recommendation(site, now=now), now.astimezone(ZoneInfo(site.tz)).date()
    gains = _gains(site, assessment, visits, today)
    if assessment and daily:
        frame = with_words(daily.frame())
        performance = performance_chart(frame, _events(assessment, gains))
        production = production_chart(frame)
        took = _took(site, told, frame)
        year = year_chart(frame)
        fan = kept_fan(daily.fan) if told.state in FORETOLD else None
        ahead = fan_chart(fan) if fan else None
    return Story(
        site=site,
        business=site.customer.business,
        today=today,
        assessment=assessment,
        told=told,
        standing=standing_wish(site, told),
        first_reading=readings["first"],
        last_reading=readings["last"],
        gains=gains,
        performance=performance,
        production=production,
        took=took,
        year=year,
        ahead=ahead,
        seen=seen_otherwise(assessment) if assessment else [],
    )


def _took(site: Site, told: Recommendation, daily: pd.DataFrame) -> Took | None:
    """The year's dirt, where the recommendation tells of dirt at all, and by the rule by which it does."""
    if told.loss is None:
        return None
    ribbon = taken_ribbon(daily)
    if ribbon is None:
        return None
    taken, price = ribbon.taken, float(site.price_per_kwh)
    return Took(ribbon.chart, taken, *(one * price for one in (taken.kwh, taken.kwh_low, taken.kwh_high)))


def _events(assessment: SiteAssessment, gains: Sequence[WashGain]) -> list[MarkedDay]:
    """Washes with the word of their report, and falls of the loss that none explains."""
    said = {one.date: one for one in gains}
    events = []
    for one in assessment.cleanings:
        day = date.fromisoformat(one["date"])
        known = said.get(day)
        gain = {"gain": known.gain, "low": known.low, "high": known.high} if known else one
        why = known.unknown if known and known.unknown else NoGain.AWAITED
        events.append(MarkedDay(day, _gained(_("cleaned"), gain, why), wash=True))
    washes = {event.date for event in events}
    for one in assessment.recoveries:
        day = date.fromisoformat(one["date"])
        if day not in washes:
            words = _gained(_("recovered by itself, like after rain"), one, NoGain.TOO_ROUGH)
            events.append(MarkedDay(day, words, wash=False))
    return sorted(events, key=lambda event: event.date)


def _gained(word: str, one: dict[str, Any], why: NoGain) -> str:
    if one["gain"] is None:
        return _("{word}, gain {why}").format(word=word, why=IN_A_ROW[why])
    gain = f"{percent(one['gain'])} {interval_words(one['low'], one['high'])}".strip()
    return _("{word}, gain {gain}").format(word=word, gain=gain)


def _gains(site: Site, assessment: SiteAssessment | None, known_visits: QuerySet[Visit], today: date) -> list[WashGain]:
    """Every known cleaning, newest first, with the word of its visit's report: mail, page and report say the same."""
    zone = ZoneInfo(site.tz)
    visits = {
        visit.finished_at.astimezone(zone).date(): visit
        for visit in known_visits.filter(state=VisitState.DONE).select_related("proof")
        if visit.finished_at
    }
    gains = []
    for day, visit in sorted(visits.items(), reverse=True):
        proof: Proof | None = getattr(visit, "proof", None)
        gain, low, high = (proof.gain, proof.gain_low, proof.gain_high) if proof else (None, None, None)
        worth = _worth(site, assessment, gain, low, high)
        gains.append(WashGain(day, gain, low, high, worth, visit, no_gain(visit, today=today)))
    return gains


def _worth(
    site: Site, assessment: SiteAssessment | None, gain: float | None, low: float | None, high: float | None
) -> PerMonth | None:
    year = assessment.energy_kwh_per_year if assessment else None
    if year is None or gain is None or low is None or high is None or low <= 0:
        return None
    month, price = year / 12, float(site.price_per_kwh)
    kwh = (gain * month, low * month, high * month)
    return PerMonth(*kwh, *(energy * price for energy in kwh))


@login_required
def site(request: HttpRequest, pk: int) -> HttpResponse:
    """One roof: for its owner, the office, and a technician with a visit there."""
    user, now = cast(User, request.user), timezone.now()
    roof = get_object_or_404(
        Site.objects.visible_to(user).select_related("customer__business").prefetch_related("planes", "meters"), pk=pk
    )
    story, own = site_story(roof, user=user, now=now), roof.customer.user_id == user.pk
    return render(
        request,
        "site/site.html",
        {
            "story": story,
            "site": roof,
            "may_edit": Site.objects.managed_by(user).filter(pk=pk).exists(),
            "hides_prices": not roof.customer.business.shows_prices_to(user),
            "may_feed": Site.objects.fed_by(user).filter(pk=pk).exists(),
            "by_utility": offered(),
            "own": own,
            "wishes": wishes(roof, now=now) if own else None,
            "to_pay": bills_to_pay(user) if own else [],
            "troubles": troubles([roof], now=now)[roof.pk] if own else [],
            "history": _last_of_each_month(roof),
            "life": life_of(roof, user=user, until=story.today, assessment=story.assessment),
        },
    )


def _last_of_each_month(site: Site) -> QuerySet[SiteAssessment]:
    """The estimates a reader compares, newest first: one a night would tell the same again and again."""
    ends = (
        SiteAssessment.objects.filter(site=site)
        .order_by()
        .annotate(month=TruncMonth("as_of"))
        .values("month")
        .annotate(last=Max("as_of"))
        .order_by("-month")[:HISTORY_MONTHS]
    )
    return SiteAssessment.objects.filter(site=site, as_of__in=[end["last"] for end in ends])


def method(request: HttpRequest) -> HttpResponse:
    """How the estimate is made, for everybody."""
    return render(request, "site/method.html")


def cautions(request: HttpRequest) -> HttpResponse:
    """What can hurt, for everybody."""
    return render(request, "site/cautions.html")
