"""Addresses of all pages, made of the table of routes: for tests that open each, and for ``fixtures.screens``."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django.urls import reverse

from tests.test_who_sees_what import ROUTES

ACCOUNT = ("account_change_password", "account_logout", "mfa_index", "mfa_list_webauthn", "usersessions_list")
OUT = ("account_login", "account_reset_password", "account_reset_password_done")
"""What is open before somebody logs in; shared pages stand in the table."""
NOWHERE = "/nothing/here/"
EACH_ITS_OWN = {"home", "site", "visits", "visit_sheet", "visit_record", "visit_report", "import_upload"}
"""Pages that say other things to another role."""


def opened_by(person: str, keys: dict[str, Any], earlier: frozenset[str] = frozenset()) -> Iterator[tuple[str, str]]:
    """Routes that answer this person without changing a row, with their addresses.

    Left out are those for which ``keys`` lack a place, and those that somebody in ``earlier`` has seen alike. Some
    answer with a file.
    """
    for name, line in ROUTES.items():
        if person not in line.sees or line.ok != 200 or line.post or not set(line.kwargs.values()) <= keys.keys():
            continue
        if name in EACH_ITS_OWN or not earlier & line.sees:
            yield name, reverse(name, kwargs={key: keys[what] for key, what in line.kwargs.items()})
