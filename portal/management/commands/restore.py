"""``manage.py restore FROM``: a backup's rows and files, into an empty database or in place of what is there."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from portal.actions.keeping.restore import restore, sound_backup
from portal.actions.keeping.store import NoBackup


class Command(BaseCommand):
    help = "Bring a backup back. Stop the portal's services first; no mail leaves until its firm says so."
    requires_system_checks: list[str] = []
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("source", type=Path, metavar="from", help="the folder that holds the backups")
        parser.add_argument("--backup", default="", help="its name, where not the newest one")
        parser.add_argument("--replace", action="store_true", help="in place of everything that the database holds")
        parser.add_argument("--check", action="store_true", help="only read all of it, and change nothing")

    def handle(self, *args: Any, **options: Any) -> None:
        source, key = options["source"], settings.BACKUP_KEY
        try:
            if options["check"]:
                _, told = sound_backup(source=source, key=key, name=options["backup"])
                self.stdout.write(f"Backup {told['name']} is whole: every piece is what was written.")
                return
            done = restore(
                source=source, key=key, now=timezone.now(), name=options["backup"], replace=options["replace"]
            )
        except NoBackup as problem:
            raise CommandError(str(problem)) from None
        except OSError as error:
            raise CommandError(f"The backup could not be restored: {error}. Run it again.") from None
        self.stdout.write(
            f"Restored to {done.taken_at:%Y-%m-%d %H:%M:%S} UTC: {done.rows:,} rows, each compared; "
            f"{done.files:,} files, of which {done.files_written:,} had to be written."
        )
        if done.adopted:
            self.stdout.write(f"{len(done.adopted)} files that came after the backup were taken up again.")
        if done.strays:
            self.stdout.write(
                f"{len(done.strays)} files came after the backup and cannot be taken up. They stay until the firm has "
                "decided about its mails, and thirty days: " + ", ".join(done.strays[:10])
            )
        self.stdout.write(
            "Invoices issued since are not in it: enter them again first, in their order, or their numbers come twice."
        )
        if done.missing:
            self.stderr.write(f"{len(done.missing)} files were missing already when the backup was made.")
        if done.other_secret:
            self.stderr.write(
                "PORTAL_SECRET_KEY is another than the backup's: links in mails sent before will not open. "
                "Set the one of before, if you have it."
            )
