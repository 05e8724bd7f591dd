"""Somebody's word for how a file is to be read."""

from __future__ import annotations

from datetime import datetime
from functools import partial

from django.db import transaction

from portal import readers
from portal.actions.imports.original import kept_mapping
from portal.actions.imports.receive import ImportRefused, receive_file
from portal.actions.imports.undo import undo_import
from portal.actions.jobs import ask_for
from portal.models import CameBy, Import, ImportState, User


def answer_import(*, import_: Import, mapping: readers.Mapping, now: datetime) -> Import:
    """Take somebody's word for how a file is to be read, and read it so."""
    with transaction.atomic():
        current = Import.objects.select_for_update(of=("self",), no_key=True).get(pk=import_.pk)
        if current.state not in (ImportState.QUESTION, ImportState.FAILED):
            raise ImportRefused("This file no longer waits for an answer. Look at its ledger.")
        current.state = ImportState.PENDING
        current.mapping = kept_mapping(mapping)
        current.problem = ""
        current.questions = []
        current.attempts = 0
        current.begun_at = None
        current.save()
        transaction.on_commit(partial(ask_for, "import_file", current.pk))
    return current


def read_differently(*, import_: Import, mapping: readers.Mapping, user: User, now: datetime) -> Import:
    """Undo an import and read its original again by another mapping, as a new import."""
    with transaction.atomic():
        if import_.state == ImportState.DONE:
            undo_import(import_=import_, user=user, now=now)
        with import_.original.open("rb") as original:
            return receive_file(
                meter=import_.meter,
                filename=import_.filename,
                file=original,
                uploaded_by=user,
                now=now,
                came_by=CameBy.UPLOAD,
                mapping=mapping,
            )
