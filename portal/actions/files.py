"""Where files are kept: each is there whole and on the disk, or not at all; and what is said when there is no room.

That is a folder, or where one is set a bucket (``bucket``).
"""

from __future__ import annotations

import errno
import os
import secrets
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

from django.conf import settings
from django.core.files.base import File
from django.core.files.storage import FileSystemStorage, default_storage
from django.db.models.fields.files import FieldFile

INCOMING = ".incoming"
"""The folder, in that of the files, where one lies until it is whole."""
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
DISK_FULL = "53100"
"""PostgreSQL's code, of its manual's appendix A."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A file that is kept, whoever names it."""

    name: str
    size_bytes: int
    at: datetime


def all_kept() -> Iterator[Kept]:
    """Every file there is."""
    yield from cast(Any, default_storage).kept()


@contextmanager
def on_disk(file: FieldFile) -> Iterator[Path]:
    """Where a kept file can be read by its path: itself, or a copy for as long as it is needed."""
    try:
        path = Path(file.path)
    except NotImplementedError:  # a bucket's
        path = None
    if path is not None:
        yield path
        return
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / Path(str(file.name)).name
        with file.open("rb") as kept, copy.open("wb") as into:
            shutil.copyfileobj(kept, into)
        yield copy


class WholeFiles(FileSystemStorage):
    """A folder in which a name is given only to a whole file that has reached the disk.

    A phone forgets a photo once it is told that the portal has it: a power cut a second later must not take it.
    """

    def _save(self, name: str, content: File[Any]) -> str:
        aside = Path(self.location) / INCOMING / secrets.token_hex(16)
        aside.parent.mkdir(parents=True, exist_ok=True)
        try:
            with aside.open("xb") as file:
                for chunk in content.chunks():
                    file.write(chunk)
                file.flush()
                os.fsync(file.fileno())
            return self._give_name(aside, name)
        finally:
            aside.unlink(missing_ok=True)

    def _give_name(self, aside: Path, name: str) -> str:
        while True:
            path = Path(self.path(name))
            path.parent.mkdir(parents=True, exist_ok=True)
            try:
                os.link(aside, path)
            except FileExistsError:
                name = self.get_available_name(name)
                continue
            folder = path.parent
            while folder != Path(self.location).parent:  # the folders above may be new, too
                to_disk(folder)
                folder = folder.parent
            return name

    def kept(self) -> Iterator[Kept]:
        """Every file with its size and its time; what is gone meanwhile is left out."""
        root = Path(self.location)
        for path in root.rglob("*"):
            try:
                seen = path.stat()
            except FileNotFoundError:
                continue
            if path.is_file():
                at = datetime.fromtimestamp(seen.st_mtime, UTC)
                yield Kept(path.relative_to(root).as_posix(), seen.st_size, at)


def to_disk(folder: Path) -> None:
    """Bring the names in a folder to the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def no_room(error: BaseException | None) -> bool:
    """Whether it was for want of room on a disk that something failed."""
    while error is not None:
        if isinstance(error, OSError) and error.errno in NO_ROOM:
            return True
        if getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_FULL:
            return True
        if getattr(error, "sqlstate", None) == DISK_FULL:
            return True
        error = error.__cause__ or error.__context__
    return False


def short_of_room() -> bool:
    """Whether the disk of the portal's files is as good as full."""
    folder = Path(settings.MEDIA_ROOT)
    while not folder.exists():
        folder = folder.parent
    return shutil.disk_usage(folder).free < settings.ROOM_BYTES
