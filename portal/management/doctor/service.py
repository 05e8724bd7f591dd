"""What the other services say: database, broker, workers and beat, and whether all clocks agree."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import redis
from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor

from portal.actions.health import WAITS_TOO_LONG, standing_still, waiting_since
from portal.actions.holds import clock_doubt
from portal.management.doctor.found import CheckResult
from portal.models import Heartbeat, MailHold

CLOCKS_APART = timedelta(seconds=5)
"""More than a network and a busy machine make of it. Common practice, no source."""

WORK = {"mail": "no mail leaves", "imports": "no file is read", "nights": "no roof is assessed"}
"""What does not happen while a queue's workers stand still."""

JOBS = {"file": "A file", "mail": "A mail with readings", "reminder": "A reminder", "roof": "A roof to assess"}


def database_found() -> Iterator[CheckResult]:
    """Whether it answers, and has this version's tables."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
        executor = MigrationExecutor(connection)
        missing = executor.migration_plan(executor.loader.graph.leaf_nodes())
    except DatabaseError as error:
        said = f"The database does not answer: {_first_line(error)}."
        if not settings.DATABASE_URL:
            said = f"There is no database in {settings.VAR}, and PORTAL_DATABASE_URL is not set."
        yield CheckResult(said)
        return
    if missing:
        yield CheckResult(f"{len(missing)} changes of the tables are not made yet: manage.py migrate")


def broker_found() -> Iterator[CheckResult]:
    """Whether the queue's server answers, and keeps what it is given."""
    if not settings.REDIS_URL:
        return  # said with the settings
    with _broker() as client:
        try:
            client.ping()
        except (redis.RedisError, OSError) as error:
            yield CheckResult(f"The queue's server (PORTAL_REDIS_URL) does not answer: {_first_line(error)}.")
            return
        try:
            kept = client.config_get("appendonly").get("appendonly")
            full = client.config_get("maxmemory-policy").get("maxmemory-policy")
        except redis.RedisError:
            return  # a hosted one does not let us see
    if kept != "yes":
        yield CheckResult(
            "The queue's server forgets its jobs when it stops (appendonly no); beat finds them.", wrong=False
        )
    if full not in ("noeviction", None):
        yield CheckResult(
            f"The queue's server throws jobs away when it is full ({full}): set maxmemory-policy noeviction."
        )


def workers_found(now: datetime) -> Iterator[CheckResult]:
    """Who works behind the pages, by heartbeat, and what waits for them."""
    still = standing_still(now=now, up_since=datetime.min.replace(tzinfo=UTC))
    if len(still) == len(WORK):
        newest = max((one.since for one in still if one.since), default=None)
        yield CheckResult(
            f"Neither beat nor any worker was heard of {_ago(newest, now)}: look at the services rinsemark-beat and "
            "rinsemark-worker@mail, @imports and @nights."
        )
    else:
        for one in still:
            yield CheckResult(
                f"No worker of the queue {one.queue} was heard of {_ago(one.since, now)}, so that {WORK[one.queue]}: "
                f"look at the service rinsemark-worker@{one.queue}."
            )
    for kind, since in waiting_since(now=now).items():
        if now - since > WAITS_TOO_LONG[kind]:
            yield CheckResult(f"{JOBS[kind]} has been waiting for {_long(now - since)}.")


def clock_found(now: datetime) -> Iterator[CheckResult]:
    """Reminders and nights go by this clock: it must agree with the others'."""
    others: dict[str, datetime] = {}
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT clock_timestamp()")
            others["the database"] = cursor.fetchone()[0]
    if settings.REDIS_URL:
        with _broker() as client, contextlib.suppress(redis.RedisError, OSError):
            seconds, micro = client.time()
            others["the queue's server"] = datetime.fromtimestamp(seconds + micro / 1e6, UTC)
    for name, theirs in others.items():
        apart = abs(theirs - now)
        if apart > CLOCKS_APART + timedelta(seconds=2):  # the checks before this one took a moment
            yield CheckResult(f"This machine's clock and that of {name} are {_long(apart)} apart: let both follow NTP.")
    ahead = Heartbeat.objects.filter(beaten_at__gt=now + CLOCKS_APART).order_by("-beaten_at").first()
    if ahead:
        yield CheckResult(f"A worker's clock is {_long(ahead.beaten_at - now)} ahead, or this one's was set back.")


def holds_found(now: datetime) -> Iterator[CheckResult]:
    """What waits until somebody has answered on the office's first page."""
    doubt = clock_doubt(now=now)
    if doubt:
        yield CheckResult(
            f"The clock says {doubt.now:%Y-%m-%d %H:%M}, but the portal last ran on {doubt.last:%Y-%m-%d %H:%M}: no "
            "roof is assessed and no mail leaves until it is set right, or the office confirms it on its first page."
        )
    held = MailHold.objects.open().count()
    if held:
        yield CheckResult(
            f"{held} firms have not said yet which mails may go after a restore: it is on their first page."
        )


def _broker() -> contextlib.closing[redis.Redis]:
    return contextlib.closing(
        redis.Redis.from_url(settings.REDIS_URL, socket_connect_timeout=2, socket_timeout=2, decode_responses=True)
    )


def _ago(then: datetime | None, now: datetime) -> str:
    return f"for {_long(now - then)}" if then else "ever"


def _long(time: timedelta) -> str:
    seconds = time.total_seconds()
    for size, word in ((86400, "days"), (3600, "hours"), (60, "minutes")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {word}"
    return f"{seconds:.0f} seconds"


def _first_line(error: Exception) -> str:
    return str(error).strip().split("\n")[0].rstrip(".")
