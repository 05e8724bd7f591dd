"""What can be seen on this machine alone: settings, folders, room on the disk, files and rows that lost each other."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from urllib.parse import urlsplit

from botocore.exceptions import BotoCoreError, ClientError
from django.conf import settings
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage

from portal.actions.files import INCOMING
from portal.actions.green_button.utility import missing
from portal.actions.keeping.strays import find_strays
from portal.management.doctor.found import CheckResult

KEY_LETTERS = 50
"""As long as Django makes its own keys, and warns below it (its check W009)."""
LEAST_ROOM_BYTES = 1_000_000_000
"""Four of the largest uploads. Common practice, no source."""
FILES_NAMED = 5
"""Of many files so many are named."""


def settings_found() -> Iterator[CheckResult]:
    """Variables that start a portal, but not one that works."""
    base = urlsplit(settings.BASE_URL)
    host = base.hostname or ""
    local = host in ("localhost", "127.0.0.1", "::1")
    if not settings.SECURE and not local:
        yield CheckResult(
            f"PORTAL_BASE_URL is {settings.BASE_URL}: without https:// passwords can be read on their way."
        )
    if not any(host == one or (one[:1] == "." and host.endswith(one)) for one in settings.ALLOWED_HOSTS):
        yield CheckResult(f"PORTAL_HOSTS does not name {host}, the host of PORTAL_BASE_URL: each page is refused.")
    if len(settings.SECRET_KEY) < KEY_LETTERS or len(set(settings.SECRET_KEY)) < 5:
        yield CheckResult(
            f"PORTAL_SECRET_KEY is shorter than {KEY_LETTERS} random letters: whoever guesses it is anybody."
        )
    if not settings.REDIS_URL:
        said = "PORTAL_REDIS_URL is not set: no file is read and no mail sent until it names the queue's server."
        yield CheckResult(said, wrong=settings.SECURE)  # `./deploy/run` has a queue of its own, which no command sees
    if settings.SECURE and not settings.DATABASE_URL.startswith("postgres"):
        yield CheckResult(
            "PORTAL_DATABASE_URL names no PostgreSQL: SQLite serves one machine with few people.", wrong=False
        )
    if settings.SECURE and settings.SENDER_ADDRESS.endswith(".example"):
        yield CheckResult(
            f"PORTAL_FROM_EMAIL is {settings.SENDER_ADDRESS}, an address that cannot exist: mails are refused."
        )
    if settings.RAIN_ADDRESS and "{station}" not in settings.RAIN_ADDRESS:
        yield CheckResult("PORTAL_RAIN_ADDRESS has no {station} in it: every station would get the same file.")
    if settings.IMAP_HOST and not settings.READINGS_ADDRESS:
        yield CheckResult(
            "PORTAL_IMAP_HOST is set without PORTAL_READINGS_ADDRESS: no mail in that box belongs to a roof."
        )
    yield from _green_button_found()


def _green_button_found() -> Iterator[CheckResult]:
    """A utility that is set by half is not offered at all, and nobody would see why."""
    told = settings.GREEN_BUTTON
    names = {name: f"PORTAL_GREEN_BUTTON_{name.upper()}" for name in told}
    if any(told.values()) and (without := missing()):
        yield CheckResult(
            f"The utility is set by half, so that nobody can connect it: {', '.join(names[one] for one in without)} "
            "is missing."
        )
    for name in ("authorize", "token", "revoke", "resources"):
        if told[name] and not told[name].startswith("https://"):
            yield CheckResult(f"{names[name]} does not begin with https://: tokens could be read on their way.")
    if told["client"] and not settings.SECURE:
        yield CheckResult(
            "A utility is set, and PORTAL_BASE_URL has no https://: the utility will not send people back."
        )


def folders_found() -> Iterator[CheckResult]:
    """The data folder and what lies in it: there, ours, and nobody else's to read."""
    var = Path(settings.VAR)
    if not var.is_dir():
        yield CheckResult(f"The data folder {var} is missing: make it, or set PORTAL_VAR.")
        return
    if var.stat().st_mode & 0o077:
        yield CheckResult(f"Others on this machine can read {var}, where customers' files are: chmod 700 {var}")
    for folder in (var, Path(settings.MEDIA_ROOT), Path(settings.INBOX)):
        if folder.exists() and not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
            yield CheckResult(f"This user cannot write to {folder}: give it to the user that the services run as.")
        elif folder.exists() and folder.stat().st_uid != os.geteuid():
            yield CheckResult(
                f"{folder} belongs to another user (number {folder.stat().st_uid}) than this command runs as "
                f"(number {os.geteuid()}): run the doctor as the user of the services."
            )
    key = var / "secret_key"
    if key.exists() and key.stat().st_mode & 0o077:
        yield CheckResult(f"Others on this machine can read {key}: chmod 600 {key}")
    if not (Path(settings.STATIC_ROOT) / "staticfiles.json").exists():
        yield CheckResult("Style sheets and scripts are not prepared, so that no page opens: manage.py prepare_assets")


def bucket_found() -> Iterator[CheckResult]:
    """Whether the store of files takes one, gives it back as it was, and lets it go."""
    if not settings.FILES_BUCKET:
        return
    told = secrets.token_bytes(64)
    try:
        name = default_storage.save(f"{INCOMING}/doctor", ContentFile(told))
        with default_storage.open(name) as file:
            same = file.read() == told
        default_storage.delete(name)
    except (BotoCoreError, ClientError, OSError) as error:
        yield CheckResult(
            f"The bucket {settings.FILES_BUCKET} cannot be used, so nothing can be uploaded or shown: {error}"
        )
        return
    if not same:
        yield CheckResult(
            f"The bucket {settings.FILES_BUCKET} gives back something else than it was given: use another."
        )


def disk_found() -> Iterator[CheckResult]:
    """Room for what people send."""
    var = Path(settings.VAR)
    if not var.is_dir():
        return
    free = shutil.disk_usage(var).free
    if free < LEAST_ROOM_BYTES:
        yield CheckResult(
            f"Only {free / 1e6:.0f} MB are free on the disk of {var}: make room before files are refused."
        )
    inodes = os.statvfs(var)
    if inodes.f_files and inodes.f_favail < 10_000:
        yield CheckResult(f"The disk of {var} can take only {inodes.f_favail} more files, however small.")


def files_found(now: datetime) -> Iterator[CheckResult]:
    """Rows whose file is gone, and files that no row names: left by a kill, a full disk or a restored backup."""
    found = find_strays(now=now)
    for names, said in (
        (found.without_file, "that the database names are missing or empty: look for them in the last backup"),
        (found.without_row, "are named by no row: left when something broke off, they go after thirty days"),
    ):
        if names:
            some = ", ".join(names[:FILES_NAMED]) + (" and more" if len(names) > FILES_NAMED else "")
            yield CheckResult(f"{len(names)} files {said}. They are {some}.", wrong=names is found.without_file)
