"""What a worker does for a connection: exchange the code, refresh the tokens, fetch what is due. Rows are the queue."""

from __future__ import annotations

import hashlib
import logging
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Any

from authlib.integrations.base_client import OAuthError
from authlib.integrations.requests_client import OAuth2Session
from cryptography.fernet import InvalidToken
from django.core.files.base import ContentFile
from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext_noop
from lxml import etree
from requests import RequestException

from portal.actions.green_button.connect import end
from portal.actions.green_button.notices import want_fetched
from portal.actions.green_button.utility import (
    Answer,
    KeysLost,
    NotHanded,
    TokenRefused,
    Withdrawn,
    batch_of,
    get,
    offered,
    ours_to_ask,
    seal,
    session,
    unseal,
    withdrawn_by,
)
from portal.actions.imports.receive import ImportRefused, receive_file
from portal.actions.jobs import ask_for
from portal.models import (
    STUCK_STATES,
    CameBy,
    EndedBy,
    Import,
    UtilityBatch,
    UtilityConnection,
    UtilityFarewell,
    UtilityNotice,
    UtilityState,
)

log = logging.getLogger(__name__)

TURN_LASTS = timedelta(minutes=25)
"""A worker's turn at a connection; longer than any job may take (``workers.app.JOB_LIMIT``), so that tokens are never
refreshed twice at once. By definition."""
DAILY = timedelta(hours=23)
WEEKLY = timedelta(days=7)
"""How often a subscription is asked for without a notice; each week only while the last file could not be read. Common
practice, no source."""
OVERLAP = timedelta(days=2)
"""So much further back than the last fetch is asked for: a utility's clock and ours may differ, and its days. Common
practice, no source."""
ASKED_APART = timedelta(minutes=10)
"""No address is asked for sooner again, whatever notices say. Common practice, no source."""
ADDRESSES_AT_ONCE = 5
"""Addresses that a worker fetches in one turn, which end within it even where each takes its whole deadline. By
definition of the two."""
NOTICE_UNREAD = timedelta(minutes=4)
NOTICES_AT_ONCE = 20
"""Notices: after so long the message about one is taken for lost, and so many are asked for again in a round. Common
practice, no source."""
MOST_TRIES = 10
"""After so many, some days by then, what a notice told of is given up; the daily question finds it. Common practice, no
source."""
CODE_LASTS = timedelta(hours=1)
"""A code lives for ten minutes at most (RFC 6749, section 4.1.2)."""
LONGEST_PAUSE = timedelta(days=1)
"""Between two tries for one address the pause doubles up to this. Common practice, no source."""
RENEWING = "renewing"
"""Kept beside the tokens while they are being renewed, until an answer is kept."""
REVOKED = "0"
"""AuthorizationStatus of ESPI's schema: 0 revoked, 1 active, 2 denied."""


def poll_utilities(*, now: datetime) -> None:
    """Ask again for what is due and whose message was lost, or that nobody sends a message for."""
    if not offered():
        return
    free = Q(connection__busy_until=None) | Q(connection__busy_until__lt=now)
    due = _due(now).filter(free, connection__state=UtilityState.ACTIVE)
    asked = UtilityConnection.objects.filter(state=UtilityState.ASKED).filter(
        Q(busy_until=None) | Q(busy_until__lt=now)
    )
    keys = set(due.values_list("connection", flat=True)) | set(asked.values_list("pk", flat=True))
    for key in sorted(keys):
        ask_for("work_on_utility", key)
    lost = UtilityNotice.objects.filter(received_at__lt=now - NOTICE_UNREAD).order_by("pk")
    for key in lost.values_list("pk", flat=True)[:NOTICES_AT_ONCE]:
        ask_for("read_notice", key)
    for key in UtilityFarewell.objects.filter(due_at__lte=now).order_by("pk").values_list("pk", flat=True):
        ask_for("say_farewell", key)


def work_on_utility(*, connection_id: int, now: datetime) -> None:
    """Do what a connection waits for. One worker at a time; one that dies is followed after its turn has run out."""
    mine = UtilityConnection.objects.filter(pk=connection_id)
    waits = mine.exclude(state=UtilityState.ENDED).filter(Q(busy_until=None) | Q(busy_until__lt=now))
    if not offered() or not waits.update(busy_until=now + TURN_LASTS):
        return
    try:
        _work(connection_id, now)
    except Withdrawn:
        end(connection_id=connection_id, how=EndedBy.UTILITY, by=None, now=now)
    except (KeysLost, InvalidToken) as lost:
        problem = gettext_noop("The keys can no longer be opened here.")
        if isinstance(lost, KeysLost):
            problem = gettext_noop(
                "When the keys were last renewed the new ones did not arrive here, and the old ones are good no more. "
                "Connect once more."
            )
        end(connection_id=connection_id, how=EndedBy.LOST, by=None, now=now, problem=problem)
    except NotHanded as problem:
        mine.exclude(state=UtilityState.ENDED).update(problem=str(problem)[:500])
    finally:
        mine.filter(busy_until=now + TURN_LASTS).update(busy_until=None)


