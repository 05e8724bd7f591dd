"""``manage.py reset_second_step ADDRESS``: for whoever lost app, passkey and spare codes, after it is sure who asks."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from allauth.mfa.models import Authenticator
from django.core.management.base import BaseCommand, CommandError

from portal.models import User


class Command(BaseCommand):
    help = "Take the second step off a login, so that its owner can set up a new one. Make sure first that it is they."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("address", help="the e-mail address, which is the login")

    def handle(self, *args: Any, **options: Any) -> None:
        user = User.objects.filter(email=options["address"].lower()).first()
        if user is None:
            raise CommandError(f"There is no login with the address {options['address']}.")
        taken = Authenticator.objects.filter(user=user).delete()[0]
        self.stdout.write(
            f"{user.email} logs in by password alone now and sets a second step up anew."
            if taken
            else f"{user.email} has no second step."
        )
