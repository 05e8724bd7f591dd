"""How the web server runs, embedded and in production alike; `bind` comes from the command line."""

import gc
import os
import shutil
from pathlib import Path
from typing import Any

wsgi_app = "portal.wsgi:application"
preload_app = True  # the workers share the memory of pandas and pvlib
# Pages are reckoned more than waited for, and threads of one process take turns: a page of forty queries waited for its
# turn after each of them. The second thread answers while an upload comes in slowly.
workers = 4
worker_class = "gthread"
threads = 2
timeout = 60
graceful_timeout = 30  # an upload under way is finished when the service is restarted
max_requests = 5000
max_requests_jitter = 500
limit_request_line = 4094
control_socket_disable = True  # nobody asked for one, and it would lie in the home folder

# gunicorn's line for a request holds the whole path, and so keys of reports and feeds: the portal writes its own.
accesslog = None
logconfig_dict = {
    "formatters": {"generic": {"()": "portal.actions.logs.JsonLines"}},
    "loggers": {"gunicorn.error": {"level": "INFO", "handlers": ["error_console"], "propagate": False}},
}


def on_starting(server: Any) -> None:
    """Forget what the processes of an earlier start have counted."""
    if folder := os.environ.get("PROMETHEUS_MULTIPROC_DIR"):
        shutil.rmtree(folder, ignore_errors=True)
        Path(folder).mkdir(parents=True)


def when_ready(server: Any) -> None:
    """Load the views before the workers are made, so that they share these too and the first visitor does not wait."""
    from django.urls import get_resolver  # the application is not set up while gunicorn reads this file

    get_resolver().url_patterns  # noqa: B018  reading it loads them
    import pvlib  # noqa: F401  as above: the sheet of a visit needs it, and portal.pv imports it late

    # What is loaded stays: Python need not look through it for garbage during a page, which took a tenth of a second
    # each time, and the workers go on sharing it (docs.python.org/3/library/gc.html#gc.freeze).
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 10, 10)
