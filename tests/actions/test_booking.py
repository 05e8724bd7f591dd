"""What is asked before a visit is booked, two people who book at once, and the free times that are proposed."""

from __future__ import annotations

import multiprocessing
import sys
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core.exceptions import ValidationError
from django.db import connections

from portal.actions.doubts import mark_of
from portal.actions.people import set_out_from
from portal.actions.roof_warnings import AskFirst
from portal.actions.slots import best_slots
from portal.actions.travel import DETOUR
from portal.actions.visits import book_visit, move_visit, overlapping
from portal.models import Business, DayOff, Membership, Role, Site, User, Visit, VisitState
from tests import factories
from tests.factories import NOW

MORNING = datetime(2026, 6, 17, 8, 0, tzinfo=ZoneInfo("America/Denver"))  # a Wednesday
WEDNESDAY = MORNING.date()


@pytest.fixture
def firm(db: None) -> Business:
    hours = {"works_from": time(8), "works_until": time(17), "work_days": "01234"}
    return factories.business(latitude=39.70, longitude=-105.0, **hours)


@pytest.fixture
def crew(firm: Business) -> User:
    return factories.member(firm, Role.TECHNICIAN, name="Rosa Brush")


def roof(firm: Business, *, latitude: float = 39.74, **customer: Any) -> Site:
    return factories.site(customer=factories.customer(business=firm, **customer), latitude=latitude, longitude=-105.0)


def asked(*doubts: str, **booking: Any) -> AskFirst:
    """The booking asks just this, keeps nothing, and goes through when it is agreed to."""
    before = list(Visit.objects.values())
    with pytest.raises(AskFirst) as asks:
        book_visit(now=NOW, **booking)
    assert list(Visit.objects.values()) == before
    assert len(asks.value.doubts) == len(doubts)
    for words, doubt in zip(doubts, asks.value.doubts, strict=True):
        assert words in doubt.words
    with pytest.raises(AskFirst):
        book_visit(now=NOW, despite="another mark", **booking)
    assert book_visit(now=NOW, despite=mark_of(asks.value.doubts), **booking).state == VisitState.BOOKED
    return asks.value


def test_a_time_that_is_past_is_asked_about(firm: Business) -> None:
    asked("is past", site=roof(firm), starts_at=NOW - timedelta(minutes=1), technicians=[])


def test_what_somebody_does_for_another_firm_is_that_firms_own(firm: Business, crew: User) -> None:
    other = factories.business()
    Membership.objects.create(business=other, user=crew, role=Role.TECHNICIAN)
    theirs = factories.site(customer=factories.customer(business=other, name="Ida Novak"))
    factories.visit(site=theirs, technicians=(crew,), starts_at=MORNING, minutes=60)
    booking: dict[str, Any] = {"site": roof(firm), "starts_at": MORNING, "technicians": [crew], "minutes": 30}
    (doubt,) = asked("Rosa Brush works elsewhere then.", **booking).doubts
    assert "Novak" not in doubt.words
    assert not overlapping(Visit.objects.get(site=booking["site"]))


def test_a_crew_that_is_elsewhere_is_asked_about_and_one_that_has_just_left_is_not(firm: Business, crew: User) -> None:
    there = roof(firm, name="Ida Novak")
    factories.visit(site=there, technicians=(crew,), starts_at=MORNING, minutes=60)
    book_visit(site=roof(firm), starts_at=MORNING + timedelta(minutes=60), technicians=[crew], now=NOW)
    asked(
        "Rosa Brush is booked then at Ida Novak · Home: 17 June 2026, 08:00 to 09:00",
        site=roof(firm),
        starts_at=MORNING + timedelta(minutes=59),
        technicians=[crew],
        minutes=1,
    )


def test_somebody_else_may_go_at_the_same_time(firm: Business, crew: User) -> None:
    factories.visit(site=roof(firm), technicians=(crew,), starts_at=MORNING)
    other = factories.member(firm, Role.TECHNICIAN)
    assert book_visit(site=roof(firm), starts_at=MORNING, technicians=[other], now=NOW).pk


@pytest.mark.parametrize("whole_firm", [True, False])
def test_a_day_off_is_asked_about_to_its_last_day(firm: Business, crew: User, whole_firm: bool) -> None:
    DayOff.objects.create(
        business=firm, user=None if whole_firm else crew, first_day=date(2026, 6, 16), last_day=WEDNESDAY, why="Fair."
    )
    who = firm.name if whole_firm else "Rosa Brush"
    asked(f"{who} is off on 17 June 2026. Fair.", site=roof(firm), starts_at=MORNING, technicians=[crew])
    assert book_visit(site=roof(firm), starts_at=MORNING + timedelta(days=1), technicians=[crew], now=NOW).pk


