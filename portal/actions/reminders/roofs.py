"""What the owner of a roof should hear, by its readings, its newest assessment and its washes, and when no more.

For each kind of reminder stands here when one should be there (of a ``Roof``), and why one that waits is moot.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import QuerySet
from django.utils.translation import gettext_noop

from portal.actions.advice import last_readings, recommendation, recommendations
from portal.actions.asks import left_alone
from portal.actions.reminders.hours import next_decent, season_stopped, sending_rules
from portal.actions.reminders.wish import Wish
from portal.actions.standing_wishes import standing_wish, standing_wishes
from portal.actions.washes import last_wash, measured_gain, wash_ahead
from portal.models import (
    DayReadings,
    EndedBy,
    Reminder,
    SendingRules,
    Site,
    UtilityConnection,
    Visit,
    VisitState,
)
from portal.pv.advice import Act, State
from portal.pv.recommend import Because, Recommendation
from portal.pv.result import Cause
from portal.pv.standing_wish import StandingWish

SOON = timedelta(days=14)
"""Two weeks ahead a wash that comes due is told. Common practice, no source."""
ASKED_AFTER = timedelta(days=7)
"""A roof that is known for so long and has no readings is asked for some. Common practice, no source."""
QUIET_AFTER = timedelta(days=10)
"""Readings that stopped so long ago are asked after. Common practice, no source."""
UTILITY_NEWS = timedelta(days=14)
"""So long after a utility ended a connection its customer is still told. Common practice, no source."""
FAULT_HOLDS = timedelta(days=3)
"""A fault must hold this long before anybody is told. No source."""

NARROW_GAIN = 0.05
"""A gain is told once its 90 % interval is no wider than this share of the clean yield, or after ``GAIN_WAITS``. No
source."""
GAIN_WAITS = timedelta(days=30)
"""So long a gain may wait for its interval to narrow. No source."""
GAIN_OF_USE = timedelta(days=21)
"""A gain that could be told longer ago than this is no news. Common practice, no source."""


@dataclass(slots=True, kw_only=True)
class Roof:
    """One roof as planning sees it."""

    site: Site
    now: datetime
    told: Recommendation
    last_reading: date | None = None
    last_wash: Visit | None = None
    wash_ahead: bool = False
    standing: StandingWish | None = None
    """What its owner wants at every so often."""
    left_alone: bool = False
    """Its owner wants to be asked about a wash later."""
    utility_ended: date | None = None
    """When its utility lately ended the connection, or it was lost."""
    finished: list[Visit] = field(default_factory=list)
    """Visits finished so lately that their gain is news."""

    @property
    def rules(self) -> SendingRules:
        return sending_rules(self.site.customer.business)

    @property
    def today(self) -> date:
        return self.now.astimezone(ZoneInfo(self.site.tz)).date()

    def wish(self, about: object, *, not_before: timedelta = timedelta(0), visit: Visit | None = None) -> Wish:
        return Wish(
            about=f"{self.site.pk}:{about}",
            due_at=next_decent(self.now + not_before, tz=self.site.tz, rules=self.rules),
            business=self.site.customer.business,
            site=self.site,
            visit=visit,
        )


def look_at_roofs(sites: Sequence[Site], now: datetime) -> list[Roof]:
    """What is known of each roof, in as many queries for many roofs as for one."""
    told = recommendations(sites, now=now)
    roofs = {site.pk: Roof(site=site, now=now, told=told[site.pk]) for site in sites}
    here = list(roofs)
    for site_id, day in last_readings(here).items():
        roofs[site_id].last_reading = day
    visits = Visit.objects.filter(site__in=here).select_related("proof").order_by("finished_at", "pk")
    for visit in visits.exclude(state=VisitState.CANCELLED):
        roof = roofs[visit.site_id]
        if visit.state != VisitState.DONE:
            roof.wash_ahead = True
            continue
        roof.last_wash = visit
        assert visit.finished_at is not None, "a constraint sees to it"
        if visit.finished_at > now - GAIN_WAITS - GAIN_OF_USE:
            roof.finished.append(visit)
    for pk, ended_at in utilities_ended(here, since=now - UTILITY_NEWS).values_list("site", "ended_at"):
        assert ended_at is not None, "it has ended"
        roofs[pk].utility_ended = ended_at.astimezone(ZoneInfo(roofs[pk].site.tz)).date()
    for pk in left_alone(here, now=now):
        roofs[pk].left_alone = True
    for pk, wish in standing_wishes(sites, told).items():
        roofs[pk].standing = wish
    return list(roofs.values())


def _site(reminder: Reminder) -> Site:
    assert reminder.site is not None, "it is planned for a roof"
    return reminder.site


# --- readings --------------------------------------------------------------------------------------------------------


def without_readings(roof: Roof) -> Iterator[Wish]:
    known_since = roof.site.created_at.astimezone(ZoneInfo(roof.site.tz)).date()
    if roof.last_reading is None and roof.today - known_since >= ASKED_AFTER:
        yield roof.wish("none")


def readings_came(reminder: Reminder, moment: datetime) -> str:
    return "" if DayReadings.objects.last_day(_site(reminder)) is None else gettext_noop("Readings have come in.")


def gone_quiet(roof: Roof) -> Iterator[Wish]:
    if roof.last_reading is not None and roof.today - roof.last_reading >= QUIET_AFTER:
        yield roof.wish(roof.last_reading)


def no_longer_quiet(reminder: Reminder, moment: datetime) -> str:
    site = _site(reminder)
    last, today = DayReadings.objects.last_day(site), moment.astimezone(ZoneInfo(site.tz)).date()
    return gettext_noop("Readings have come in.") if last is not None and today - last < QUIET_AFTER else ""


def utilities_ended(sites: Sequence[int], *, since: datetime) -> QuerySet[UtilityConnection]:
    """Connections that ended without anybody here having ended them."""
    by_none_of_us = [EndedBy.UTILITY, EndedBy.LOST]
    return UtilityConnection.objects.filter(site__in=sites, ended_by__in=by_none_of_us, ended_at__gt=since)


def utility_sends_no_more(roof: Roof) -> Iterator[Wish]:
    if roof.utility_ended is not None:
        yield roof.wish(roof.utility_ended)


def utility_sends_again(reminder: Reminder, moment: datetime) -> str:
    site = _site(reminder)
    still = utilities_ended([site.pk], since=moment - 2 * UTILITY_NEWS).exists()
    return "" if still else gettext_noop("The roof is connected again.")


def with_fault(roof: Roof) -> Iterator[Wish]:
    if roof.told.state == State.NOT_DIRT and roof.told.cause != Cause.SNOW:
        yield roof.wish(roof.told.cause or Cause.UNKNOWN, not_before=FAULT_HOLDS)


def fault_gone(reminder: Reminder, moment: datetime) -> str:
    still = recommendation(_site(reminder), now=moment).state == State.NOT_DIRT
    return "" if still else gettext_noop("The readings no longer show it.")


# --- washes ----------------------------------------------------------------------------------------------------------


def wash_due_soon(roof: Roof) -> Iterator[Wish]:
    due = None if roof.left_alone else _told_due(roof)
    if due is not None and roof.today < due <= roof.today + SOON:
        yield roof.wish(_since(roof.last_wash))


def wash_due_now(roof: Roof) -> Iterator[Wish]:
    due = None if roof.left_alone else _told_due(roof)
    if due is not None and due <= roof.today:
        yield roof.wish(_since(roof.last_wash))


def _told_due(roof: Roof) -> date | None:
    """When a wash is due; None where nobody should be told so: something else is wrong, one is booked, or snow lies."""
    if roof.wash_ahead or season_stopped(roof.today, roof.rules):
        return None
    return _due(roof.told, roof.standing)


def _due(told: Recommendation, standing: StandingWish | None) -> date | None:
    """When a wash is due by the readings or, where its owner has no rhythm of their own, by the firm's calendar."""
    by_calendar = told.act != Act.WASH and told.because not in (Because.RAIN, Because.NOT_YET)
    return None if standing is not None and by_calendar else told.due_on


