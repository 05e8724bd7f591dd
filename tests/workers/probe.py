"""The portal's Celery app with two jobs that only tests ask for, so that a test can die in the middle of one."""

import os
import time
from pathlib import Path

from django.db import transaction
from kombu import Exchange, Queue

from workers.app import app

# Half an hour in the portal; what is tested is that the job comes back, not how long a person would wait for it.
# A worker killed in the middle of a sweep for abandoned jobs keeps the sweep's lock until it expires (5 minutes).
app.conf.broker_transport_options = {
    "visibility_timeout": 3,
    "unacked_restore_interval": 1,
    "unacked_restore_throttle": 1,
    "unacked_mutex_expire": 5,
}


app.conf.task_queues = [
    *app.conf.task_queues,
    Queue("celery", Exchange("celery"), routing_key="celery"),
]  # where a sender that knows of no queue sends


@app.task(name="probe.slow")
def slow(folder: str, seconds: float) -> None:
    """Say that it started, take its time the first time, say that it is done; doing it twice changes nothing."""
    first = not list(Path(folder).glob("started-*"))
    (Path(folder) / f"started-{os.getpid()}").touch()
    time.sleep(seconds if first else 0)
    (Path(folder) / "done").touch()


@app.task(name="probe.count")
def count(business: int) -> None:
    """Read a row and write it one higher, as an import does with a day: two at once must take turns."""
    from portal.models import Business  # only once the app has set up Django

    with transaction.atomic():
        row = Business.objects.get(pk=business)
        row.phone = str(int(row.phone) + 1)
        row.save()
