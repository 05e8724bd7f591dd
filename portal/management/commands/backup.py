"""``manage.py backup TO``: the database and all files as one set, in a folder that holds earlier ones too."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from portal.actions.keeping.backup import back_up
from portal.actions.keeping.store import NoBackup


class Command(BaseCommand):
    help = "Back up the database and all files into a folder. Only what changed since the last backup is written."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("to", type=Path, help="a folder on another disk, new or with earlier backups in it")
        parser.add_argument("--keep-days", type=int, help="then remove backups older than this, never the newest")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            done = back_up(
                to=options["to"], key=settings.BACKUP_KEY, now=timezone.now(), keep_days=options["keep_days"]
            )
        except NoBackup as problem:
            raise CommandError(str(problem)) from None
        except OSError as error:
            raise CommandError(f"No backup was made: {error}.") from None
        kind = "encrypted" if settings.BACKUP_KEY else "not encrypted (PORTAL_BACKUP_KEY is not set)"
        self.stdout.write(
            f"Backup {done.name}, {kind}: {done.rows:,} rows and {done.files:,} files; "
            f"{done.bytes_written / 1e6:,.1f} MB were new."
        )
        if done.forgotten:
            self.stdout.write(f"{done.forgotten} older backups were removed.")
        if done.missing:
            self.stderr.write(
                f"{len(done.missing)} files that rows name are not on the disk, so they are in no backup: "
                + ", ".join(done.missing[:10])
            )
