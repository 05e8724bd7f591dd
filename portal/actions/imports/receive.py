"""Taking a customer's file in: the original is kept, a row in the ledger says that it waits."""

from __future__ import annotations

import hashlib
import re
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path, PurePath

from django.conf import settings
from django.core.files.base import File
from django.db import transaction
from django.utils.translation import gettext_noop

from portal.actions.imports.kept import kept_mapping
from portal.actions.jobs import ask_for
from portal.actions.uploads import BOUNDED, too_much_today
from portal.models import CameBy, Import, Meter, ReadingsMail, Site, Token, User
from portal.readers.mapping import Mapping

STALLED_AFTER = timedelta(minutes=2)
"""What no worker has begun after this waits unusually long: the page says so, and the poll asks again. Common practice,
no source."""


class ImportRefused(Exception):
    """What was asked cannot be done with this import; the message says why and what to do next."""


def receive_file(
    *,
    meter: Meter,
    filename: str,
    file: File[bytes],
    uploaded_by: User | None,
    now: datetime,
    came_by: CameBy = CameBy.UPLOAD,
    token: Token | None = None,
    mapping: Mapping | None = None,
    mail: ReadingsMail | None = None,
    sha256: str = "",
) -> Import:
    """Keep the original, put it in the ledger, and ask the worker to read it. ``sha256`` where it is known already."""
    if came_by in BOUNDED and (said := too_much_today(site=meter.site, size=file.size, now=now)):
        raise ImportRefused(said)
    digest = sha256 or _digest(file)
    name = PurePath(filename.replace("\\", "/")).name.replace("\x00", "").strip() or "file"
    import_ = Import(
        meter=meter,
        uploaded_by=uploaded_by,
        uploaded_at=now,
        asked_at=now,
        came_by=came_by,
        token=token,
        mail=mail,
        filename=name[-255:],
        size_bytes=file.size,
        sha256=digest,
        mapping=kept_mapping(mapping),
    )
    # The name tells whose it is, so that it can be taken up where its row is lost.
    import_.original.save(f"{meter.pk}-{digest[:32]}{_safe_suffix(name)}", file, save=False)
    import_.save()
    transaction.on_commit(partial(ask_for, "import_file", import_.pk))
    return import_


def _digest(file: File[bytes]) -> str:
    digest = hashlib.sha256()
    for chunk in file.chunks():
        digest.update(chunk)
    file.seek(0)
    return digest.hexdigest()


def too_large_to_copy(path: Path) -> str:
    """Say that a file on this machine is too large to be kept and read; empty where it is not. Nothing is opened."""
    size, most = path.stat().st_size, settings.LARGEST_UPLOAD
    if size <= most:
        return ""
    return gettext_noop(
        "The file is {size:,.0f} MB; more than {most} MB is not taken in at once. Ten years of 5-minute readings take "
        "about 40 MB: check that it is the right file, or export it a year at a time."
    ).format(size=size / 2**20, most=most // 2**20)


def meter_called(*, site: Site, name: str) -> Meter:
    """Return a roof's meter of that name; make it where there is none. A roof's meters are added up."""
    return Meter.objects.get_or_create(site=site, name=name)[0]


def _safe_suffix(name: str) -> str:
    suffix = PurePath(name).suffix.lower()
    return suffix if re.fullmatch(r"\.[a-z0-9]{1,8}", suffix) else ""
