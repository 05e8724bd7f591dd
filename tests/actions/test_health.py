"""Whether beat and workers work: their heartbeats, and how long jobs wait."""

from __future__ import annotations

from datetime import timedelta

import pytest

from portal.actions.health import QUEUE_SILENT_AFTER, Standing, beat, standing_still, waiting_since
from portal.actions.jobs import IMPORTS, MAIL, NIGHTS
from portal.models import Heartbeat, Night, Reminder
from tests import factories
from tests.factories import NOW
from workers.app import BEAT_TABLE, JOB_LIMIT, NIGHT_LIMIT

pytestmark = pytest.mark.django_db

LONG_UP = NOW - timedelta(days=9)


def test_a_queue_is_still_when_no_worker_answered_for_longer_than_its_longest_job() -> None:
    for queue in QUEUE_SILENT_AFTER:
        beat(queue=queue, now=NOW - timedelta(minutes=6))
    assert standing_still(now=NOW, up_since=LONG_UP) == [Standing(MAIL, NOW - timedelta(minutes=6))]
    beat(queue=MAIL, now=NOW)
    assert standing_still(now=NOW, up_since=LONG_UP) == []
    assert Heartbeat.objects.count() == 3, "one row a queue, however often"


def test_a_portal_that_has_just_started_gives_its_workers_time() -> None:
    beat(queue=MAIL, now=NOW - timedelta(days=2))
    assert standing_still(now=NOW, up_since=NOW - timedelta(minutes=1)) == []
    assert {one.queue: one.since for one in standing_still(now=NOW, up_since=LONG_UP)} == {
        MAIL: NOW - timedelta(days=2),
        IMPORTS: None,
        NIGHTS: None,
    }


def test_no_longest_job_passes_for_death() -> None:
    assert QUEUE_SILENT_AFTER[IMPORTS] > JOB_LIMIT
    assert QUEUE_SILENT_AFTER[NIGHTS] > 2 * NIGHT_LIMIT, "the next cell is asked for before the call"


def test_beat_calls_each_queue_by_its_own_name() -> None:
    calls = [line for line in BEAT_TABLE.values() if line["task"] == "heartbeat"]
    assert {(line["args"][0], line["options"]["queue"]) for line in calls} == {  # type: ignore[index]
        (queue, queue) for queue in (MAIL, IMPORTS, NIGHTS)
    }


def test_how_long_the_oldest_job_of_each_kind_waits() -> None:
    assert waiting_since(now=NOW) == {}
    site = factories.site()
    Night.objects.create(site=site, day=NOW.date(), asked_at=NOW - timedelta(hours=3))
    Night.objects.create(
        site=site, day=NOW.date() - timedelta(days=1), asked_at=NOW - timedelta(hours=30), state="done"
    )
    for key, due_at in (("soon", NOW + timedelta(days=1)), ("late", NOW - timedelta(hours=2))):
        Reminder.objects.create(
            business=site.customer.business, kind="due", customer=site.customer, key=key, due_at=due_at, stale_at=NOW
        )
    assert waiting_since(now=NOW) == {
        "roof": NOW - timedelta(hours=3),
        "reminder": NOW - timedelta(hours=2),
    }
