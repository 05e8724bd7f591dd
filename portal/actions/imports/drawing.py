"""The worker draws a file's first days as somebody proposes to have it read; nothing is stored of its readings."""

from __future__ import annotations

import logging
from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext_noop

from portal import readers
from portal.actions.imports.kept import mapping_of, preview_of, seen_of
from portal.actions.imports.original import READ_ATTEMPTS, STUMBLED, look_at_file
from portal.models import Drawing, Import

log = logging.getLogger(__name__)


def draw_import(*, drawing_id: int, now: datetime) -> None:
    """Draw what is asked for and not drawn yet. Safe to run twice, at once, or after a worker died in it."""
    drawing = _begin(drawing_id, now=now)
    if drawing is None or drawing.drawn_at:
        return
    seen: readers.Guess | None = None
    try:
        seen = look_at_file(import_=drawing.of, mapping=mapping_of(drawing.mapping), now=now)
        drawing.preview = preview_of(seen.preview)
    except readers.ReadError as problem:
        drawing.problem = str(problem)
        seen = problem.seen if isinstance(problem, readers.MisreadError) else None
    except Exception:
        log.exception("import %d tripped the reader while it was drawn", drawing.of_id)
        drawing.problem = STUMBLED
    drawing.drawn_at = now
    with transaction.atomic():
        current = _locked(drawing_id)
        if current is None or (current.mapping, current.attempts) != (drawing.mapping, drawing.attempts):
            return  # something else was asked meanwhile, or another worker has it
        drawing.save(update_fields=["preview", "problem", "drawn_at"])
        if seen is not None:  # a file read before this was kept
            Import.objects.filter(pk=drawing.of_id, seen__isnull=True).update(seen=seen_of(seen))


def _begin(drawing_id: int, *, now: datetime) -> Drawing | None:
    """Count the attempt, so that a file that kills its worker is not tried for ever."""
    with transaction.atomic():
        drawing = _locked(drawing_id)
        if drawing is None or drawing.drawn_at:
            return drawing
        if drawing.attempts >= READ_ATTEMPTS:
            drawing.problem = gettext_noop(
                "Reading the file like this stopped the reader {max_attempts} times. Nothing was "
                "changed. Choose otherwise, or export the file again, split by year."
            ).format(max_attempts=READ_ATTEMPTS)
            drawing.drawn_at = now
        else:
            drawing.attempts += 1
            drawing.begun_at = now
        drawing.save(update_fields=["problem", "drawn_at", "attempts", "begun_at"])
    return drawing


def _locked(drawing_id: int) -> Drawing | None:
    rows = Drawing.objects.select_for_update(of=("self",), no_key=True).select_related("of__meter__site")
    return rows.filter(pk=drawing_id).first()
