"""The watched folder, for firms that sync files: what lies in ``<inbox>/<meter's number>/`` is taken in.

Rain goes into ``<inbox>/rain/``: files of weather stations there, a gauge's own table in ``rain/<its number>/``.

A file moves to ``done/`` or ``failed/`` inside its meter's folder when the ledger says so; in ``failed/`` a text beside
it says why. Nothing is remembered but the ledger: a collector that dies begins again and takes nothing twice.
"""

from __future__ import annotations

import hashlib
import logging
from datetime import UTC, datetime, timedelta
from pathlib import Path

from django.core.files import File
from django.utils.translation import gettext as _

from portal.actions.imports.receive import receive_file, too_large_to_copy
from portal.actions.stations import take_gauge_file, take_station_file
from portal.models import CameBy, Import, ImportState, Meter, RainGauge
from portal.readers.reading import ReadError

log = logging.getLogger(__name__)

AT_REST = timedelta(seconds=20)
"""A file touched more recently may still be being written. Common practice, no source."""
HALF_WRITTEN = (".part", ".partial", ".tmp", ".crdownload", ".swp", "~")
"""Names under which programs that sync write before they rename; common practice, no source."""


def collect_inbox(*, inbox: Path, now: datetime) -> int:
    """Take in files that are whole, and put away those whose import has ended. Returns how many were taken in."""
    if not inbox.is_dir():
        return 0
    taken = _collect_rain(inbox / "rain", now)
    for folder in sorted(inbox.iterdir()):
        if not (folder.is_dir() and not folder.is_symlink() and folder.name.isdecimal()):
            continue
        meter = Meter.objects.filter(pk=int(folder.name)).select_related("site").first()
        if meter is None:
            log.warning("%s: there is no meter %s; its files are left where they are", inbox, folder.name)
            continue
        for path in sorted(folder.iterdir()):
            try:
                if _is_whole(path, now):
                    taken += _take_or_put_away(path, meter, now)
            except OSError:  # one file that cannot be opened or moved must not keep the others waiting
                log.exception("%s cannot be taken in and is left where it is", path)
    return taken


def _collect_rain(folder: Path, now: datetime) -> int:
    """Keep what rain files say at once: there is nothing to ask about them, and no ledger."""
    if folder.is_symlink() or not folder.is_dir():
        return 0
    own = {str(gauge.pk): gauge for gauge in RainGauge.objects.all()} if any(folder.iterdir()) else {}
    places = [(folder, None), *((folder / number, own[number]) for number in own if (folder / number).is_dir())]
    taken = 0
    for place, gauge in places:
        for path in sorted(place.iterdir()):
            if not _is_whole(path, now):
                continue
            try:
                if gauge:
                    take_gauge_file(path, gauge)
                else:
                    take_station_file(path)
                _move(path, "done")
                taken += 1
            except ReadError as problem:
                _put_into_failed(path, str(problem))
            except OSError:
                log.exception("%s cannot be taken in and is left where it is", path)
    return taken


def _is_whole(path: Path, now: datetime) -> bool:
    if path.is_symlink() or not path.is_file() or path.name.startswith("."):
        return False
    if path.name.lower().endswith(HALF_WRITTEN):
        return False
    return now - datetime.fromtimestamp(path.stat().st_mtime, UTC) >= AT_REST


def _take_or_put_away(path: Path, meter: Meter, now: datetime) -> int:
    if said := too_large_to_copy(path):
        _put_into_failed(path, said)
        return 0
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        came = (
            Import.objects.filter(meter=meter, sha256=digest, came_by=CameBy.FOLDER)
            .exclude(state=ImportState.UNDONE, turn__isnull=False)  # read, and undone since: dropped again it counts
            .order_by("-pk")
            .first()
        )
        if came is None:
            file.seek(0)
            receive_file(
                meter=meter,
                filename=path.name,
                file=File(file, name=path.name),
                uploaded_by=None,
                now=now,
                came_by=CameBy.FOLDER,
                sha256=digest,
            )
            return 1
    if came.state == ImportState.FAILED:
        _put_into_failed(path, came.problem)
    elif came.state == ImportState.UNDONE:
        _put_into_failed(path, _("It was left out on its page, as the wrong file."))
    elif came.state == ImportState.DONE:
        _move(path, "done")
    return 0  # what waits, or asks a question on its ledger page, stays


def _put_into_failed(path: Path, why: str) -> None:
    moved = _move(path, "failed")
    moved.with_name(f"{moved.name}.why.txt").write_text(why + "\n", encoding="utf-8")


def _move(path: Path, to: str) -> Path:
    """Move a file into a folder beside it, under a free name."""
    folder = path.parent / to
    folder.mkdir(exist_ok=True)
    target, number = folder / path.name, 1
    while target.exists():
        number += 1
        target = folder / f"{path.stem} ({number}){path.suffix}"
    return path.rename(target)
