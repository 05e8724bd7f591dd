#!/usr/bin/env python
"""The portal's command line."""

import os
import sys

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured
from django.core.management import execute_from_command_line
from django.db import OperationalError

if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "portal.settings")
    try:
        settings.VAR  # noqa: B018  reading it loads them
    except ImproperlyConfigured as nonsense:
        sys.exit(str(nonsense))
    try:
        execute_from_command_line(sys.argv)
    except OperationalError as error:
        if settings.DATABASE_URL or "unable to open database file" not in str(error):
            raise
        sys.exit(
            f"There is no database in {settings.VAR}, and PORTAL_DATABASE_URL is not set. On a server give a command "
            "its variables first: set -a; . /etc/rinsemark.env; set +a. On one machine ./deploy/run makes a database."
        )
