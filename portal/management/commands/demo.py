"""``manage.py demo``: load the invented firms, unless they are there already."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from fixtures.demo import DEMO_PASSWORD, demo_logins, load_demo


class Command(BaseCommand):
    help = "Load the invented demonstration firms. A second time changes nothing."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--logins", action="store_true", help="only print who can log in")

    def handle(self, *args: Any, **options: Any) -> None:
        if not options["logins"]:
            loaded = load_demo(now=timezone.now())
            self.stdout.write("The invented demo is loaded." if loaded else "The invented demo is here already.")
            return
        self.stdout.write(f"Demo logins (all invented), each with the password {DEMO_PASSWORD}")
        for login in demo_logins():
            self.stdout.write(f"  {login.email:<44} {login.name}, {login.what}")
