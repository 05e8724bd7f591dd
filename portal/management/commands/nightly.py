"""``manage.py nightly``: queue the night's assessments, and with ``--wait`` watch the worker do them."""

from __future__ import annotations

import time
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone
from tqdm import tqdm

from portal.actions.holds import trust_clock
from portal.actions.nights import start_night
from portal.models import Night, NightState


class Command(BaseCommand):
    help = "Assess every site through the worker."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--wait", action="store_true", help="show a progress bar until the worker is done")
        parser.add_argument("--patience", type=int, default=180, help="give up after so many seconds without progress")

    def handle(self, *args: Any, **options: Any) -> None:
        asked_from = timezone.now()
        if not trust_clock(now=asked_from):
            self.stderr.write(
                "The clock stands far from when the portal last ran: nothing is assessed until somebody "
                "confirms it on the office's first page."
            )
            return
        start_night(now=asked_from)
        if not options["wait"]:
            return
        waiting = Night.objects.waiting()
        total = left = waiting.count()
        last_progress = time.monotonic()
        with tqdm(total=total, desc="assessing", unit=" sites", disable=total == 0) as bar:
            while left:
                time.sleep(0.2)
                still = waiting.count()
                if still < left:
                    bar.update(left - still)
                    last_progress = time.monotonic()
                    left = still
                elif time.monotonic() - last_progress > options["patience"]:
                    raise CommandError(
                        f"{left} of {total} sites are still waiting and nothing moved for {options['patience']} s. "
                        "Is the worker running? See its log."
                    )
        failed = Night.objects.filter(state=NightState.FAILED, asked_at__gte=asked_from).count()
        if failed:
            self.stderr.write(f"{failed} sites could not be assessed; the worker's log says why.")
