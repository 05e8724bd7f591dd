"""How the web server runs, embedded and in production alike; `bind` comes from the command line."""

from typing import Any

wsgi_app = "portal.wsgi:application"
preload_app = True  # the workers share the memory of pandas and pvlib
workers = 2
worker_class = "gthread"
threads = 4
timeout = 60
graceful_timeout = 3
max_requests = 5000
max_requests_jitter = 500
accesslog = "-"
control_socket_disable = True  # nobody asked for one, and it would lie in the home folder


def when_ready(server: Any) -> None:
    """Load the views before the workers are made, so that they share these too and the first visitor does not wait."""
    from django.urls import get_resolver  # the application is not set up while gunicorn reads this file

    get_resolver().url_patterns  # noqa: B018  reading it loads them
