"""What waits for a worker, and giving it one. The row in the ledger is the queue; a message only says "look now"."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db.models import Q

from portal.actions.imports.reading import read_import
from portal.actions.imports.undo import roll_back
from portal.actions.jobs import ask_for
from portal.models import Import, ImportState, Meter

STALLED_AFTER = timedelta(minutes=2)
"""An import no worker has begun after this has lost its message; the poll asks again."""
LONGEST_READ = timedelta(minutes=5)
"""An import begun longer ago than this has lost its worker; the poll asks again."""


def unfinished_imports(*, now: datetime) -> list[int]:
    """Imports whose message or worker was lost, oldest first."""
    waiting = Import.objects.unfinished().filter(
        Q(state=ImportState.PENDING, begun_at=None, uploaded_at__lt=now - STALLED_AFTER)
        | Q(state=ImportState.PENDING, begun_at__lt=now - LONGEST_READ)
        | Q(state=ImportState.UNDOING, undone_at__lt=now - STALLED_AFTER)
    )
    return list(waiting.order_by("pk").values_list("pk", flat=True))


def poll_imports(*, now: datetime) -> int:
    """Ask again for imports and replays that were left lying. Returns how many."""
    waiting = unfinished_imports(now=now)
    for key in waiting:
        ask_for("import_file", key)
    meters = Meter.objects.filter(replay_asked_at__lt=now - STALLED_AFTER).values_list("pk", flat=True)
    for key in meters:
        ask_for("replay_meter", key)
    return len(waiting) + len(meters)


def work_on_import(*, import_id: int, now: datetime) -> None:
    """Do what an import waits for: be read, or be undone. Does nothing when it waits for nothing."""
    state = Import.objects.filter(pk=import_id).values_list("state", flat=True).first()
    if state == ImportState.PENDING:
        read_import(import_id=import_id, now=now)
    elif state == ImportState.UNDOING:
        roll_back(import_id=import_id, now=now)
