"""Files and rows that have lost each other: what a kill, a full disk or a restore leaves, found and put right.

A file is kept before its row and goes after it, so a file alone is what is left of an upload that was never confirmed,
or of an erasure. After a restore of an older database it may be one that came since: names of originals tell whose they
are, and so they are taken up again.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from uuid import UUID

from django.apps import apps
from django.core.exceptions import ValidationError
from django.core.files.storage import default_storage
from django.db import transaction
from django.utils.translation import gettext_noop

from portal.actions.files import INCOMING, all_kept
from portal.actions.keeping.backup import file_names
from portal.actions.photos import keep_photo
from portal.models import CameBy, Import, ImportState, MailHold, Meter, Visit, VisitPhoto

UNDER_WAY = timedelta(hours=1)
"""A younger file may be of an upload whose row is just being written. Common practice, no source."""
STRAYS_KEPT = timedelta(days=30)
"""So long a file without a row can be looked for, before it goes: it may be of somebody who was erased. Common
practice, no source."""
LOST = gettext_noop("The file is no longer on the portal's disk. Please send it again.")
_NOTHING = hashlib.sha256(b"").hexdigest()
_IMPORT = re.compile(r"imports/\d{4}/\d\d/(?P<meter>\d+)-(?P<digest>[0-9a-f]{32})(_\w{7})?(?P<suffix>\.\w+)?")
_PHOTO = re.compile(
    r"photos/originals/\d{4}/\d\d/(?P<visit>\d+)-(?P<phase>[a-z]+)-(?P<distance>[a-z]*)-(?P<item>[a-z]*)"
    r"-(?P<client>[0-9a-f]{32})(_\w{7})?\.\w+"
)


@dataclass(slots=True)
class Strays:
    """What belongs to nothing, and what is missing."""

    without_row: list[str] = field(default_factory=list)
    """Files that no row names, but for those an upload may just be bringing."""
    without_file: list[str] = field(default_factory=list)
    """Names of files that rows have and that are not there, or are there with nothing in them."""


def find_strays(*, now: datetime) -> Strays:
    """Hold the files against the rows. Nothing is changed."""
    named = set(file_names(apps.get_models()))  # before the files are listed: one that comes meanwhile is no stray
    there = {one.name: one for one in all_kept()}
    empty = {name for name in named & set(there) if not there[name].size_bytes and not _was_empty(name)}
    named |= set(file_names(apps.get_models()))
    return Strays(
        without_row=sorted(name for name in set(there) - named if now - there[name].at > UNDER_WAY),
        without_file=sorted((named - set(there)) | empty),
    )


def clear_strays(*, now: datetime) -> Strays:
    """Let go what nobody misses, say of an upload that waits for its lost file that it is lost, and return the rest."""
    found = find_strays(now=now)
    lost = Import.objects.filter(original__in=found.without_file, state=ImportState.PENDING)
    lost.update(state=ImportState.FAILED, problem=LOST, finished_at=now)
    if not MailHold.objects.open().exists():  # else somebody may still look for what came after the backup
        for name in found.without_row:
            if _age(name, now) > STRAYS_KEPT or not default_storage.size(name) or name.startswith(f"{INCOMING}/"):
                default_storage.delete(name)
        found.without_row = [name for name in found.without_row if default_storage.exists(name)]
    return found


def adopt_strays(*, now: datetime) -> tuple[list[str], list[str]]:
    """Take up again what came after a backup: originals of meters and visits that are known.

    Nobody may be sending anything meanwhile. Returns the names of what was taken up, and of what could not be.
    """
    adopted = [name for name in find_strays(now=now + UNDER_WAY).without_row if _adopt(name, now)]
    return adopted, find_strays(now=now + UNDER_WAY).without_row


def _adopt(name: str, now: datetime) -> bool:
    if told := _IMPORT.fullmatch(name):
        return _adopt_import(name, int(told["meter"]), told["digest"], told["suffix"] or "", now)
    if told := _PHOTO.fullmatch(name):
        visit = Visit.objects.filter(pk=int(told["visit"])).select_related("site").first()
        return visit is not None and _adopt_photo(name, visit, told, now)
    return False


def _adopt_import(name: str, meter_id: int, digest: str, suffix: str, now: datetime) -> bool:
    meter = Meter.objects.filter(pk=meter_id).first()
    if meter is None or Import.objects.filter(meter=meter, sha256__startswith=digest).exists():
        return False
    whole = hashlib.sha256()
    with default_storage.open(name) as file:
        for chunk in file.chunks():
            whole.update(chunk)
    if not whole.hexdigest().startswith(digest):
        return False
    Import.objects.create(
        meter=meter,
        uploaded_at=default_storage.get_modified_time(name),
        asked_at=now,
        came_by=CameBy.COMMAND,
        filename=f"found{suffix}",
        original=name,
        size_bytes=default_storage.size(name),
        sha256=whole.hexdigest(),
    )
    return True


def _adopt_photo(name: str, visit: Visit, told: re.Match[str], now: datetime) -> bool:
    client_id = UUID(told["client"])
    if VisitPhoto.objects.filter(visit=visit, client_id=client_id).exists():
        return False
    with default_storage.open(name) as file:
        data = file.read()
    try:
        with transaction.atomic():
            keep_photo(
                visit=visit,
                client_id=client_id,
                data=data,
                filename=name.rpartition("/")[2],
                phase=told["phase"],
                distance=told["distance"],
                item=told["item"],
                at=default_storage.get_modified_time(name),
                by=None,
                now=now,
            )
    except ValidationError:
        return False
    default_storage.delete(name)  # it is kept anew, with its copies
    return True


def _was_empty(name: str) -> bool:
    return Import.objects.filter(original=name, sha256=_NOTHING).exists()


def _age(name: str, now: datetime) -> timedelta:
    return now - default_storage.get_modified_time(name)
