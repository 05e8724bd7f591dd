"""Whether what works behind the pages does: beat and workers by their heartbeats, the queue, what waits too long."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from datetime import datetime, timedelta

import redis
from django.conf import settings
from django.db.models import Min

from portal.actions.jobs import IMPORTS, MAIL, NIGHTS
from portal.models import Drawing, Heartbeat, Import, MailState, Meter, Night, ReadingsMail, Reminder

QUEUE_SILENT_AFTER = {MAIL: timedelta(minutes=5), IMPORTS: timedelta(minutes=25), NIGHTS: timedelta(minutes=12)}
"""Beat calls each minute. A call waits while the queue's workers are all at their longest job: a round of mails ends
after four minutes, reading a file after twenty, a cell of a night after five, and two of them may come before it."""

WAITS_TOO_LONG = {
    "file": timedelta(hours=1),
    "mail": timedelta(hours=1),
    "reminder": timedelta(hours=1),
    "roof": timedelta(hours=24),
}
"""A big night may take hours; everything else is done within minutes. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Standing:
    """A queue of jobs whose workers are not heard of, and since when."""

    queue: str
    since: datetime | None
    """None where they never were."""


def beat(*, queue: str, now: datetime) -> None:
    """A worker of this queue is alive, and so are beat and the broker."""
    Heartbeat.objects.update_or_create(queue=queue, defaults={"beaten_at": now})


def standing_still(*, now: datetime, up_since: datetime) -> list[Standing]:
    """Queues whose workers have not been heard of for too long since ``up_since``: they need time to come up."""
    heard = dict(Heartbeat.objects.values_list("queue", "beaten_at"))
    return [
        Standing(queue, heard.get(queue))
        for queue, silent in QUEUE_SILENT_AFTER.items()
        if now - max(heard.get(queue, up_since), up_since) > silent
    ]


def waiting_since(*, now: datetime) -> dict[str, datetime]:
    """Since when the oldest job of each kind waits; kinds of which none waits are left out."""
    files = [
        Import.objects.unfinished().aggregate(at=Min("asked_at"))["at"],
        Drawing.objects.filter(drawn_at=None).aggregate(at=Min("asked_at"))["at"],
        Meter.objects.aggregate(at=Min("replay_asked_at"))["at"],
    ]
    mails = ReadingsMail.objects.filter(state=MailState.WAITING)
    oldest = {
        "file": min((at for at in files if at), default=None),
        "mail": mails.aggregate(at=Min("received_at"))["at"],
        "reminder": Reminder.objects.due(now).aggregate(at=Min("due_at"))["at"],
        "roof": Night.objects.waiting().aggregate(at=Min("asked_at"))["at"],
    }
    return {kind: at for kind, at in oldest.items() if at}


def broker_answers() -> bool:
    """Whether the queue's server is there; within two seconds."""
    if not settings.REDIS_URL:
        return False
    with contextlib.closing(
        redis.Redis.from_url(settings.REDIS_URL, socket_connect_timeout=1, socket_timeout=1)
    ) as client:
        try:
            return bool(client.ping())
        except (redis.RedisError, OSError):
            return False
