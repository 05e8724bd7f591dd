"""``manage.py open_business NAME OWNER ADDRESS``: a firm begins here, with its owner's login."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from portal.actions.invitations import password_link
from portal.actions.people import NotPossible, open_business
from portal.models import Language


class Command(BaseCommand):
    help = "Open a business and give its owner a login. Prints the link at which the owner chooses a password."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", help="the firm's name, as customers know it")
        parser.add_argument("owner", help="the owner's name")
        parser.add_argument("address", help="the owner's e-mail address, which is the login")
        parser.add_argument("--tz", required=True, help="where the firm works: America/Denver, Europe/Madrid")
        parser.add_argument("--language", default=Language.ENGLISH, choices=Language.values, help="of its mails (en)")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            business, owner = open_business(
                name=options["name"],
                owner=options["owner"],
                email=options["address"],
                tz=options["tz"],
                language=Language(options["language"]),
                now=timezone.now(),
            )
        except ValidationError as wrong:
            raise CommandError(" ".join(wrong.messages)) from None
        except NotPossible as problem:
            raise CommandError(str(problem)) from None
        self.stdout.write(
            f"{business} is open. {owner.email} chooses a password here, within three days:\n{password_link(owner)}\n"
            "Then look over the page “Business”: postal address, currency and price list."
        )
