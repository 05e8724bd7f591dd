"""A restored older portal does not know which mails went since: none goes twice, and no number is used again."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from django.core import mail

from portal.actions.holds import decide_mails
from portal.actions.keeping.backup import back_up
from portal.actions.keeping.restore import restore
from portal.actions.reminders.plan import plan_standing
from portal.actions.reminders.send import retry_reminder, send_due
from portal.models import Business, MailHold, Reminder, ReminderState, Role, Site, Visit
from tests import factories
from tests.actions.keeping.firm import KEY
from tests.factories import NOW

HOUR = timedelta(hours=1)


def sent_ids() -> list[str]:
    return [one.extra_headers["Message-ID"] for one in mail.outbox]


def book(business: Business, count: int) -> list[Visit]:
    customers = [factories.customer(business=business) for _ in range(count)]
    return [factories.visit(site=factories.site(customer=one), starts_at=NOW + 72 * HOUR) for one in customers]


@pytest.fixture
def lost(own_keys: None, tmp_path: Path) -> tuple[Business, list[str]]:
    """Six mails wait in the backup; they and three of visits booked since have gone when it is restored."""
    business = factories.business()
    book(business, 6)
    plan_standing(now=NOW)
    waiting = Reminder.objects.filter(state=ReminderState.DUE, kind="booked")
    assert waiting.count() == 6
    back_up(to=tmp_path / "kept", key=KEY, now=NOW)
    book(business, 3)
    plan_standing(now=NOW + HOUR)
    assert send_due(now=NOW + HOUR).sent == 9
    restore(source=tmp_path / "kept", key=KEY, now=NOW + 2 * HOUR, replace=True)
    assert waiting.count() == 6
    return business, sent_ids()


def test_nothing_goes_until_the_firm_has_chosen(lost: tuple[Business, list[str]]) -> None:
    business, before = lost
    book(business, 2)  # again, since the portal forgot them
    for hours in (2, 3, 9):
        plan_standing(now=NOW + hours * HOUR)
        assert send_due(now=NOW + hours * HOUR).sent == 0
    assert sent_ids() == before
    other = factories.business()  # a firm opened since is held up by nothing
    factories.visit(site=factories.site(customer=factories.customer(business=other)), starts_at=NOW + 72 * HOUR)
    plan_standing(now=NOW + 9 * HOUR)
    assert send_due(now=NOW + 9 * HOUR).sent == 1


def test_what_is_sent_after_all_goes_under_numbers_of_its_own(lost: tuple[Business, list[str]]) -> None:
    business, before = lost
    book(business, 2)
    plan_standing(now=NOW + 3 * HOUR)
    owner = factories.member(business, Role.OWNER)
    assert decide_mails(business=business, send=True, by=owner, now=NOW + 4 * HOUR) == 8
    assert send_due(now=NOW + 4 * HOUR).sent == 8
    after = sent_ids()[len(before) :]
    assert len(set(after)) == 8
    assert not set(after) & set(before)
    print(f"\n{len(before)} mails had gone before; of {len(after)} sent since, 0 bear a number of before")


def test_what_is_dropped_stays_dropped_but_for_what_the_office_puts_back(lost: tuple[Business, list[str]]) -> None:
    business, before = lost
    owner = factories.member(business, Role.OWNER)
    assert decide_mails(business=business, send=False, by=owner, now=NOW + 4 * HOUR) == 6
    assert decide_mails(business=business, send=True, by=owner, now=NOW + 4 * HOUR) == 0  # pressed twice
    plan_standing(now=NOW + 5 * HOUR)
    assert send_due(now=NOW + 5 * HOUR).sent == 0
    dropped = Reminder.objects.filter(state=ReminderState.DROPPED)
    assert dropped.count() == 6
    retry_reminder(reminder=dropped[0], now=NOW + 6 * HOUR)
    book(business, 1)
    plan_standing(now=NOW + 6 * HOUR)
    assert send_due(now=NOW + 6 * HOUR).sent == 2
    assert not set(sent_ids()[len(before) :]) & set(before)


def test_a_second_restore_asks_once_more_and_not_twice(lost: tuple[Business, list[str]], tmp_path: Path) -> None:
    restore(source=tmp_path / "kept", key=KEY, now=NOW + 3 * HOUR, replace=True)
    back_up(to=tmp_path / "kept", key=KEY, now=NOW + 4 * HOUR)  # with its hold
    restore(source=tmp_path / "kept", key=KEY, now=NOW + 5 * HOUR, replace=True)
    assert MailHold.objects.open().count() == 1
    assert Reminder.objects.filter(state=ReminderState.DUE, kind="booked").count() == 6


def test_links_and_calendars_of_before_name_nobody_else(lost: tuple[Business, list[str]]) -> None:
    business, _ = lost
    assert book(business, 1)[0].pk > 1_000_000
    assert Site.objects.latest("pk").pk > 1_000_000
