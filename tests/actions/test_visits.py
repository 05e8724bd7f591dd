"""Booking, moving, calling off and finishing visits; the order of a day's round."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError

from portal.actions.visits import (
    book_visit,
    cancel_visit,
    finish_visit,
    in_route_order,
    move_visit,
    overlapping,
    put_off_visit,
    reopen_visit,
    route_order,
)
from portal.models import LeadStage, Night, Role, Visit, VisitState
from portal.pv.town import kilometres
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
TOMORROW = NOW + timedelta(days=1)


def test_booking_from_a_lead_makes_the_lead_booked() -> None:
    lead = factories.lead()
    crew = factories.member(lead.site.customer.business, Role.TECHNICIAN)
    visit = book_visit(site=lead.site, starts_at=TOMORROW, technicians=[crew], lead=lead, price=Decimal("150"), now=NOW)
    lead.refresh_from_db()
    assert (lead.stage, lead.booked_at) == (LeadStage.BOOKED, NOW)
    assert list(visit.technicians.all()) == [crew]


def test_booking_a_roof_with_an_open_lead_books_that_lead() -> None:
    lead = factories.lead()
    assert book_visit(site=lead.site, starts_at=TOMORROW, technicians=[], now=NOW).lead == lead


def test_a_lead_of_another_roof_is_refused() -> None:
    with pytest.raises(ValidationError, match="another roof"):
        book_visit(site=factories.site(), starts_at=TOMORROW, technicians=[], lead=factories.lead(), now=NOW)


def test_a_technician_of_another_business_is_refused() -> None:
    stranger = factories.member(factories.business(), Role.TECHNICIAN)
    with pytest.raises(ValidationError, match="does not work for"):
        book_visit(site=factories.site(), starts_at=TOMORROW, technicians=[stranger], now=NOW)


def test_a_start_without_a_zone_is_refused() -> None:
    naive = datetime(2026, 6, 16, 8)  # noqa: DTZ001  that is the point
    with pytest.raises(ValueError, match="naive"):
        book_visit(site=factories.site(), starts_at=naive, technicians=[], now=NOW)


def test_finishing_makes_a_known_cleaning_wins_the_lead_and_asks_for_an_assessment() -> None:
    lead = factories.lead()
    visit = book_visit(site=lead.site, starts_at=TOMORROW, technicians=[], lead=lead, now=NOW)
    done = finish_visit(visit=visit, now=TOMORROW + timedelta(hours=1))
    lead.refresh_from_db()
    assert lead.stage == LeadStage.WON
    assert done.state == VisitState.DONE
    # NOW is 15 June 2026, 18:00 UTC; a day and an hour later it is 13:00 on the 16th in Denver
    assert done.cleaned_on == date(2026, 6, 16)
    assert Night.objects.filter(site=lead.site, day=date(2026, 6, 16)).exists()


def test_the_cleaning_date_is_the_roofs_own_day() -> None:
    visit = factories.visit()
    # 04:30 UTC on the 17th is 22:30 on the 16th in Denver (UTC−6 in June)
    assert finish_visit(visit=visit, now=datetime(2026, 6, 17, 4, 30, tzinfo=UTC)).cleaned_on == date(2026, 6, 16)


def test_finishing_twice_keeps_the_first_time() -> None:
    visit = factories.visit()
    finish_visit(visit=visit, now=TOMORROW)
    assert finish_visit(visit=visit, now=TOMORROW + timedelta(days=2)).finished_at == TOMORROW


def test_a_finish_by_mistake_can_be_taken_back() -> None:
    visit = factories.visit()
    finish_visit(visit=visit, now=TOMORROW)
    reopened = reopen_visit(visit=visit, now=TOMORROW)
    assert (reopened.state, reopened.finished_at, reopened.cleaned_on) == (VisitState.BOOKED, None, None)


def test_a_finish_taken_back_books_the_lead_again_and_a_later_finish_wins_it() -> None:
    lead = factories.lead()
    visit = book_visit(site=lead.site, starts_at=TOMORROW, technicians=[], lead=lead, now=NOW)
    finish_visit(visit=visit, now=TOMORROW)
    reopen_visit(visit=visit, now=TOMORROW)
    lead.refresh_from_db()
    assert (lead.stage, lead.closed_at, lead.booked_at) == (LeadStage.BOOKED, None, NOW)
    finish_visit(visit=visit, now=TOMORROW)
    lead.refresh_from_db()
    assert (lead.stage, lead.closed_at) == (LeadStage.WON, TOMORROW)


def test_where_a_newer_lead_is_open_a_visit_taken_back_is_booked_for_that_one() -> None:
    lead = factories.lead()
    visit = book_visit(site=lead.site, starts_at=TOMORROW, technicians=[], lead=lead, now=NOW)
    finish_visit(visit=visit, now=TOMORROW)
    newer = factories.lead(site=lead.site, opened_at=TOMORROW + timedelta(days=30))
    reopened = reopen_visit(visit=visit, now=TOMORROW + timedelta(days=31))
    lead.refresh_from_db()
    newer.refresh_from_db()
    assert (lead.stage, newer.stage, reopened.lead) == (LeadStage.WON, LeadStage.BOOKED, newer)


def test_a_lead_that_another_finished_visit_won_too_stays_won() -> None:
    lead = factories.lead()
    first = book_visit(site=lead.site, starts_at=TOMORROW, technicians=[], lead=lead, now=NOW)
    second = factories.visit(site=lead.site, lead=lead, starts_at=TOMORROW + timedelta(hours=3))
    for visit in (first, second):
        finish_visit(visit=visit, now=TOMORROW + timedelta(hours=5))
    reopen_visit(visit=first, now=TOMORROW + timedelta(hours=6))
    lead.refresh_from_db()
    assert lead.stage == LeadStage.WON


def test_a_wash_still_to_come_is_not_marked_done() -> None:
    visit = factories.visit()
    with pytest.raises(ValidationError, match="still to come"):
        finish_visit(visit=visit, now=NOW, finished_at=NOW + timedelta(hours=1))
    visit.refresh_from_db()
    assert visit.state == VisitState.BOOKED


def test_calling_off_for_weather_and_moving_books_it_again() -> None:
    lead = factories.lead(stage=LeadStage.QUOTED)
    visit = book_visit(site=lead.site, starts_at=TOMORROW, technicians=[], lead=lead, price=Decimal("150"), now=NOW)
    off = put_off_visit(visit=visit, why=VisitState.WEATHER, reason="Thunder", now=NOW)
    lead.refresh_from_db()
    assert (off.state, lead.stage, lead.booked_at) == (VisitState.WEATHER, LeadStage.QUOTED, None)
    moved = move_visit(visit=visit, starts_at=TOMORROW + timedelta(days=3), now=NOW)
    lead.refresh_from_db()
    assert (moved.state, lead.stage) == (VisitState.BOOKED, LeadStage.BOOKED)
    assert moved.revision == 2, "calendars learn of both changes"
    assert "Thunder" in moved.note


def test_a_price_of_the_visit_alone_is_no_quote_that_waits_for_an_answer() -> None:
    lead = factories.lead()
    visit = book_visit(site=lead.site, starts_at=TOMORROW, technicians=[], lead=lead, price=Decimal("150"), now=NOW)
    cancel_visit(visit=visit, reason="", now=NOW)
    lead.refresh_from_db()
    assert lead.stage == LeadStage.CONTACTED


def test_a_done_visit_is_neither_moved_nor_cancelled() -> None:
    visit = factories.visit()
    finish_visit(visit=visit, now=TOMORROW)
    with pytest.raises(ValidationError, match="done"):
        move_visit(visit=visit, starts_at=TOMORROW, now=NOW)
    with pytest.raises(ValidationError, match="done"):
        cancel_visit(visit=visit, reason="", now=NOW)


def test_an_overlap_of_one_crew_is_found() -> None:
    site = factories.site()
    crew = factories.member(site.customer.business, Role.TECHNICIAN)
    first = factories.visit(site=site, technicians=(crew,), starts_at=TOMORROW, minutes=60)
    touching = factories.visit(site=site, technicians=(crew,), starts_at=TOMORROW + timedelta(hours=1))
    assert list(overlapping(first)) == []
    inside = factories.visit(site=site, technicians=(crew,), starts_at=TOMORROW + timedelta(minutes=59))
    assert set(overlapping(inside)) == {first, touching}


def test_great_circle_agrees_with_a_published_distance() -> None:
    # Worked example widely printed with the haversine formula (Rosetta Code, "Haversine formula"): BNA (36.12,
    # −86.67) to LAX (33.94, −118.40) is 2887.26 km with a radius of 6372.8 km, that is 0.453060 rad.
    assert kilometres(36.12, -86.67, 33.94, -118.40) == pytest.approx(2887.2599 / 6372.8 * 6371.0088, abs=0.01)


def test_a_quarter_of_the_equator() -> None:
    assert kilometres(0, 0, 0, 90) == pytest.approx(6371.0088 * 3.141592653589793 / 2)


def test_route_order_finds_the_shortest_round_of_a_town() -> None:
    # Against every permutation: 7 roofs, 5040 rounds. Nearest neighbour alone is caught out by this layout.
    yard = (39.70, -105.00)
    roofs = [
        (39.71, -105.0),
        (39.69, -105.01),
        (39.73, -105.0),
        (39.66, -105.0),
        (39.78, -105.02),
        (39.60, -104.97),
        (39.75, -104.9),
    ]

    def length(order: tuple[int, ...]) -> float:
        stops = [yard, *(roofs[i] for i in order), yard]
        return sum(kilometres(*a, *b) for a, b in itertools.pairwise(stops))

    best = min(length(order) for order in itertools.permutations(range(7)))
    order, km = route_order(roofs, yard)
    assert sorted(order) == list(range(7))
    assert km == pytest.approx(length(tuple(order)))
    assert km <= best * 1.02


def test_a_day_without_visits_has_no_route() -> None:
    assert in_route_order([], None) == ([], 0.0)


def test_a_button_pressed_twice_books_once() -> None:
    site = factories.site()
    first, second = (book_visit(site=site, starts_at=NOW, technicians=[], lead=None, now=NOW) for _ in range(2))
    assert first == second
    assert Visit.objects.count() == 1