@pytest.mark.parametrize(
    ("starts_at", "words"),
    [
        (MORNING - timedelta(minutes=15), "outside of working hours, 08:00 to 17:00"),
        (MORNING + timedelta(hours=8, minutes=15), "outside of working hours"),
        (MORNING + timedelta(days=3), "does not work on this day of the week: Saturday"),
    ],
)
def test_a_time_outside_of_the_firms_hours_is_asked_about(firm: Business, starts_at: datetime, words: str) -> None:
    asked(words, site=roof(firm), starts_at=starts_at, technicians=[])
    last = MORNING + timedelta(hours=8)  # to the minute at which work ends
    assert book_visit(site=roof(firm), starts_at=last, technicians=[], now=NOW).pk


def test_another_day_of_the_week_than_the_customer_wants_is_asked_about(firm: Business) -> None:
    asked(
        "asked for another day of the week: Monday, Friday",
        site=roof(firm, week_days="04"),
        starts_at=MORNING,
        technicians=[],
    )
    assert book_visit(site=roof(firm, week_days="2"), starts_at=MORNING, technicians=[], now=NOW).pk


def test_a_roof_that_has_a_visit_is_asked_about_and_the_same_twice_is_one(firm: Business, crew: User) -> None:
    site = roof(firm)
    first = book_visit(site=site, starts_at=MORNING, technicians=[crew], now=NOW)
    assert book_visit(site=site, starts_at=MORNING, technicians=[crew], now=NOW) == first
    with pytest.raises(ValidationError, match="with others on the crew"):
        book_visit(site=site, starts_at=MORNING, technicians=[], now=NOW)
    asked("has a visit already: 17 June", site=site, starts_at=MORNING + timedelta(days=2), technicians=[])


def test_moving_asks_alike_and_a_new_price_alone_does_not(firm: Business, crew: User) -> None:
    factories.visit(site=roof(firm), technicians=(crew,), starts_at=MORNING)
    visit = book_visit(site=roof(firm), starts_at=MORNING + timedelta(days=1), technicians=[crew], now=NOW)
    with pytest.raises(AskFirst) as asks:
        move_visit(visit=visit, starts_at=MORNING, now=NOW)
    visit.refresh_from_db()
    assert visit.starts_at == MORNING + timedelta(days=1)
    moved = move_visit(visit=visit, starts_at=MORNING, now=NOW, despite=mark_of(asks.value.doubts))
    assert moved.starts_at == MORNING
    assert move_visit(visit=visit, starts_at=MORNING, now=NOW, note="Ring twice.").note == "Ring twice."


fork = multiprocessing.get_context("fork")
ASKED, TOLD = 3, 4


def _book(ready: Any, **booking: Any) -> None:
    ready.wait(30)
    try:
        book_visit(now=NOW, **booking)
    except AskFirst:
        sys.exit(ASKED)
    except ValidationError:
        sys.exit(TOLD)


def at_once(*bookings: dict[str, Any]) -> list[int]:
    """How each of several processes ended that booked at the same moment, each on connections of its own."""
    connections.close_all()
    ready = fork.Barrier(len(bookings))
    processes = [fork.Process(target=_book, args=(ready,), kwargs=booking) for booking in bookings]
    for process in processes:
        process.start()
    for process in processes:
        process.join(60)
    return sorted(process.exitcode or 0 for process in processes)


@pytest.mark.django_db(transaction=True)
def test_of_two_who_book_one_crew_at_once_one_wins_and_the_other_is_asked() -> None:
    firm = factories.business()
    crew = factories.member(firm, Role.TECHNICIAN)
    for turn in range(4):
        starts_at = MORNING + timedelta(days=turn)
        sites = [roof(firm), roof(firm)]
        work = [{"site": site, "starts_at": starts_at, "technicians": [crew]} for site in sites]
        assert at_once(*work) == [0, ASKED]
        assert Visit.objects.filter(starts_at=starts_at).count() == 1


@pytest.mark.django_db(transaction=True)
def test_of_two_who_book_one_roof_at_once_for_two_crews_one_wins_and_the_other_is_told() -> None:
    firm = factories.business()
    crews = [factories.member(firm, Role.TECHNICIAN) for _ in range(2)]
    site = roof(firm)
    work = [{"site": site, "starts_at": MORNING, "technicians": [who]} for who in crews]
    assert at_once(*work) == [0, TOLD]
    assert Visit.objects.count() == 1


# --- free times ------------------------------------------------------------------------------------------------------


def local(moment: datetime) -> tuple[date, time]:
    here = moment.astimezone(ZoneInfo("America/Denver"))
    return here.date(), here.time()


