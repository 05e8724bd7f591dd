"""A file has its name only when all of it is on the disk: neither a kill nor a power cut leaves half a one."""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.core.files.base import ContentFile
from django.utils import timezone

from portal.actions.files import WholeFiles, no_room
from portal.actions.photos import keep_photo
from portal.models import Phase, VisitPhoto
from tests import factories
from tests.actions.keeping.firm import picture


class Torn(ContentFile):  # type: ignore[type-arg]  # Django cannot be subscripted when it runs
    """Comes over a line that breaks half-way."""

    def chunks(self, chunk_size: int | None = None) -> Iterator[bytes]:
        yield b"the first half"
        raise ConnectionResetError


def whole(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


def test_what_breaks_off_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(ConnectionResetError):
        WholeFiles(location=tmp_path).save("imports/may.csv", Torn(b""))
    assert whole(tmp_path) == []


def test_eight_at_once_under_one_name_are_eight(tmp_path: Path) -> None:
    kept = WholeFiles(location=tmp_path)
    contents = [bytes([number]) * 100_000 for number in range(8)]
    with ThreadPoolExecutor(8) as senders:
        names = list(senders.map(lambda data: kept.save("imports/may.csv", ContentFile(data)), contents))
    assert len(set(names)) == 8
    assert whole(tmp_path) == sorted(names)
    for name, data in zip(names, contents, strict=True):
        assert (tmp_path / name).read_bytes() == data


@pytest.mark.django_db
def test_a_photo_and_its_folders_are_on_the_disk_before_the_phone_is_told(
    monkeypatch: pytest.MonkeyPatch, settings: Any, tmp_path: Path
) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    brought: dict[int, int] = {}
    bring = os.fsync

    def fsync(handle: int) -> None:
        bring(handle)
        told = os.fstat(handle)
        brought[told.st_ino] = told.st_size

    monkeypatch.setattr(os, "fsync", fsync)
    keep_photo(
        visit=factories.visit(),
        client_id=uuid4(),
        data=picture(),
        filename="a.jpg",
        phase=Phase.BEFORE,
        at=timezone.now(),
        by=None,
        now=timezone.now(),
    )
    photo = VisitPhoto.objects.get()
    for file in (photo.original, photo.shown, photo.small):
        path = Path(file.path)
        assert brought[path.stat().st_ino] == path.stat().st_size > 0
        for folder in path.relative_to(tmp_path).parents[:-1]:
            assert (tmp_path / folder).stat().st_ino in brought


def test_want_of_room_is_told_from_other_trouble(tmp_path: Path) -> None:
    wrapped = RuntimeError("upload")
    wrapped.__cause__ = OSError(errno.ENOSPC, "No space left on device")
    assert no_room(wrapped)
    assert not no_room(OSError(errno.EACCES, "Permission denied"))
    assert not no_room(None)
    small = sqlite3.connect(tmp_path / "small.sqlite3")
    small.execute("PRAGMA max_page_count = 3")  # the database's own way to run full
    with pytest.raises(sqlite3.OperationalError) as full:
        small.execute("CREATE TABLE one (content BLOB)").execute("INSERT INTO one VALUES (zeroblob(100000))")
    small.close()
    assert no_room(full.value)
