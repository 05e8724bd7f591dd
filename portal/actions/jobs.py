"""Asking the worker for a job, by the task's name: the portal does not know the worker's code.

The row that says what is to do is saved first and is the queue; a message only makes the worker look sooner.
So call this after commit, ``transaction.on_commit(lambda: ask_for("name", …))``, and let beat poll the rows.
"""

from __future__ import annotations

import logging
import time
from functools import lru_cache
from typing import Any

from celery import Celery
from django.conf import settings
from kombu.exceptions import OperationalError
from redis import RedisError

log = logging.getLogger(__name__)

MAIL, IMPORTS, NIGHTS = "mail", "imports", "nights"
QUEUE_OF = {
    "send_reminders": MAIL,
    "plan_reminders": MAIL,
    "import_file": IMPORTS,
    "draw_import": IMPORTS,
    "replay_meter": IMPORTS,
    "poll_imports": IMPORTS,
    "collect_inbox": IMPORTS,
    "assess_next": NIGHTS,
    "poll_nights": NIGHTS,
    "start_night": NIGHTS,
    "fetch_rain": IMPORTS,
    "thin_assessments": NIGHTS,
    "take_mail": IMPORTS,
    "collect_mails": IMPORTS,
    "poll_mails": MAIL,
    "work_on_utility": IMPORTS,
    "read_notice": IMPORTS,
    "say_farewell": IMPORTS,
    "poll_utilities": IMPORTS,
    "update_proofs": NIGHTS,
    "heartbeat": MAIL,  # beat calls each queue by its name
    "clear_strays": NIGHTS,
    "forget_old": NIGHTS,
}
"""Each job's queue, which has workers of its own: a long one keeps none of another queue waiting."""


AWAY_SECONDS = 5
"""A broker that did not answer is not asked again for so long, or a page that asks for many jobs would hang on each. No
source."""
_away_until: dict[str, float] = {}


@lru_cache(maxsize=1)
def _sender(broker: str) -> Celery:
    sender = Celery("portal", broker=broker, set_as_current=False)
    # A web request must not hang on a broker that is away: fail soon, the poll comes along.
    sender.conf.update(
        broker_connection_timeout=1,
        broker_transport_options={"socket_connect_timeout": 1, "socket_timeout": 2},
        task_ignore_result=True,
    )
    return sender


def ask_for(task_name: str, *args: Any) -> bool:
    """Send the worker a message. Returns False, and logs, when that fails: beat's poll will find the row."""
    if not settings.REDIS_URL:
        log.info("no broker is set (PORTAL_REDIS_URL); %s waits for the next poll", task_name)
        return False
    if time.monotonic() < _away_until.get(settings.REDIS_URL, 0):
        return False
    try:
        _sender(settings.REDIS_URL).send_task(task_name, args=args, queue=QUEUE_OF[task_name], retry=False)
    except (OperationalError, RedisError) as error:
        _away_until[settings.REDIS_URL] = time.monotonic() + AWAY_SECONDS
        log.warning("the broker cannot be reached (%s); %s waits for the next poll", error, task_name)
        return False
    return True
