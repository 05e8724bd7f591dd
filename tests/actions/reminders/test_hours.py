"""People are written to at decent hours of their own, and not of cleanings where snow lies."""

from __future__ import annotations

from datetime import date, datetime

import pytest

from portal.actions.reminders.hours import next_decent, season_stopped
from portal.actions.reminders.send import send_due
from portal.models import Reminder, SendingRules
from tests.actions.reminders.planned import DENVER, after, due

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    ("moment", "decent"),
    [
        ("2026-06-15T12:00-06:00", "2026-06-15T12:00-06:00"),  # a Monday noon
        ("2026-06-15T03:00-06:00", "2026-06-15T09:00-06:00"),
        ("2026-06-15T18:00-06:00", "2026-06-16T09:00-06:00"),
        ("2026-06-13T20:00-06:00", "2026-06-15T09:00-06:00"),  # Saturday evening: over Sunday
        ("2026-03-07T20:00-07:00", "2026-03-09T09:00-06:00"),  # over the night the clocks go forward
        ("2026-10-31T20:00-06:00", "2026-11-02T09:00-07:00"),  # and back
    ],
)
def test_decent_hours_are_the_recipients_own(moment: str, decent: str) -> None:
    found = next_decent(datetime.fromisoformat(moment), tz="America/Denver", rules=SendingRules())
    assert found == datetime.fromisoformat(decent)


@pytest.mark.parametrize(("month", "stopped"), [(10, False), (11, True), (1, True), (2, True), (3, False)])
def test_a_season_may_run_over_new_year(month: int, stopped: bool) -> None:
    assert season_stopped(date(2026, month, 10), SendingRules(stop_from=11, stop_until=2)) == stopped


def test_at_night_a_mail_waits_for_the_morning_where_the_roof_is() -> None:
    reminder = due()
    night = datetime(2026, 6, 15, 23, 0, tzinfo=DENVER)
    Reminder.objects.filter(pk=reminder.pk).update(due_at=night)
    assert send_due(now=night).postponed == 1
    assert after(reminder).due_at == datetime(2026, 6, 16, 9, 0, tzinfo=DENVER)
    assert send_due(now=datetime(2026, 6, 16, 9, 0, tzinfo=DENVER)).sent == 1
