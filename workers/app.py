"""The Celery app: how jobs are queued, and the table of what runs when."""

import contextlib
import logging
import os
from datetime import timedelta

import django
from celery import Celery
from celery.signals import after_setup_logger, after_setup_task_logger, beat_init
from django.conf import settings
from kombu import Exchange, Queue
from kombu.exceptions import OperationalError

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "portal.settings")
django.setup()

from portal.actions.health import QUEUE_SILENT_AFTER  # noqa: E402  # rows can be read only now
from portal.actions.jobs import IMPORTS, MAIL, NIGHTS, QUEUE_OF  # noqa: E402
from portal.actions.logs import JsonLines  # noqa: E402
from portal.models.night import LEASE  # noqa: E402

JOB_LIMIT = timedelta(minutes=20)  # the longest job reads a file of many years
NIGHT_LIMIT = LEASE - timedelta(minutes=1)  # the longest one, the first assessment of a cell, takes half a minute


@after_setup_logger.connect
@after_setup_task_logger.connect
def write_lines(logger: logging.Logger, **_: object) -> None:
    """What Celery writes, in the portal's own form: an error may quote a row."""
    for handler in logger.handlers:
        handler.setFormatter(JsonLines())


app = Celery("rinsemark", broker=settings.REDIS_URL, include=["workers.tasks"])
app.conf.update(
    # A job is a row in the database and its message only a nudge: it may run twice, late, or be lost and found by beat.
    task_ignore_result=True,
    task_acks_late=True,
    task_reject_on_worker_lost=True,
    worker_prefetch_multiplier=1,
    # Each with an exchange and key of its own, or a message would go to all. A worker without --queues listens to all.
    task_queues=[Queue(name, Exchange(name), routing_key=name) for name in (MAIL, IMPORTS, NIGHTS)],
    task_default_queue=NIGHTS,
    task_routes={name: {"queue": queue} for name, queue in QUEUE_OF.items()},
    task_annotations={"assess_next": {"time_limit": NIGHT_LIMIT.total_seconds()}},
    task_time_limit=JOB_LIMIT.total_seconds(),
    # A job whose worker died with its machine is handed out again after this; longer than any job, so as not to
    # run it twice.
    broker_transport_options={"visibility_timeout": (JOB_LIMIT * 1.5).total_seconds()},
    broker_connection_retry_on_startup=True,
    worker_cancel_long_running_tasks_on_connection_loss=False,  # it would be done again from the start
    accept_content=["json"],
    task_serializer="json",
    timezone="UTC",
    worker_hijack_root_logger=False,
    worker_send_task_events=False,
)

# Polls find the rows whose message was lost. One that no worker took within its period is not done twice later.
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)  # days begin at other hours in other towns
BEAT_TABLE = {
    name: {"task": name, "schedule": every, "options": {"expires": every.total_seconds()}}
    for name, every in {
        "collect_inbox": MINUTE,
        "poll_imports": MINUTE,
        "collect_mails": 5 * MINUTE,
        "poll_mails": MINUTE,
        "poll_utilities": 5 * MINUTE,
        "poll_nights": MINUTE,
        "start_night": HOUR,
        "fetch_rain": HOUR,
        "thin_assessments": 24 * HOUR,
        "clear_strays": 24 * HOUR,
        "forget_old": 24 * HOUR,
        "update_proofs": 24 * HOUR,  # proofs follow each assessment; this finds what failed
        "plan_reminders": 10 * MINUTE,
        "send_reminders": MINUTE,
    }.items()
}
# A queue's call may wait for the job before it, which is no sign of death, and then counts all the same.
BEAT_TABLE |= {
    f"heartbeat of {queue}": {
        "task": "heartbeat",
        "args": [queue],
        "schedule": MINUTE,
        "options": {"queue": queue, "expires": silent.total_seconds()},
    }
    for queue, silent in QUEUE_SILENT_AFTER.items()
}
app.conf.beat_schedule = BEAT_TABLE


@beat_init.connect
def call_at_once(**_: object) -> None:
    """Beat itself waits a minute before its first call: who has just started a portal wants to know sooner."""
    for queue, silent in QUEUE_SILENT_AFTER.items():
        with contextlib.suppress(OperationalError):  # the broker is not up yet: in a minute, then
            app.send_task("heartbeat", args=[queue], queue=queue, expires=silent.total_seconds(), retry=False)
