"""What a utility posts to say that there is something to fetch. Kept as it came; a worker reads it."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import datetime
from functools import partial

from django.db import transaction
from django.db.models import F
from django.db.models.functions import Least
from lxml import etree

from portal.actions.green_button.utility import batch_of, lies_in, ours_to_ask
from portal.actions.jobs import ask_for
from portal.models import UtilityBatch, UtilityConnection, UtilityNotice, UtilityState

log = logging.getLogger(__name__)

MOST_NOTICE_BYTES = 256 * 1024
MOST_ADDRESSES = 1000
MOST_NOTICES = 500
"""Bytes of a notice, addresses in it, and unread ones; whoever posts more is asked to come again later. Anybody may
post: what they name is only looked for at the utility itself, and no sooner than a connection's turn comes. Bounds on
the work, no source."""

MOST_WAITING = 20
"""Addresses on the list of one connection, whatever notices name. A bound on the work, no source."""


def keep_notice(*, body: bytes, now: datetime) -> bool:
    """Keep a notice as a row. False where too many wait."""
    if UtilityNotice.objects.count() >= MOST_NOTICES:
        return False
    with transaction.atomic():
        notice = UtilityNotice.objects.create(received_at=now, body=body)
        transaction.on_commit(partial(ask_for, "read_notice", notice.pk))
    return True


def read_notice(*, notice_id: int, now: datetime) -> None:
    """Put what a notice names on the lists of their connections, and drop the notice, in one transaction."""
    with transaction.atomic():
        notice = UtilityNotice.objects.select_for_update(no_key=True).filter(pk=notice_id).first()
        if notice is None:
            return
        wanted: set[int] = set()
        active = list(UtilityConnection.objects.filter(state=UtilityState.ACTIVE))
        named = _addresses(bytes(notice.body))
        if any("/Batch/Bulk/" in address for address in named):  # of all at once: each by its own permission
            for connection in active:
                want_fetched(connection, connection.subscription, now=now)
                wanted.add(connection.pk)
        for address in named:
            if "/Batch/Bulk/" not in address:
                wanted |= _put_down(address, active, now)
        for key in wanted:
            transaction.on_commit(partial(ask_for, "work_on_utility", key))
        notice.delete()


def want_fetched(connection: UtilityConnection, address: str, *, now: datetime) -> None:
    """Have an address fetched for a connection; one that is on its list already comes up sooner.

    Where the list is long, the subscription itself is asked for: what is new since the last time is all in it.
    """
    if not connection.batches.filter(address=address).exists() and connection.batches.count() >= MOST_WAITING:
        address = connection.subscription
    batch, fresh = UtilityBatch.objects.get_or_create(
        connection=connection, address=address, defaults={"due_at": now, "wanted_at": now}
    )
    if not fresh:
        UtilityBatch.objects.filter(pk=batch.pk).update(wanted_at=now, due_at=Least(F("due_at"), now))


def _addresses(body: bytes) -> list[str]:
    """The ``resources`` of a ``BatchList`` (ESPI's schema), however it is wrapped."""
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False)
    try:
        root = etree.fromstring(body, parser)
    except (etree.XMLSyntaxError, ValueError):
        log.warning("a utility's notice of %d bytes is no XML and was dropped", len(body))
        return []
    said = [(element.text or "").strip() for element in root.iter("{*}resources")]
    return list(dict.fromkeys(said))[:MOST_ADDRESSES]


def _put_down(address: str, active: Sequence[UtilityConnection], now: datetime) -> set[int]:
    """Put one address on the list of its connection. Returns the connections that have something to do."""
    if not ours_to_ask(address):
        log.warning("a notice named an address outside of the utility's resources")
        return set()
    for connection in active:
        if address == connection.authorization:
            want_fetched(connection, address, now=now)
            return {connection.pk}
        if lies_in(address, connection.subscription):
            want_fetched(connection, batch_of(address), now=now)
            return {connection.pk}
    return set()
