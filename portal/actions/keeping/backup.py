"""Backing up: the rows of one moment, the files that they name, and a last look that both are there."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from django.core.files.storage import default_storage
from django.db import models
from django.utils.crypto import salted_hmac

from portal.actions.keeping.store import PIECE_BYTES, Damaged, NoBackup, Store
from portal.actions.keeping.tables import TableModel, applied, lines_of, one_moment, tables

PASSES = 5
"""So often rows are read anew because somebody was erased while their files were being copied. No source."""


@dataclass(slots=True)
class BackedUp:
    """What a backup holds, and what it cost."""

    name: str = ""
    rows: int = 0
    files: int = 0
    bytes_written: int = 0
    forgotten: int = 0
    missing: list[str] = field(default_factory=list)
    """Files that rows name and that are not on the disk."""


def back_up(*, to: Path, key: str, now: datetime, keep_days: int | None = None) -> BackedUp:
    """Keep the database and its files as one set in a folder, encrypted where a key is given, and look at it again.

    Raises NoBackup, with a sentence, when there is no backup.
    """
    to.mkdir(parents=True, exist_ok=True, mode=0o700)
    store = Store(to, key)
    with store.held():
        told = _rows_and_files(store)
        told |= {"taken_at": now.isoformat(), "secret": proof_of_secret()}
        for name in {piece for part in (*told["tables"], *told["files"]) for piece in part["pieces"]}:
            store.look(name)
        done = BackedUp(
            name=store.put_set(now, told),
            rows=sum(table["rows"] for table in told["tables"]),
            files=len(told["files"]),
            missing=told["missing"],
        )
        if keep_days is not None:
            done.forgotten = store.forget(before=now - timedelta(days=keep_days))
    done.bytes_written = store.written
    return done


def proof_of_secret() -> str:
    """Tells whether a portal signs its links as the one did whose backup this is, and not with what."""
    return salted_hmac("portal.keeping", "secret key", algorithm="sha256").hexdigest()[:32]


def _rows_and_files(store: Store) -> dict[str, Any]:
    held = {(one["name"], one["bytes"]): one for name in store.sets()[-1:] for one in store.get_set(name)["files"]}
    for _ in range(PASSES):
        ran = applied()
        all_tables = tables(ran)
        with one_moment():
            kept = [_keep_rows(store, table) for table in all_tables]
            names = sorted(set(file_names(all_tables)))
        # A file is there before its row is, and goes after it: what the rows name is there unless it was erased since.
        files, missing = [], []
        for name in names:
            if (file := _keep_file(store, name, held)) is None:
                missing.append(name)
            else:
                files.append(file)
        if not missing or set(missing) <= set(file_names(all_tables)):
            return {"migrations": sorted(ran), "tables": kept, "files": files, "missing": missing}
    raise NoBackup("Files are being erased faster than they are copied. Nothing was backed up: try again later.")


def _keep_rows(store: Store, table: TableModel) -> dict[str, Any]:
    count, pieces = 0, []
    for rows, lines in lines_of(table):
        count += rows
        pieces.append(store.put(lines))
    columns = [one.attname for one in table._meta.concrete_fields]
    return {"table": table._meta.label_lower, "columns": columns, "rows": count, "pieces": pieces}


def file_names(all_tables: Sequence[TableModel]) -> Iterable[str]:
    """Every file that a row names."""
    for table in all_tables:
        for one in table._meta.concrete_fields:
            if isinstance(one, models.FileField):
                yield from table._base_manager.exclude(**{one.name: ""}).values_list(one.name, flat=True).iterator()


def _keep_file(store: Store, name: str, held: dict[tuple[str, int], dict[str, Any]]) -> dict[str, Any] | None:
    """Keep a file; one of this name and size that an earlier backup holds is not read again: none is ever changed."""
    try:
        earlier = held.get((name, default_storage.size(name)))
        if earlier is not None:
            return earlier
        digest, size, pieces = hashlib.sha256(), 0, []
        with default_storage.open(name) as file:
            while data := file.read(PIECE_BYTES):
                digest.update(data)
                size += len(data)
                pieces.append(store.put(data))
    except FileNotFoundError:
        return None
    return {"name": name, "bytes": size, "sha256": digest.hexdigest(), "pieces": pieces}


def check(store: Store, told: dict[str, Any]) -> None:
    """Read all of a backup.

    Raises Damaged when anything of it is not as it was written.
    """
    for table in told["tables"]:
        rows = sum(store.get(name).count(b"\n") for name in table["pieces"])
        if rows != table["rows"]:
            raise Damaged(f"This backup holds {rows} rows of {table['table']} and should hold {table['rows']}.")
    for file in told["files"]:
        digest = hashlib.sha256()
        for name in file["pieces"]:
            digest.update(store.get(name))
        if digest.hexdigest() != file["sha256"]:
            raise Damaged(f"The file {file['name']} is damaged in this backup.")
