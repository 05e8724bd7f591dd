"""What gunicorn serves: the site and, at a port of their own, the figures."""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import TYPE_CHECKING

from django.conf import settings
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections

if TYPE_CHECKING:
    from wsgiref.types import StartResponse, WSGIEnvironment

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "portal.settings")
with_pages = get_wsgi_application()

from portal.views.traffic import figures  # noqa: E402  # rows can be read only now


def application(environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
    """The port is that of the listening socket: no visitor of the site can name another."""
    if settings.FIGURES_PORT and environ["SERVER_PORT"] == settings.FIGURES_PORT:
        close_old_connections()  # as the site does for itself, before and after each request
        try:
            return figures(environ, start_response)
        finally:
            close_old_connections()
    return with_pages(environ, start_response)