def _work(connection_id: int, now: datetime) -> None:
    connection = UtilityConnection.objects.select_related("site").get(pk=connection_id)
    if connection.state == UtilityState.ASKED:
        _exchange(connection, now)
    for batch in list(_due(now).filter(connection=connection_id).order_by("due_at", "pk")[:ADDRESSES_AT_ONCE]):
        connection.refresh_from_db()
        if connection.state == UtilityState.ACTIVE:
            _fetch(connection, batch, now)


def _due(now: datetime) -> Any:
    return UtilityBatch.objects.filter(Q(tried_at=None) | Q(tried_at__lte=now - ASKED_APART), due_at__lte=now)


def _exchange(connection: UtilityConnection, now: datetime) -> None:
    """Exchange the code for tokens. A code is good for once: where a worker died with the answer, it is said."""
    kept = unseal(connection.secret)
    try:
        tokens = session().fetch_token(
            grant_type="authorization_code", code=kept["code"], code_verifier=kept["verifier"]
        )
    except (RequestException, OAuthError, ValueError) as problem:
        if isinstance(problem, RequestException) and now - connection.asked_at < CODE_LASTS:
            raise NotHanded(gettext_noop("The utility's server cannot be reached.")) from None
        said = gettext_noop("The utility did not hand over the keys. Connect once more.")
        end(connection_id=connection.pk, how=EndedBy.NEVER_BEGAN, by=None, now=now, problem=said)
        return
    subscription = batch_of(str(tokens.get("resourceURI", "")))
    if not ours_to_ask(subscription):
        said = gettext_noop("The utility did not say where the readings are. Whoever runs this portal has to look.")
        end(connection_id=connection.pk, how=EndedBy.NEVER_BEGAN, by=None, now=now, problem=said)
        return
    with transaction.atomic():
        kept_now = UtilityConnection.objects.filter(pk=connection.pk, state=UtilityState.ASKED).update(
            state=UtilityState.ACTIVE,
            secret=seal(tokens),
            subscription=subscription,
            authorization=str(tokens.get("authorizationURI", "")),
            connected_at=now,
            problem="",
        )
        if kept_now:
            want_fetched(connection, subscription, now=now)
        else:
            _part_with_strays(tokens, connection, now)


def _part_with_strays(tokens: Any, connection: UtilityConnection, now: datetime) -> None:
    """Tokens that came after somebody had ended the connection are made useless too."""
    authorization = str(tokens.get("authorizationURI", "")) or connection.authorization
    UtilityFarewell.objects.create(secret=seal(tokens), authorization=authorization, connection=connection, due_at=now)


def _fetch(connection: UtilityConnection, batch: UtilityBatch, now: datetime) -> None:
    """Fetch one address and take in what it holds."""
    tries, row = batch.tries + 1, UtilityBatch.objects.filter(pk=batch.pk)
    # before the question, so that one that kills its worker is not asked again at once
    pause = min(ASKED_APART * 2 ** min(tries, 12), LONGEST_PAUSE)
    row.update(tried_at=now, tries=tries, due_at=now + pause)
    try:
        if batch.address == connection.authorization:
            _look_at_permission(batch.address, now)
            answer = Answer(b"")
        else:
            answer = _hand_over(connection, batch.address, now)
    except NotHanded as problem:
        if batch.address != connection.subscription and (problem.gone or tries >= MOST_TRIES):
            log.warning("what a utility's notice told of was given up after %d tries: %s", tries, problem)
            row.delete()
            return
        if problem.later is not None:
            row.update(due_at=now + problem.later)
        raise
    _take_in(connection, batch, answer, now)


def _hand_over(connection: UtilityConnection, address: str, now: datetime) -> Answer:
    """Ask for readings, once more with a fresh token where the first is refused."""
    params, since = {}, ""
    if address == connection.subscription and connection.fetched_at is not None:
        params["published-min"] = f"{connection.fetched_at - OVERLAP:%Y-%m-%dT00:00:00Z}"
        since = connection.last_modified
    try:
        answer = get(_client_of(connection, now, fresh=False), address, params=params, last_modified=since, now=now)
    except TokenRefused:
        try:
            answer = get(_client_of(connection, now, fresh=True), address, params=params, last_modified=since, now=now)
        except TokenRefused:
            if address != connection.subscription:  # a notice may name what this permission does not reach
                raise NotHanded(gettext_noop("The utility's server gave no new keys."), gone=True) from None
            raise Withdrawn from None
    head = answer.content[:4096].lstrip(b"\xef\xbb\xbf \r\n\t").lower()
    # a page that asks to log in, or that begs pardon: it must not pass for "nothing new"
    if answer.content and (not head.startswith(b"<") or b"<html" in head or b"<!doctype" in head):
        raise NotHanded(gettext_noop("What the utility's server sent is no Green Button file."))
    return answer


