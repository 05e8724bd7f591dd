"""Connecting a roof to its utility, and ending it: what the homeowner does on the page."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import Any

from authlib.common.security import generate_token
from django.conf import settings
from django.db import transaction
from django.utils.translation import gettext as _

from portal.actions.green_button.utility import seal, session
from portal.actions.jobs import ask_for
from portal.actions.people import NotPossible
from portal.actions.trail import note
from portal.models import Deed, EndedBy, Site, User, UtilityConnection, UtilityFarewell, UtilityState

VERIFIER_LETTERS = 64
"""Characters; RFC 7636, section 4.1, asks for 43 to 128."""


def way_to_utility() -> tuple[str, dict[str, str]]:
    """Where the homeowner is sent to say yes, and what the browser's session keeps to know the answer by.

    A code challenge always goes along: who does not know it has to ignore it (RFC 6749, section 3.1).
    """
    state, verifier = generate_token(32), generate_token(VERIFIER_LETTERS)
    address, _state = session().create_authorization_url(
        settings.GREEN_BUTTON["authorize"], state=state, code_verifier=verifier
    )
    return str(address), {"state": state, "verifier": verifier}


@transaction.atomic
def connect(*, site: Site, code: str, verifier: str, by: User, now: datetime) -> UtilityConnection:
    """Keep the code that the utility sent along with the homeowner; a worker exchanges it for tokens."""
    Site.objects.select_for_update(of=("self",), no_key=True).get(pk=site.pk)
    before = UtilityConnection.objects.filter(site=site).first()
    if before is not None and before.state == UtilityState.ACTIVE:
        raise NotPossible(_("This roof is connected already. End that first, then connect it again."))
    kept: dict[str, Any] = {
        "state": UtilityState.ASKED,
        "asked_by": by,
        "asked_at": now,
        "secret": seal({"code": code, "verifier": verifier}),
        "subscription": "",
        "authorization": "",
        "connected_at": None,
        "fetched_at": None,
        "last_modified": "",
        "busy_until": None,
        "problem": "",
        "ended_at": None,
        "ended_by": "",
    }
    connection, _fresh = UtilityConnection.objects.update_or_create(site=site, defaults=kept)
    note(deed=Deed.CONNECTED, about=f"roof {site.pk}", business=site.customer.business, by=by, now=now)
    transaction.on_commit(partial(ask_for, "work_on_utility", connection.pk))
    return connection


@transaction.atomic
def end(*, connection_id: int, how: EndedBy, by: User | None, now: datetime, problem: str = "") -> bool:
    """End a connection at once: nothing is fetched any more, readings stay. Says whether there was one to end.

    Who ended it here has the utility told by a worker; where the utility ended it there is nothing to tell.
    """
    found = UtilityConnection.objects.select_for_update(of=("self",), no_key=True).filter(pk=connection_id)
    connection = found.exclude(state=UtilityState.ENDED).select_related("site__customer__business").first()
    if connection is None:
        return False
    if how in (EndedBy.CUSTOMER, EndedBy.OFFICE):
        part_with(connection, now=now)
    connection.batches.all().delete()
    connection.state, connection.ended_by, connection.ended_at = UtilityState.ENDED, how, now
    connection.secret, connection.busy_until, connection.problem = None, None, problem
    connection.save()
    about = f"roof {connection.site_id} (utility)" if how == EndedBy.UTILITY else f"roof {connection.site_id}"
    note(deed=Deed.ENDED, about=about, business=connection.site.customer.business, by=by, now=now)
    return True


def part_with(connection: UtilityConnection, *, now: datetime) -> None:
    """Have a worker make a connection's tokens useless at the utility. Within a transaction of whoever drops them."""
    if connection.secret is None or connection.state == UtilityState.ASKED:
        return  # a code that nobody exchanges is worth nothing within minutes
    farewell = UtilityFarewell.objects.create(
        secret=connection.secret, authorization=connection.authorization, connection=connection, due_at=now
    )
    transaction.on_commit(partial(ask_for, "say_farewell", farewell.pk))
