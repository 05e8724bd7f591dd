"""Read files into a meter's days from the command line: ``manage.py import METER FILE…``."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.files import File
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from portal.actions.imports.reading import read_import
from portal.actions.imports.receive import receive_file, too_large_to_copy
from portal.models import CameBy, ImportState, Meter


class Command(BaseCommand):
    """Reads each file at once, without the worker, and prints what became of it."""

    help = "Read production files into a meter. The ledger keeps each; the portal's pages show and undo it."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("meter", type=int, help="the meter's number, as the page “Send by script” shows it")
        parser.add_argument("files", nargs="+", type=Path, metavar="file")

    def handle(self, *args: Any, **options: Any) -> None:
        meter = Meter.objects.filter(pk=options["meter"]).select_related("site__customer").first()
        if meter is None:
            raise CommandError(f"There is no meter {options['meter']}. The page “Send by script” shows the numbers.")
        unread = 0
        for path in options["files"]:
            try:
                if said := too_large_to_copy(path):
                    self.stderr.write(f"{path}: {said}")
                    unread += 1
                    continue
                with path.open("rb") as file:
                    received = receive_file(
                        meter=meter,
                        filename=path.name,
                        file=File(file, name=path.name),
                        uploaded_by=None,
                        now=timezone.now(),
                        came_by=CameBy.COMMAND,
                    )
            except OSError as error:
                self.stderr.write(f"{path}: cannot be opened ({error.strerror}). Check the name and try again.")
                unread += 1
                continue
            done = read_import(import_id=received.pk, now=timezone.now())
            if done.state == ImportState.DONE:
                self.stdout.write(
                    f"{path}: {done.rows_read} read, {done.readings_new} new, {done.readings_unchanged} unchanged, "
                    f"{done.readings_replaced} replaced, {done.readings_set_aside} set aside, "
                    f"{done.rows_rejected} rejected."
                )
                for warning in done.warnings:
                    self.stdout.write(f"  {warning['text']}")
            else:
                unread += 1
                why = done.problem or " ".join(question["text"] for question in done.questions)
                self.stderr.write(f"{path}: {done.get_state_display().lower()}. {why}")
        if unread:
            raise CommandError(f"{unread} of {len(options['files'])} files were not read. Nothing of them was stored.")