def wash_wished(roof: Roof) -> Iterator[Wish]:
    """Due by its owner's standing wish alone: where a wash pays by the readings, the mail that says so goes instead."""
    if roof.left_alone or roof.wash_ahead or season_stopped(roof.today, roof.rules) or roof.told.act == Act.WASH:
        return
    if roof.standing is not None and roof.standing.due(roof.today):
        yield roof.wish(f"{_since(roof.last_wash)}:{roof.standing.asked_for}")


def _since(washed: Visit | None) -> int:
    """Cleaning reminders belong to the time since the last wash; 0 where none is known."""
    return washed.pk if washed else 0


def wash_soon_moot(reminder: Reminder, moment: datetime) -> str:
    if reason := wash_moot(reminder, moment):
        return reason
    site = _site(reminder)
    due = recommendation(site, now=moment).due_on
    if due is not None and due <= moment.astimezone(ZoneInfo(site.tz)).date():
        return gettext_noop("It is due by now; the mail that says so goes instead.")
    return ""


def wash_moot(reminder: Reminder, moment: datetime) -> str:
    if reason := _no_wash(reminder, moment):
        return reason
    site = _site(reminder)
    told = recommendation(site, now=moment)
    due = _due(told, standing_wish(site, told))
    if due is None or due > told.today + SOON:
        return gettext_noop("By the newest readings no wash is due.")
    return ""


def wished_moot(reminder: Reminder, moment: datetime) -> str:
    if reason := _no_wash(reminder, moment):
        return reason
    site = _site(reminder)
    told = recommendation(site, now=moment)
    wish = standing_wish(site, told)
    if wish is None:
        return gettext_noop("They leave it to the readings by now.")
    return "" if wish.due(told.today) else gettext_noop("By the newest readings no wash is due.")


def _no_wash(reminder: Reminder, moment: datetime) -> str:
    """Why nobody is to be written to about a wash, whoever says that it is due."""
    site = _site(reminder)
    today, washed = moment.astimezone(ZoneInfo(site.tz)).date(), last_wash(site)
    if season_stopped(today, sending_rules(reminder.business)):
        return gettext_noop("No cleaning reminders go out in this season.")
    if wash_ahead(site):
        return gettext_noop("A visit is booked.")
    if left_alone([site.pk], now=moment):
        return gettext_noop("They want to be asked later.")
    if not f"{reminder.about}:".startswith(f"{site.pk}:{_since(washed)}:"):
        return gettext_noop("The panels were washed meanwhile.")
    if recommendation(site, now=moment).state == State.NOT_DIRT:
        return gettext_noop("By now the readings show something other than dirt.")
    return ""


def gain_to_tell(roof: Roof) -> Iterator[Wish]:
    for visit in roof.finished:
        gain = measured_gain(visit)
        if gain is None or visit.finished_at is None:
            continue
        _, low, high = gain
        if high - low <= NARROW_GAIN or roof.now - visit.finished_at >= GAIN_WAITS:
            yield roof.wish(visit.pk, visit=visit)


def gain_unsaid(reminder: Reminder, moment: datetime) -> str:
    assert reminder.visit is not None, "it is planned for a visit"
    return (
        gettext_noop("The readings no longer say what the wash gained.")
        if measured_gain(reminder.visit) is None
        else ""
    )
