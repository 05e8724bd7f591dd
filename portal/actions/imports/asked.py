"""What people ask of the worker about a file that is in: to draw it, read it so, undo it, cut its days anew.

Each saves what is asked on a row and opens no file; a worker does it.
"""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from portal.actions.imports.kept import kept_mapping, mapping_of
from portal.actions.imports.receive import ImportRefused, receive_file
from portal.actions.jobs import ask_for
from portal.models import STUCK_STATES, CameBy, Drawing, Import, ImportState, Meter, Site, User
from portal.readers.mapping import Mapping


def ask_to_draw(*, import_: Import, mapping: Mapping, answers: dict[str, Any], now: datetime) -> Drawing:
    """Ask to see a file's first days as a mapping reads them. ``answers`` is what the form held, to show it again."""
    asked = {
        "mapping": kept_mapping(mapping),
        "answers": answers,
        "asked_at": now,
        "begun_at": None,
        "attempts": 0,
        "drawn_at": None,
        "preview": None,
        "problem": "",
    }
    with transaction.atomic():
        drawing, _ = Drawing.objects.update_or_create(of=import_, defaults=asked)
        transaction.on_commit(partial(ask_for, "draw_import", drawing.pk))
    return drawing


def answer_import(*, import_: Import, mapping: Mapping, now: datetime) -> Import:
    """Take somebody's word for how a file is to be read, and read it so."""
    with transaction.atomic():
        current = Import.objects.select_for_update(of=("self",), no_key=True).get(pk=import_.pk)
        if current.state not in STUCK_STATES:
            raise ImportRefused(_("This file no longer waits for an answer. Look at its page."))
        current.state = ImportState.PENDING
        current.mapping = kept_mapping(mapping)
        current.problem = ""
        current.questions = []
        current.attempts = 0
        current.begun_at = None
        current.asked_at = now
        current.save()
        Drawing.objects.filter(of=current).delete()
        transaction.on_commit(partial(ask_for, "import_file", current.pk))
    return current


def read_differently(*, import_: Import, mapping: Mapping, user: User, now: datetime) -> Import:
    """Undo an import and read its original again by another mapping, as a new import."""
    try:
        original = import_.original.open("rb")
    except OSError:
        raise ImportRefused(
            _("The kept file is no longer there, so it cannot be read again. Send it once more.")
        ) from None
    with original, transaction.atomic():
        if import_.state == ImportState.DONE:
            undo_import(import_=import_, user=user, now=now)
        Drawing.objects.filter(of=import_).delete()
        return receive_file(
            meter=import_.meter,
            filename=import_.filename,
            file=original,
            uploaded_by=user,
            now=now,
            came_by=CameBy.UPLOAD,
            mapping=mapping,
        )


def undo_import(*, import_: Import, user: User | None, now: datetime) -> Import:
    """Ask for an import to be undone: its days return to what they would be without it.

    One that could not be read, or waits for an answer, brought nothing: it is left out at once.
    """
    with transaction.atomic():
        current = Import.objects.select_for_update(of=("self",), no_key=True).get(pk=import_.pk)
        if current.state in STUCK_STATES:
            current.state, current.undone_by, current.undone_at = ImportState.UNDONE, user, now
            current.save(update_fields=["state", "undone_by", "undone_at"])
            return current
        if current.state != ImportState.DONE:
            raise ImportRefused(_("Only a file that was read can be undone."))
        current.state = ImportState.UNDOING
        current.undone_by = user
        current.undone_at = current.asked_at = now
        current.begun_at = None
        current.save(update_fields=["state", "undone_by", "undone_at", "asked_at", "begun_at"])
        transaction.on_commit(partial(ask_for, "import_file", current.pk))
    return current


def correct_clock(*, import_: Import, clock: str, label: str, now: datetime) -> int:
    """Read all files of a meter that were read by an import's clock by another; returns how many.

    Their days are cut anew from the originals by a worker.
    """
    with transaction.atomic():
        meter = Meter.objects.select_for_update(of=("self",), no_key=True).get(pk=import_.meter_id)
        wrong = mapping_of(import_.mapping or {}).clock
        alike = []
        for one in Import.objects.filter(meter=meter, state=ImportState.DONE, mapping__isnull=False):
            read = mapping_of(one.mapping or {})
            if (read.clock.kind, read.clock.label) == (wrong.kind, wrong.label):
                one.mapping = kept_mapping(read.answered("clock", clock).answered("label", label))
                alike.append(one)
        Import.objects.bulk_update(alike, ["mapping"])
        if meter.mapping and mapping_of(meter.mapping).clock == wrong:
            meter.mapping = kept_mapping(mapping_of(meter.mapping).answered("clock", clock).answered("label", label))
        meter.replay_asked_at = now
        meter.save(update_fields=["mapping", "replay_asked_at"])
        transaction.on_commit(partial(ask_for, "replay_meter", meter.pk))
    return len(alike)


def ask_for_replay(*, site: Site, now: datetime) -> None:
    """Have a site's days cut anew from the kept originals, after its time zone was corrected."""
    meters = list(Meter.objects.filter(site=site, imports__turn__isnull=False).distinct().values_list("pk", flat=True))
    Meter.objects.filter(pk__in=meters).update(replay_asked_at=now)
    for key in meters:
        transaction.on_commit(partial(ask_for, "replay_meter", key))
