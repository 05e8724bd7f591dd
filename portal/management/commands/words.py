"""Brings the catalogues up to date with the sentences that the source marks."""

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand

from portal.words.catalogues import CATALOGUE, SOURCES, strings, up_to_date, written


class Command(BaseCommand):
    help = "Bring the catalogues in portal/locale up to date, and say how many sentences wait for their translation."

    def handle(self, *args: Any, **options: Any) -> None:
        for language, _ in settings.LANGUAGES:
            if language == settings.LANGUAGE_CODE:
                continue
            fresh = up_to_date(language)
            path = SOURCES / language / CATALOGUE
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(written(fresh))
            waiting = [message for message in fresh if message.id and not all(strings(message))]
            self.stdout.write(f"{language}: {len(fresh)} sentences, {len(waiting)} without a translation.")
            for message in waiting:
                self.stdout.write(f"  {message.id}")
