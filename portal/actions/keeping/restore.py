"""Restoring: all of a backup is read first, then the files, then all rows at once, and then each is compared."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from django.core.files.base import File
from django.core.files.storage import default_storage
from django.core.management import call_command
from django.db import connection, transaction
from django.db.models import Max

from portal.actions.keeping.backup import check, proof_of_secret
from portal.actions.keeping.store import NoBackup, Store
from portal.actions.keeping.strays import adopt_strays
from portal.actions.keeping.tables import (
    JUMP,
    Migration,
    TableModel,
    applied,
    empty,
    go_on_above,
    known,
    lines_of,
    load_rows,
    migrate_to,
    tables,
)
from portal.models import Business, Clock, MailHold, ReadingsMail, Reminder, ReminderState


@dataclass(slots=True)
class Restored:
    """What came back."""

    taken_at: datetime
    rows: int = 0
    files: int = 0
    files_written: int = 0
    missing: list[str] = field(default_factory=list)
    """Files that were missing when the backup was made."""
    adopted: list[str] = field(default_factory=list)
    """Files that came after the backup and were taken up again."""
    strays: list[str] = field(default_factory=list)
    """Files that came after it and tell not whose they are."""
    other_secret: bool = False
    """Whether links and log-ins of before will not open here."""


def restore(*, source: Path, key: str, now: datetime, name: str = "", replace: bool = False) -> Restored:
    """Bring a backup back, the newest or the one named, into an empty database or, if asked, in place of what is there.

    Killed half-way it has changed no row, or it is run again.

    Raises NoBackup, with a sentence, when it cannot; then no row was changed.
    """
    store, told = sound_backup(source=source, key=key, name=name)
    ran: set[Migration] = {(app, migration) for app, migration in told["migrations"]}
    _make_ready(ran, replace=replace)
    done = Restored(
        taken_at=datetime.fromisoformat(told["taken_at"]),
        rows=sum(table["rows"] for table in told["tables"]),
        files=len(told["files"]),
        files_written=sum(_bring_file(store, file) for file in told["files"]),
        missing=told["missing"],
        other_secret=told["secret"] != proof_of_secret(),
    )
    newest = ran == known()
    with transaction.atomic():
        _bring_rows(store, told, tables(ran))
        if newest:  # or the table of holds may not be there yet
            hold_mails(taken_at=done.taken_at, now=now)
            go_on_above(tables(ran))
    if not newest:
        call_command("migrate", verbosity=0)
        hold_mails(taken_at=done.taken_at, now=now)
        go_on_above(tables(known()))
    done.adopted, done.strays = adopt_strays(now=now)
    return done


def sound_backup(*, source: Path, key: str, name: str = "") -> tuple[Store, dict[str, Any]]:
    """Return a backup of which every piece was read and found to be as it was written."""
    if not (source / "about.json").exists():
        raise NoBackup(f"There is no backup in {source}.")
    store = Store(source, key)
    name = name or store.newest()
    told = store.get_set(name) | {"name": name}
    check(store, told)
    return store, told


def _make_ready(ran: set[Migration], *, replace: bool) -> None:
    """See that the database has the tables of the backup, and nothing in them that anybody wants to keep."""
    if newer := ran - known():
        raise NoBackup(f"This backup was made by a newer portal ({'.'.join(min(newer))}): update this one first.")
    has = applied()
    if not has:
        migrate_to(ran)
    elif has != ran:
        raise NoBackup(
            "The tables of this database are not those of the backup, which another version of the portal made. "
            "Give an empty database: the restore makes its tables, fills them, and brings them up to date."
        )
    people = next(table for table in tables(ran) if table._meta.label_lower == "portal.user")
    if people._base_manager.exists() and not replace:
        raise NoBackup("There are people in this database. With --replace the backup takes the place of all of it.")


def _bring_file(store: Store, told: Mapping[str, Any]) -> bool:
    """Put a file where its row expects it, unless it is there. Returns whether it was written."""
    name = told["name"]
    if default_storage.exists(name):
        if _sha256(name) == told["sha256"]:
            return False
        default_storage.delete(name)  # cut short or damaged: no file is ever changed
    with tempfile.TemporaryFile() as whole:
        for piece in told["pieces"]:
            whole.write(store.get(piece))
        whole.seek(0)
        put = default_storage.save(name, File(whole, name=name))
    if put != name or _sha256(name) != told["sha256"]:
        raise NoBackup(f"The file {name} could not be written as it was. No row was changed: try again.")
    return True


def _sha256(name: str) -> str:
    digest = hashlib.sha256()
    with default_storage.open(name) as file:
        for chunk in file.chunks():
            digest.update(chunk)
    return digest.hexdigest()


def _bring_rows(store: Store, told: Mapping[str, Any], all_tables: Sequence[TableModel]) -> None:
    """Fill the tables, and read each row again."""
    by_name = {table._meta.label_lower: table for table in all_tables}
    empty(all_tables)
    for one in told["tables"]:
        for piece in one["pieces"]:
            load_rows(by_name[one["table"]], one["columns"], store.get(piece))
    connection.check_constraints()
    for one in told["tables"]:
        table = by_name[one["table"]]
        if one["columns"] != [column.attname for column in table._meta.concrete_fields]:
            raise NoBackup(f"The columns of {one['table']} are not those of the backup. No row was changed.")
        for (_, lines), piece in zip(lines_of(table), one["pieces"], strict=True):
            if lines != store.get(piece):
                raise NoBackup(f"Rows of {one['table']} did not come back as they were. No row was changed.")


def hold_mails(*, taken_at: datetime, now: datetime) -> None:
    """Let no mail go before its firm has said so, and none under a number that may have been used.

    The backup's reminders may have been sent since, and so may others that are planned anew only now.
    """
    with transaction.atomic():
        MailHold.objects.open().update(decided_at=now)  # of an earlier restore: this one says it again
        MailHold.objects.bulk_create(
            [MailHold(business=business, taken_at=taken_at) for business in Business.objects.all()]
        )
        waiting = Reminder.objects.filter(state__in=[ReminderState.DUE, ReminderState.SENDING])
        above = (Reminder.objects.aggregate(highest=Max("pk"))["highest"] or 0) + JUMP
        for number, pk in enumerate(list(waiting.order_by("pk").values_list("pk", flat=True)), start=1):
            Reminder.objects.filter(pk=pk).update(  # the key is part of the mail's Message-ID
                id=above + number, state=ReminderState.DUE, claimed_at=None, handed_over_at=None
            )
        ReadingsMail.objects.filter(answered_at=None).update(answered_at=now)
        Clock.objects.all().delete()