def test_the_best_time_is_beside_a_round_and_leaves_the_way_there(firm: Business, crew: User) -> None:
    # NOW is a Monday. Thursday's round passes 1.1 km from the new roof, Friday lies the other way.
    near = factories.visit(
        site=roof(firm, latitude=39.75), technicians=(crew,), starts_at=MORNING + timedelta(days=1), minutes=90
    )
    factories.visit(site=roof(firm, latitude=39.20), technicians=(crew,), starts_at=MORNING + timedelta(days=2))
    slots = best_slots(roof(firm), minutes=60, now=NOW)
    assert len(slots) == 3
    assert slots[0].beside == near
    # 0.01 degrees of latitude are 1.112 km on a sphere of 6371 km; times 1.3 and at 40 km/h that is 2.2 minutes
    assert slots[0].beside_km == pytest.approx(DETOUR * 1.112, abs=0.01)
    assert local(slots[0].starts_at) == (WEDNESDAY + timedelta(days=1), time(9, 45))
    assert slots[0].more_km == pytest.approx(0.0, abs=0.01), "it lies on the way home"
    assert slots[1].beside is None, "a free day comes before a round that lies the other way and costs as much"


def test_a_time_is_reckoned_from_where_the_technician_sets_out(firm: Business, crew: User) -> None:
    there = roof(firm, latitude=42.0)  # 256 km of the yard
    assert best_slots(there, minutes=60, now=NOW) == []
    set_out_from(membership=crew.memberships.get(), place=(42.01, -105.0), by=None, now=NOW)
    first = best_slots(there, minutes=60, now=NOW)[0]
    assert first.more_km == pytest.approx(2 * DETOUR * 1.112, abs=0.01)


def test_no_time_is_proposed_where_somebody_has_none(firm: Business, crew: User) -> None:
    site = roof(firm, week_days="24")
    DayOff.objects.create(business=firm, first_day=WEDNESDAY, last_day=WEDNESDAY)
    DayOff.objects.create(business=firm, user=crew, first_day=date(2026, 6, 19), last_day=date(2026, 6, 19))
    slots = best_slots(site, minutes=60, now=NOW)
    assert [local(slot.starts_at)[0] for slot in slots] == [date(2026, 6, 24), date(2026, 6, 26), date(2026, 7, 1)]
    firm.work_days = "01"
    firm.save()
    assert best_slots(Site.objects.get(pk=site.pk), minutes=60, now=NOW) == []


def test_a_visit_that_is_too_long_for_the_day_is_not_proposed(firm: Business, crew: User) -> None:
    factories.visit(site=roof(firm), technicians=(crew,), starts_at=MORNING, minutes=480)
    slots = best_slots(roof(firm), minutes=120, now=NOW)
    assert WEDNESDAY not in {local(slot.starts_at)[0] for slot in slots}
    assert best_slots(roof(firm), minutes=541, now=NOW) == []


def test_what_is_proposed_can_be_booked_without_a_question(firm: Business, crew: User) -> None:
    for hour in (0, 2, 5):
        factories.visit(site=roof(firm), technicians=(crew,), starts_at=MORNING + timedelta(hours=hour), minutes=60)
    for number in range(12):
        site = roof(firm, latitude=39.6 + 0.02 * number)
        slot = best_slots(site, minutes=60, now=NOW)[0]
        book_visit(site=site, starts_at=slot.starts_at.astimezone(UTC), technicians=[slot.technician], now=NOW)


def test_a_far_roof_is_reached_without_setting_out_at_night_and_not_proposed_where_that_takes_hours(
    firm: Business, crew: User
) -> None:
    # half a degree of latitude is 55.6 km, by road 72 and 108 minutes: out at 7, there at 8:48
    assert not best_slots(roof(firm, latitude=40.2), minutes=60, now=NOW), "more than two hours of driving for one roof"
    half = roof(firm, latitude=39.95)  # 54 minutes
    assert local(best_slots(half, minutes=60, now=NOW)[0].starts_at)[1] == time(8)
    factories.visit(site=roof(firm, latitude=40.2), technicians=(crew,), starts_at=MORNING + timedelta(hours=1))
    beside = best_slots(roof(firm, latitude=40.21), minutes=60, now=NOW)[0]
    assert beside.beside is not None
    assert local(beside.starts_at) == (WEDNESDAY, time(10, 15))


def test_a_roof_is_no_neighbour_of_itself(firm: Business, crew: User) -> None:
    site = roof(firm)
    factories.visit(site=site, technicians=(crew,), starts_at=MORNING)
    for slot in best_slots(site, minutes=60, now=NOW):
        assert slot.beside is None
        assert local(slot.starts_at)[0] != WEDNESDAY
