"""The week by crews: ways between stops, rounds in the order of the route, and days off."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.exceptions import ValidationError

from portal.actions.days_off import give_days_back, take_days_off, visits_on
from portal.actions.people import set_out_from
from portal.actions.travel import DETOUR, SPEED_KMH
from portal.actions.week import Round, order_by_route, week_of
from portal.models import Business, DayOff, Role, User, Visit, VisitState
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db

MONDAY = date(2026, 6, 15)
TUESDAY = MONDAY + timedelta(days=1)
DEGREE_KM = 111.195
"""One degree of latitude on a sphere of 6371 km: 2 pi 6371 / 360."""


@pytest.fixture
def firm() -> Business:
    return factories.business(latitude=40.0, longitude=-105.0)


@pytest.fixture
def crew(firm: Business) -> User:
    return factories.member(firm, Role.TECHNICIAN)


def visit(firm: Business, crew: User | None, latitude: float, hour: int, minute: int = 0, **fields: object) -> Visit:
    site = factories.site(customer=factories.customer(business=firm), latitude=latitude, longitude=-105.0)
    starts_at = datetime(2026, 6, 16, hour, minute, tzinfo=ZoneInfo(firm.tz))
    return factories.visit(site=site, technicians=(crew,) if crew else (), starts_at=starts_at, **fields)


def tuesday(firm: Business, row: int = 0) -> Round:
    return week_of(firm, MONDAY)[row].rounds[1]


def test_each_stop_says_the_way_to_it_and_whether_there_is_time_for_it(firm: Business, crew: User) -> None:
    visit(firm, crew, 40.1, 8)
    visit(firm, crew, 40.3, 9, 30)
    visit(firm, crew, 40.2, 11)
    round_ = tuesday(firm)
    degrees = (0.1, 0.2, 0.1)
    assert [stop.km for stop in round_.stops] == pytest.approx([DETOUR * DEGREE_KM * one for one in degrees], rel=1e-3)
    minutes = [round(60 * DETOUR * DEGREE_KM * one / SPEED_KMH) for one in degrees]
    assert [stop.minutes for stop in round_.stops] == minutes
    # 43 minutes to the second, which begins 30 minutes after the first ends; 22 to the third, which leaves 30
    assert [stop.late for stop in round_.stops] == [False, True, False]
    assert round_.km == pytest.approx(DETOUR * DEGREE_KM * 0.6, rel=1e-3)
    assert round_.route_km == pytest.approx(DETOUR * DEGREE_KM * 0.6, rel=1e-3)


def test_a_first_way_that_would_begin_at_night_is_too_short(firm: Business, crew: User) -> None:
    firm.works_from = time(8)
    firm.save()
    visit(firm, crew, 41.0, 8)  # 111 km, by road 145: over three and a half hours
    (stop,) = tuesday(firm).stops
    assert stop.late
    Visit.objects.update(starts_at=datetime(2026, 6, 16, 11, tzinfo=ZoneInfo(firm.tz)))
    assert not tuesday(firm).stops[0].late


def test_crews_of_several_and_visits_of_nobody_have_rows_of_their_own(firm: Business, crew: User) -> None:
    other = factories.member(firm, Role.TECHNICIAN)
    both = visit(firm, crew, 40.1, 8)
    both.technicians.add(other)
    alone = visit(firm, None, 40.1, 12)
    visit(firm, crew, 40.1, 15, state=VisitState.CANCELLED)
    visit(factories.business(), None, 40.1, 12)
    rows = {tuple(row.crew): [stop.visit for stop in row.rounds[1].stops] for row in week_of(firm, MONDAY)}
    assert rows == {(crew,): [], (other,): [], (crew, other): [both], (): [alone]}


def test_a_round_in_the_order_of_the_route_begins_alike_and_leaves_time_for_each_way(
    firm: Business, crew: User
) -> None:
    # along one meridian from the yard at 40.0: out to 40.3 and home is 0.6 degrees whatever is on the way
    far, near, middle = (visit(firm, crew, 40 + n / 10, hour) for n, hour in ((3, 8), (1, 10), (2, 12)))
    before = tuesday(firm)
    # as booked: 0.3 out, 0.2 back, 0.1 out, 0.2 home
    assert before.km == pytest.approx(DETOUR * DEGREE_KM * 0.8, rel=1e-3)
    assert before.saves_km == pytest.approx(DETOUR * DEGREE_KM * 0.2, rel=1e-3)
    moved = order_by_route(visits=[near, far, middle], now=NOW)
    assert len(moved) == before.route_moves
    after = tuesday(firm)
    assert after.saves_km == pytest.approx(0, abs=1e-6)
    assert [stop.late for stop in after.stops] == [False] * 3
    assert after.stops[0].visit.starts_at == far.starts_at
    assert {one.pk: one.revision for one in Visit.objects.all()} == {
        one.pk: int(one in moved) for one in (far, near, middle)
    }
    assert order_by_route(visits=[near, far, middle], now=NOW) == []


def test_a_round_is_left_alone_that_began_is_done_or_would_be_in_anothers_way(firm: Business, crew: User) -> None:
    far, near, middle = (visit(firm, crew, 40 + n / 10, hour) for n, hour in ((3, 8), (1, 12), (2, 16)))
    with pytest.raises(ValidationError, match="still to come"):
        order_by_route(visits=[far, near], now=far.starts_at + timedelta(minutes=1))
    with pytest.raises(ValidationError, match="still to come"):
        order_by_route(visits=[far], now=NOW)
    times = list(Visit.objects.values_list("pk", "starts_at"))
    # a visit of a bigger crew, of which one is on this round too
    other = visit(firm, crew, 40.2, 9, 30)
    other.technicians.add(factories.member(firm, Role.TECHNICIAN))
    with pytest.raises(ValidationError, match="at the same time as"):
        order_by_route(visits=[far, near, middle], now=NOW)
    assert list(Visit.objects.exclude(pk=other.pk).values_list("pk", "starts_at")) == times


def test_days_off_stand_in_the_week_and_say_what_is_still_booked(firm: Business, crew: User) -> None:
    booked = visit(firm, crew, 40.1, 8)
    off = take_days_off(business=firm, user=crew, first_day=TUESDAY, last_day=TUESDAY, why="Course")
    assert take_days_off(business=firm, user=crew, first_day=TUESDAY, last_day=TUESDAY) == off
    assert list(visits_on(off)) == [booked]
    assert [one.off for one in week_of(firm, MONDAY)[0].rounds] == ["", "Course", "", "", "", "", ""]
    give_days_back(off=off, now=NOW)
    assert tuesday(firm).off == ""
    with pytest.raises(ValidationError, match="before the first"):
        take_days_off(business=firm, user=None, first_day=TUESDAY, last_day=MONDAY)
    with pytest.raises(ValidationError, match="works here"):
        take_days_off(business=firm, user=factories.user(), first_day=TUESDAY, last_day=TUESDAY)
    assert not DayOff.objects.standing().exists()


def test_a_crew_with_a_start_of_its_own_sets_out_from_there(firm: Business, crew: User) -> None:
    other = factories.member(firm, Role.TECHNICIAN)
    set_out_from(membership=crew.memberships.get(), place=(42.35, -105.0), by=None, now=NOW)
    near, far = visit(firm, crew, 42.1, 8), visit(firm, crew, 42.3, 11)
    visit(firm, other, 40.1, 8)
    rows = {tuple(row.crew): row for row in week_of(firm, MONDAY)}
    mine, theirs = rows[crew,], rows[other,]
    assert (mine.own_start, theirs.own_start) == (True, False)
    degrees = [stop.km / DETOUR / DEGREE_KM for stop in mine.rounds[1].stops]
    assert degrees == pytest.approx([0.25, 0.2], rel=1e-3)
    assert [stop.late for stop in mine.rounds[1].stops] == [False, False]
    assert theirs.rounds[1].km == pytest.approx(DETOUR * DEGREE_KM * 0.2, rel=1e-3)
    for one in (near, far):
        one.technicians.add(other)
    both = next(row for row in week_of(firm, MONDAY) if len(row.crew) == 2)
    assert both.rounds[1].km == pytest.approx(DETOUR * DEGREE_KM * 0.5, rel=1e-3), "the van is the one's"
    set_out_from(membership=crew.memberships.get(), place=None, by=None, now=NOW)
    both = next(row for row in week_of(firm, MONDAY) if len(row.crew) == 2)
    assert both.rounds[1].km == pytest.approx(DETOUR * DEGREE_KM * 4.6, rel=1e-3)


def test_a_round_is_put_in_order_from_the_crews_own_start(firm: Business, crew: User) -> None:
    south, north = visit(firm, crew, 40.1, 8), visit(firm, crew, 40.3, 11)
    order_by_route(visits=[south, north], now=NOW)
    assert [stop.visit for stop in tuesday(firm).stops] == [south, north]
    set_out_from(membership=crew.memberships.get(), place=(40.4, -105.0), by=None, now=NOW)
    order_by_route(visits=[south, north], now=NOW)
    assert [stop.visit for stop in tuesday(firm).stops] == [north, south]