def _look_at_permission(address: str, now: datetime) -> None:
    """See, with the portal's own token as ESPI has it, whether the permission still stands."""
    client = session()
    try:
        client.fetch_token(grant_type="client_credentials")
        content = get(client, address, params={}, last_modified="", now=now).content
    except (RequestException, OAuthError, ValueError, TokenRefused):
        raise NotHanded(gettext_noop("The utility's server gave no new keys.")) from None
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False)
    with suppress(etree.XMLSyntaxError, ValueError):
        if any((one.text or "").strip() == REVOKED for one in etree.fromstring(content, parser).iter("{*}status")):
            raise Withdrawn


def _client_of(connection: UtilityConnection, now: datetime, *, fresh: bool) -> OAuth2Session:
    """A client with the connection's tokens, refreshed where they have run out or were refused."""
    connection.refresh_from_db()
    if connection.secret is None:
        raise NotHanded("")  # ended meanwhile
    tokens = unseal(connection.secret)
    tried_before = tokens.pop(RENEWING, False)

    def keep(renewed: Any, **_old: Any) -> None:
        all_of_it = tokens | dict(renewed)  # what is not said anew stays: RFC 6749, section 6
        mine = UtilityConnection.objects.filter(pk=connection.pk, state=UtilityState.ACTIVE)
        if not mine.update(secret=seal(all_of_it)):
            _part_with_strays(all_of_it, connection, now)

    client = session(tokens, update_token=keep)
    renewable = bool(tokens.get("refresh_token"))
    if not fresh and not (renewable and client.token.is_expired(leeway=client.leeway)):
        return client
    if not renewable:
        raise Withdrawn
    # A refresh token may be good for once (RFC 9700, section 4.14.2). Where its answer is lost, on the way or with this
    # worker, the next refusal says nothing of the permission.
    mine = UtilityConnection.objects.filter(pk=connection.pk, state=UtilityState.ACTIVE)
    mine.update(secret=seal(tokens | {RENEWING: True}))
    try:
        client.refresh_token(refresh_token=tokens["refresh_token"])
    except RequestException:
        raise NotHanded(gettext_noop("The utility's server cannot be reached.")) from None
    except (OAuthError, ValueError) as refused:
        if isinstance(refused, OAuthError) and withdrawn_by(refused):
            if tried_before and connection.authorization:
                with suppress(NotHanded):
                    _look_at_permission(connection.authorization, now)
            raise (KeysLost if tried_before else Withdrawn) from None
        if isinstance(refused, OAuthError):  # it has answered, so nothing was renewed
            mine.update(secret=seal(tokens | ({RENEWING: True} if tried_before else {})))
        raise NotHanded(gettext_noop("The utility's server gave no new keys.")) from None
    return client


def _take_in(connection: UtilityConnection, batch: UtilityBatch, answer: Answer, now: datetime) -> None:
    """Make an import of what came, and have its address done with, in one transaction."""
    with transaction.atomic():
        mine = UtilityConnection.objects.select_for_update(of=("self",), no_key=True).filter(
            pk=connection.pk, state=UtilityState.ACTIVE
        )
        if (held := mine.first()) is None:
            return  # ended meanwhile: nothing more is taken in
        daily = batch.address == held.subscription
        _receive(held, answer.content, now)
        if daily:  # the one question that finds whatever else did not come
            held.problem, held.last_modified = "", answer.last_modified
            if answer.content or held.fetched_at is not None:
                held.fetched_at = now
        held.save(update_fields=["problem", "fetched_at", "last_modified"])
        row = UtilityBatch.objects.filter(pk=batch.pk)
        if row.exclude(wanted_at=batch.wanted_at).exists():  # told of again meanwhile
            row.update(tries=0, due_at=now + ASKED_APART)
        elif daily:
            row.update(tries=0, due_at=now + _pause(held))
        else:
            row.delete()


def _receive(connection: UtilityConnection, content: bytes, now: datetime) -> None:
    if b"IntervalBlock" not in content:
        return  # nothing new
    meter = connection.site.meters.order_by("pk").first()
    if meter is None:
        raise NotHanded(gettext_noop("The roof has no meter to read files for."))
    last = Import.objects.filter(meter=meter, came_by=CameBy.UTILITY).order_by("-pk").first()
    digest = hashlib.sha256(content).hexdigest()
    if last is not None and last.sha256 == digest:
        return
    name = f"green-button-{now:%Y-%m-%d}.xml"
    try:
        receive_file(
            meter=meter,
            filename=name,
            file=ContentFile(content, name=name),
            uploaded_by=None,
            now=now,
            came_by=CameBy.UTILITY,
            sha256=digest,
        )
    except ImportRefused as refused:
        raise NotHanded(str(refused)) from None


def _pause(connection: UtilityConnection) -> timedelta:
    """A day; a week while the newest file of the utility waits for an answer or could not be read."""
    last = Import.objects.filter(meter__site=connection.site_id, came_by=CameBy.UTILITY).order_by("-pk").first()
    stuck = last is not None and last.state in STUCK_STATES
    return WEEKLY if stuck else DAILY
