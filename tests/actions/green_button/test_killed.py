"""Workers that die while they talk to a utility, two at once, and messages that are lost."""

from __future__ import annotations

import multiprocessing
import os
import signal
from datetime import timedelta
from typing import Any

import pytest
from django.db import connections
from django.test import Client
from django.urls import reverse

from portal.actions.green_button.fetch import DAILY, NOTICE_UNREAD, TURN_LASTS, poll_utilities, work_on_utility
from portal.models import (
    DayReadings,
    EndedBy,
    Import,
    ImportState,
    Meter,
    UtilityConnection,
    UtilityFarewell,
    UtilityNotice,
    UtilityState,
)
from tests import factories
from tests.actions.green_button.custodian import Custodian, notice
from tests.actions.green_button.scene import SUBSCRIPTION, allow, browser, connected, gets, work
from tests.factories import NOW

pytestmark = pytest.mark.django_db(transaction=True)
fork = multiprocessing.get_context("fork")


def killed_by(custodian: Custodian, hook: str, key: int, now: Any) -> None:
    """A worker goes to work, and the custodian kills it at a moment of the custodian's choice."""
    connections.close_all()
    worker = fork.Process(target=lambda: work_on_utility(connection_id=key, now=now))
    setattr(custodian, hook, lambda: os.kill(worker.pid or 0, signal.SIGKILL))
    worker.start()
    worker.join(60)
    assert worker.exitcode == -signal.SIGKILL
    setattr(custodian, hook, None)


def test_a_worker_killed_while_the_utility_answers_is_followed_by_the_next(meter: Meter, custodian: Custodian) -> None:
    """Killed by the custodian itself, in the middle of its answer: once while tokens are new, then at each batch."""
    allow(meter, custodian)
    key = UtilityConnection.objects.get().pk
    killed_by(custodian, "before_answer", key, NOW)
    assert gets(custodian) == [SUBSCRIPTION]
    connection = UtilityConnection.objects.get()
    assert (connection.state, connection.busy_until) == (UtilityState.ACTIVE, NOW + TURN_LASTS)
    work_on_utility(connection_id=key, now=NOW + timedelta(minutes=20))
    assert gets(custodian) == [SUBSCRIPTION], "another waits until the first one's turn is over"
    work(meter, NOW + TURN_LASTS + timedelta(seconds=1))
    assert (Import.objects.get().state, DayReadings.objects.count()) == (ImportState.DONE, 3)


def test_a_worker_killed_while_it_exchanges_the_code_ends_in_tokens_or_in_a_word(
    meter: Meter, custodian: Custodian
) -> None:
    allow(meter, custodian)
    key = UtilityConnection.objects.get().pk
    killed_by(custodian, "before_tokens", key, NOW)
    assert work(meter, NOW + 2 * TURN_LASTS).state == UtilityState.ACTIVE, "the code was not used: it is good still"
    second = factories.meter(site=factories.site(customer=factories.customer(user=factories.user())))
    allow(second, custodian)
    key = UtilityConnection.objects.get(site=second.site).pk
    killed_by(custodian, "after_tokens", key, NOW)
    lost = work(second, NOW + 2 * TURN_LASTS)
    assert (lost.state, lost.problem) == (
        UtilityState.ENDED,
        "The utility did not hand over the keys. Connect once more.",
    )


def test_a_worker_killed_while_it_refreshes_ends_in_tokens_or_in_a_word(meter: Meter, custodian: Custodian) -> None:
    """Refresh tokens are good for once here: one that was granted and never arrived is lost, and that is said."""
    connection = connected(meter, custodian)
    custodian.books.access.clear()
    killed_by(custodian, "before_tokens", connection.pk, NOW + DAILY)
    assert work(meter, NOW + 2 * DAILY).problem == ""
    custodian.books.access.clear()
    killed_by(custodian, "after_tokens", connection.pk, NOW + 4 * DAILY)
    custodian.books.access.clear()
    lost = work(meter, NOW + 6 * DAILY)
    assert lost.ended_by == EndedBy.LOST, "the utility has ended nothing"
    assert lost.problem.startswith("When the keys were last renewed the new ones did not arrive here")
    page = browser(meter).get(reverse("utility", args=[meter.site_id])).content.decode()
    assert "The connection to Valley Power was lost on" in page
    assert DayReadings.objects.count() == 3


def test_a_permission_withdrawn_after_a_renewal_that_was_lost_was_ended_by_the_utility(
    meter: Meter, custodian: Custodian
) -> None:
    connection = connected(meter, custodian)
    custodian.books.access.clear()
    killed_by(custodian, "before_tokens", connection.pk, NOW + DAILY)
    custodian.forget_tokens()
    assert work(meter, NOW + 2 * DAILY).ended_by == EndedBy.UTILITY


def test_a_renewal_that_the_utility_answers_with_an_error_leaves_no_doubt(meter: Meter, custodian: Custodian) -> None:
    connected(meter, custodian)
    custodian.books.access.clear()
    custodian.down_for_tokens = True
    assert work(meter, NOW + DAILY).state == UtilityState.ACTIVE
    custodian.down_for_tokens = False
    assert work(meter, NOW + 2 * DAILY).problem == ""


def test_two_workers_at_once_ask_once(meter: Meter, custodian: Custodian) -> None:
    allow(meter, custodian)
    key = UtilityConnection.objects.get().pk
    connections.close_all()
    workers = [fork.Process(target=lambda: work_on_utility(connection_id=key, now=NOW)) for _ in range(2)]
    for one in workers:
        one.start()
    for one in workers:
        one.join(60)
        assert one.exitcode == 0
    assert gets(custodian) == [SUBSCRIPTION]
    assert Import.objects.count() == 1


def test_the_poll_finds_whose_message_was_lost(meter: Meter, custodian: Custodian, queue: str) -> None:
    import redis  # only tests that need the queue pay for it

    def jobs() -> list[str]:
        with redis.Redis.from_url(queue) as broker:
            told = [str(one) for one in broker.lrange("imports", 0, -1)]
            broker.flushall()
        names = ("work_on_utility", "read_notice", "say_farewell")
        return [name for one in reversed(told) for name in names if f'"task": "{name}"' in one]

    allow(meter, custodian)
    Client().post(reverse("utility_notice"), notice("x"), content_type="application/xml")
    assert jobs() == ["work_on_utility", "read_notice"]
    poll_utilities(now=NOW)
    assert jobs() == ["work_on_utility"], "the notice's message may still be on its way"
    UtilityNotice.objects.update(received_at=NOW - NOTICE_UNREAD * 2)
    poll_utilities(now=NOW)
    assert jobs() == ["work_on_utility", "read_notice"]
    work(meter)
    UtilityNotice.objects.all().delete()
    poll_utilities(now=NOW + timedelta(hours=1))
    assert jobs() == []
    poll_utilities(now=NOW + DAILY)
    assert jobs() == ["work_on_utility"]
    browser(meter).post(reverse("utility_end", args=[meter.site_id]))
    jobs()
    poll_utilities(now=UtilityFarewell.objects.get().due_at)
    assert jobs() == ["say_farewell"]
