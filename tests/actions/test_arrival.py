"""The way to the next roof, and the word that the van has set out."""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest
from django.core import mail
from django.core.exceptions import ValidationError

from portal.actions.arrival import arrival_window, expected_at, stops_before, way_from
from portal.actions.people import set_out_from
from portal.actions.record import record_entry
from portal.actions.reminders.plan import plan_standing
from portal.actions.reminders.send import send_due
from portal.actions.visits import move_visit
from portal.models import EntryKind, Language, Reminder, ReminderKind, Role, Visit, VisitEntry
from tests import factories

pytestmark = pytest.mark.django_db

NINE = datetime(2026, 6, 16, 9, 0, tzinfo=ZoneInfo("America/Denver"))
MINUTE = timedelta(minutes=1)


def sets_out(visit: Visit, at: datetime, minutes: int | None, *, sent_at: datetime | None = None) -> VisitEntry:
    by = visit.technicians.first() or factories.member(visit.site.customer.business, Role.TECHNICIAN)
    return record_entry(
        visit=visit,
        kind=EntryKind.SET_OUT,
        client_id=uuid4(),
        drive_minutes=minutes,
        by=by,
        at=at,
        now=sent_at or at,
    )


def round_of(number: int) -> list[Visit]:
    """Visits of one van, an hour apart, on a line to the north of the yard, each a tenth of a degree further."""
    firm = factories.business(latitude=40.0, longitude=-105.0)
    crew = factories.member(firm, Role.TECHNICIAN)
    made = []
    for step in range(number):
        home = factories.site(customer=factories.customer(business=firm), latitude=40.1 + 0.1 * step, longitude=-105.0)
        made.append(factories.visit(site=home, starts_at=NINE + timedelta(hours=step), technicians=(crew,)))
    return made


def way_minutes(visit: Visit) -> int | None:
    return way_from(stops_before(visit).last(), visit)


def test_the_way_is_reckoned_from_the_yard_and_then_from_the_stop_before() -> None:
    # A tenth of a degree of latitude is 11.1 km (6371 km of radius), by road 14.5, at 40 km/h 21.7 minutes.
    first, second = round_of(2)
    assert (way_minutes(first), way_minutes(second)) == (25, 25)
    second.starts_at = first.starts_at - timedelta(hours=1)
    second.save()
    assert (way_minutes(first), way_minutes(second)) == (25, 45)


def test_the_way_begins_at_the_crews_own_start_where_it_has_one() -> None:
    (visit,) = round_of(1)  # at 40.1, the yard at 40.0
    crew = visit.technicians.get()
    set_out_from(membership=crew.memberships.get(), place=(40.3, -105.0), by=None, now=NINE)
    assert way_minutes(visit) == 45  # 0.2 degrees: 28.9 km by road, 43.4 minutes


def test_a_place_that_nobody_knows_gives_no_way() -> None:
    assert way_minutes(factories.visit()) is None  # no yard
    (visit,) = round_of(1)
    type(visit.site).objects.update(latitude=None, longitude=None)
    visit.refresh_from_db()
    assert way_minutes(visit) is None


def test_a_way_longer_than_may_be_said_is_not_proposed() -> None:
    (visit,) = round_of(1)
    type(visit.site).objects.update(latitude=42.0)  # 2 degrees are 222 km, by road 289: over seven hours at 40 km/h
    visit.refresh_from_db()
    assert way_minutes(visit) is None


def test_the_window_grows_with_the_washes_before_and_stays_under_two_hours() -> None:
    widths = [(last - first) / MINUTE for first, last in map(arrival_window, round_of(9))]
    assert widths == [30, 45, 60, 75, 90, 105, 120, 120, 120]


def test_one_press_tells_the_customer_once_in_their_language_with_the_time() -> None:
    (visit,) = round_of(1)
    type(visit.site.customer).objects.update(language=Language.SPANISH)
    sets_out(visit, NINE - 41 * MINUTE, 22)
    assert expected_at(visit) == NINE - 15 * MINUTE  # 8:19 and 22 minutes, in whole steps of five
    for late in (0, 1, 2):
        plan_standing(now=NINE - 40 * MINUTE + late * MINUTE)
        Reminder.objects.exclude(kind=ReminderKind.SET_OUT).delete()
        send_due(now=NINE - 40 * MINUTE + late * MINUTE)
        sets_out(visit, NINE - 40 * MINUTE + late * MINUTE, 30)  # pressed again: the mail is out
    assert [one.subject for one in mail.outbox] == ["Estamos en camino: hacia las 08:45"]


def test_the_mail_is_written_down_with_the_word_and_waits_for_no_planning() -> None:
    (visit,) = round_of(1)
    sets_out(visit, NINE - 41 * MINUTE, 22)
    assert Reminder.objects.get(kind=ReminderKind.SET_OUT).due_at == NINE - 41 * MINUTE


def test_a_word_that_waited_for_a_signal_until_they_were_there_is_not_sent() -> None:
    (visit,) = round_of(1)
    sets_out(visit, NINE - 41 * MINUTE, 22, sent_at=NINE - 15 * MINUTE)
    plan_standing(now=NINE - 15 * MINUTE)
    assert not Reminder.objects.filter(kind=ReminderKind.SET_OUT).exists()


def test_whoever_turned_back_says_it_again_on_the_new_day() -> None:
    (visit,) = round_of(1)
    sets_out(visit, NINE - 41 * MINUTE, 22)
    plan_standing(now=NINE - 40 * MINUTE)
    later = NINE + timedelta(days=2)
    move_visit(visit=visit, starts_at=later, now=NINE)
    plan_standing(now=later - 60 * MINUTE)
    assert Reminder.objects.filter(kind=ReminderKind.SET_OUT).count() == 1
    visit.refresh_from_db()
    sets_out(visit, later - 30 * MINUTE, 20)
    plan_standing(now=later - 29 * MINUTE)
    assert Reminder.objects.filter(kind=ReminderKind.SET_OUT).count() == 2


@pytest.mark.parametrize("minutes", [None, 0, 241])
def test_a_way_that_is_none_is_refused_in_a_sentence(minutes: int | None) -> None:
    (visit,) = round_of(1)
    with pytest.raises(ValidationError, match="between 1 and 240 minutes"):
        sets_out(visit, NINE, minutes)
    assert not visit.entries.exists()
