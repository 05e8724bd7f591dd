"""The queue of the nightly job: who waits, who may take it, and when it is given up.

A ``Night`` row is one site's place in the queue. Asking twice makes one row; a row asked for again while its site is
being assessed stays waiting, so that readings which came in meanwhile are not missed. A message says nothing but "look
now": the worker that gets it takes what is most urgent, passes the message on before it begins, and so all workers are
busy until nothing waits, whatever was lost. What a worker has begun is its own for a while (``LEASE``); if it dies,
another takes it, in smaller company each time, so that a roof that kills its worker takes no neighbour along.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import islice
from zoneinfo import ZoneInfo

from django.db import transaction
from django.utils.translation import gettext_noop

from portal.actions.assessments import keep_assessments
from portal.actions.cells import assess_cell, place_in_cells
from portal.actions.jobs import ask_for
from portal.actions.washes import outlooks
from portal.models import Night, NightState, Site, SiteDaily
from portal.models.night import TRIES
from portal.pv.result import Assessment

log = logging.getLogger(__name__)

NIGHTS_AT_ONCE = {0: None, 1: 6, 2: 1}
"""Nights of a cell begun in one go, by how often they were tried before: all, some, one."""
KEPT_AT_ONCE = 40
"""Results that are kept in one go: what waits to write meanwhile waits for half a second. No source."""
QUEUED_AT_ONCE = 1000
"""Rows of nights written in one statement. A bound on the work, no source."""
QUIET = timedelta(minutes=2)
"""When nights wait and none was begun for so long, the message went astray. Common practice, no source."""
NIGHTS_KEPT = timedelta(days=30)
"""Nights that are over are kept so long. Common practice, no source."""
DIED = gettext_noop(
    "The assessment of this site did not come to an end, three times over: the worker was stopped or ran out of memory "
    "or time. The figures shown are those of the last good night."
)
STOPPED = gettext_noop(
    "The assessment of this site stopped with an error, three times over. It is in the server's log; the figures shown "
    "are those of the last good night."
)


def ask_for_assessment(site: Site, *, now: datetime, changed_since: date | None = None) -> Night:
    """Put a site in the queue of its local day, before those of the night, and ask a worker to look.

    ``changed_since`` is the first day whose readings changed: what the last assessment remembered of it is forgotten.
    """
    day = now.astimezone(ZoneInfo(site.tz)).date()
    with transaction.atomic():
        # Where a worker has it already it keeps it: it finds out at the end that it was asked for again.
        night, _ = Night.objects.update_or_create(
            site=site,
            day=day,
            defaults={"state": NightState.WAITING, "asked_at": now, "problem": "", "urgent": True, "attempts": 0},
        )
        if changed_since is not None:
            SiteDaily.objects.filter(site=site, as_of__gte=changed_since).update(memory=b"")
    transaction.on_commit(lambda: ask_for("assess_next"))
    return night


def start_night(*, now: datetime) -> int:
    """Queue every site that has a plane, and ask a worker to look. Returns how many sites wait.

    Run twice on one day it queues nothing new.
    """
    Night.objects.exclude(state=NightState.WAITING).filter(day__lt=(now - NIGHTS_KEPT).date()).delete()
    zones = Site.objects.order_by().values_list("tz", flat=True).distinct()
    placed = False
    for tz in zones:
        day = now.astimezone(ZoneInfo(tz)).date()
        sites = Site.objects.assessable().filter(tz=tz).exclude(nights__day=day)
        keys = list(sites.order_by("pk").values_list("pk", flat=True))
        if keys and not placed:  # not in each hour
            place_in_cells()
            placed = True
        for first in range(0, len(keys), QUEUED_AT_ONCE):
            fresh = [Night(site_id=key, day=day, asked_at=now) for key in keys[first : first + QUEUED_AT_ONCE]]
            Night.objects.bulk_create(fresh, ignore_conflicts=True)
    waiting = Night.objects.waiting().count()
    if waiting:
        transaction.on_commit(lambda: ask_for("assess_next"))
    return waiting


def poll_nights(*, now: datetime) -> int:
    """Give up what was tried often enough, and ask again when nights wait and nobody is at them. Returns how many."""
    Night.objects.lost(now).update(state=NightState.FAILED, problem=DIED, begun_at=None)
    waiting = Night.objects.free(now).filter(asked_at__lt=now - QUIET).count()
    if waiting and not Night.objects.waiting().filter(begun_at__gte=now - QUIET).exists():
        transaction.on_commit(lambda: ask_for("assess_next"))
        return waiting
    return 0


def assess_next(*, now: datetime) -> int:
    """Take the cell of the night that is most urgent, and assess what waits of it. Returns how many were taken."""
    taken = _take(now=now)
    if not taken:
        return 0
    if Night.objects.free(now).exists():  # another worker may begin at once
        transaction.on_commit(lambda: ask_for("assess_next"))
    left = {night.site_id: night for night in taken}
    # A night that was asked for while the clock stood ahead is of today after all.
    today = now.astimezone(ZoneInfo(taken[0].site.tz)).date()
    as_of = min(today, max(night.day for night in taken)) - timedelta(days=1)
    try:
        assessed = assess_cell(list(left), as_of=as_of, in_company=taken[0].attempts < TRIES)
        while some := list(islice(assessed, KEPT_AT_ONCE)):
            _keep([(left[site.pk], site, result) for site, result in some if result is not None], now=now)
            for site, result in some:
                night = left.pop(site.pk)
                if result is None:
                    _release(night)
    except Exception:  # the next try is in smaller company
        log.exception("the assessment of %d sites stopped", len(left))
        for night in left.values():
            _release(night)
        return len(taken)
    # What is left cannot be assessed yet: it is asked for again with its facts.
    Night.objects.waiting().filter(site__in=left, asked_at__lte=now).update(**_OVER)
    return len(taken)


_OVER = {"state": NightState.DONE, "problem": "", "begun_at": None}


def _take(*, now: datetime) -> list[Night]:
    """Begin nights of one cell, one a site; none when nothing is free."""
    while (first := Night.objects.free(now).select_related("site").first()) is not None:
        cell = first.site.cell
        if cell is None:
            place_in_cells()
            cell = Site.objects.values_list("cell", flat=True).get(pk=first.site_id)
        with transaction.atomic():
            inside = Night.objects.free(now).filter(attempts=first.attempts)
            inside = inside.filter(site=first.site_id) if cell is None else inside.filter(site__cell=cell)
            # Who waits here while another worker chooses finds these rows begun, and looks further.
            rows = inside.order_by("pk").select_for_update(of=("self",))
            # The newest night of a site speaks for those before it, which a worker that was away left behind.
            newest = {night.site_id: night for night in sorted(rows, key=lambda night: night.day)}
            queue = sorted(newest.values(), key=lambda night: (not night.urgent, night.pk))
            taken = queue[: NIGHTS_AT_ONCE[first.attempts]]
            if taken:
                Night.objects.waiting().filter(site__in=[night.site_id for night in taken]).update(
                    begun_at=now, attempts=first.attempts + 1
                )
                for night in taken:
                    night.begun_at, night.attempts = now, first.attempts + 1
                return taken
    return []


def _keep(results: Sequence[tuple[Night, Site, Assessment]], *, now: datetime) -> None:
    ahead = outlooks([(site, result) for _, site, result in results])  # half of the work, and no other need wait for it
    with transaction.atomic():
        nights = {night.pk: night for night, _, _ in results}
        # Asked for again meanwhile: the night stays waiting, and what was computed from the readings of before is not
        # remembered.
        held = Night.objects.select_for_update().filter(pk__in=nights).order_by("pk").values_list("pk", "asked_at")
        once = {pk for pk, asked_at in held if asked_at == nights[pk].asked_at}
        keep_assessments(
            results=[
                (site, result if night.pk in once else replace(result, memory=b"", stands=0))
                for night, site, result in results
            ],
            ahead=ahead,
            now=now,
        )
        begun = {night.site_id: night.asked_at for night in nights.values()}
        waiting = Night.objects.waiting().filter(site__in=begun)
        rows = list(waiting.values_list("pk", "site_id", "asked_at"))
        over = [pk for pk, site_id, asked_at in rows if asked_at <= begun[site_id]]
        Night.objects.filter(pk__in=over).update(**_OVER)
        waiting.update(begun_at=None)


def _release(night: Night) -> None:
    """Let it be tried again, or give it up."""
    waiting = Night.objects.waiting().filter(site=night.site_id)
    if night.attempts >= TRIES:
        waiting.filter(asked_at__lte=night.asked_at).update(state=NightState.FAILED, problem=STOPPED, begun_at=None)
    waiting.update(begun_at=None)
