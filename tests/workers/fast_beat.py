"""The portal's own Celery app with a beat that asks for sending five times a second, and each second for files."""

from datetime import timedelta

from workers.app import app

app.conf.beat_schedule = {
    "send_reminders": {"task": "send_reminders", "schedule": timedelta(seconds=0.2)},
    "poll_imports": {"task": "poll_imports", "schedule": timedelta(seconds=1)},
}
app.conf.beat_max_loop_interval = 0.1
