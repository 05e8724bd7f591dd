"""What waits for a worker, and giving it one. The row in the ledger is the queue; a message only says "look now"."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import Any

from django.db.models import Q, QuerySet

from portal.actions.imports.original import LONGEST_READ
from portal.actions.imports.reading import read_import
from portal.actions.imports.receive import STALLED_AFTER
from portal.actions.imports.undo import roll_back
from portal.actions.jobs import ask_for
from portal.models import Drawing, Import, ImportState, Meter


def left_lying(*, now: datetime) -> list[tuple[str, int]]:
    """Work whose message or worker was lost: task and row, oldest first."""
    lost = Q(begun_at=None, asked_at__lt=now - STALLED_AFTER) | Q(begun_at__lt=now - LONGEST_READ)
    rows: dict[str, QuerySet[Any]] = {
        "import_file": Import.objects.unfinished().filter(lost),
        "draw_import": Drawing.objects.filter(lost, drawn_at=None),
        "replay_meter": Meter.objects.filter(replay_asked_at__lt=now - STALLED_AFTER),
    }
    return [(task, key) for task, of in rows.items() for key in of.order_by("pk").values_list("pk", flat=True)]


def poll_imports(*, now: datetime) -> int:
    """Ask again for what was left lying. Returns how much that is."""
    lying = left_lying(now=now)
    ask = {
        "import_file": partial(ask_for, "import_file"),
        "draw_import": partial(ask_for, "draw_import"),
        "replay_meter": partial(ask_for, "replay_meter"),
    }
    for task, key in lying:
        ask[task](key)
    return len(lying)


def work_on_import(*, import_id: int, now: datetime) -> None:
    """Do what an import waits for: be read, or be undone. Does nothing when it waits for nothing."""
    state = Import.objects.filter(pk=import_id).values_list("state", flat=True).first()
    if state == ImportState.PENDING:
        read_import(import_id=import_id, now=now)
    elif state == ImportState.UNDOING:
        roll_back(import_id=import_id, now=now)
