"""Making tokens useless at the utility after somebody ended a connection, or a roof was erased."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta

from authlib.integrations.base_client import OAuthError
from cryptography.fernet import InvalidToken
from django.conf import settings
from django.utils.translation import gettext_noop
from requests import RequestException

from portal.actions.green_button.utility import ours_to_ask, session, unseal
from portal.models import UtilityConnection, UtilityFarewell

log = logging.getLogger(__name__)

FAREWELLS = 8
AGAIN_AFTER = timedelta(minutes=15)
"""Tries, and the time before the second, doubled each time: eight go over two days, while a server that was down comes
back. Common practice, no source."""


def say_farewell(*, farewell_id: int, now: datetime) -> None:
    """Revoke the tokens (RFC 7009) and delete the utility's authorization (ESPI's function block 44). Twice is no harm.

    The row goes when it is done, or is given up with a word to whoever looks at the connection.
    """
    row = UtilityFarewell.objects.filter(pk=farewell_id, due_at__lte=now).first()
    if row is None:
        return
    tries = row.tries + 1
    # before the question, so that a worker that dies is not followed by the next at once
    taken = UtilityFarewell.objects.filter(pk=row.pk, tries=row.tries, due_at__lte=now)
    if not taken.update(tries=tries, due_at=now + AGAIN_AFTER * 2 ** (tries - 1)):
        return
    try:
        _tell(row)
    except (RequestException, OAuthError, ValueError, InvalidToken):
        log.warning("the utility could not be told, %d times by now, that a permission has ended", tries)
        if tries < FAREWELLS:
            return
        said = gettext_noop(
            "Your utility could not be told that this has ended. We have thrown its keys away and can read nothing "
            "more; if you want to be sure, end the permission on the utility's own page too."
        )
        UtilityConnection.objects.filter(farewells=row).update(problem=said)
    row.delete()


def _tell(row: UtilityFarewell) -> None:
    tokens = unseal(row.secret)
    client = session(tokens)
    if settings.GREEN_BUTTON["revoke"]:
        for kind in ("refresh_token", "access_token"):
            if tokens.get(kind):
                client.revoke_token(settings.GREEN_BUTTON["revoke"], tokens[kind], kind).raise_for_status()
    if row.authorization and ours_to_ask(row.authorization):
        asking = session()
        asking.fetch_token(grant_type="client_credentials")
        answer = asking.delete(row.authorization, allow_redirects=False)
        if answer.status_code not in (403, 404, 405, 410):  # gone already, or not to be deleted by us
            answer.raise_for_status()
