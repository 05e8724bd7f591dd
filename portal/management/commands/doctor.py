"""``manage.py doctor``: what is wrong with this portal, in sentences; ends with 1 where something is to be done."""

from __future__ import annotations

import sys
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from portal.management.doctor.examine import examine


class Command(BaseCommand):
    help = "Say in sentences what is wrong with this portal. Ends with 1 where somebody has to do something."
    requires_system_checks: list[str] = []  # it says in sentences what they would stop at

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--mail", default="", metavar="ADDRESS", help="also send a real reminder there, as a test")

    def handle(self, *args: Any, **options: Any) -> None:
        wrong = 0
        for subject, found in examine(now=timezone.now(), mail_to=options["mail"]):
            if not found:
                self.stdout.write(f"  {subject:<9} well")
            for one in found:
                wrong += one.wrong
                self.stdout.write(f"{'✗' if one.wrong else '·'} {subject:<9} {one.sentence}")
        self.stdout.write("All is well." if not wrong else f"{wrong} to mend.")
        if wrong:
            sys.exit(1)
