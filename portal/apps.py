from typing import Any, ClassVar

from django.apps import AppConfig
from django.conf import settings
from whitenoise.storage import CompressedManifestStaticFilesStorage


class PortalConfig(AppConfig):
    name = "portal"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from portal.words.catalogues import compile_catalogues  # a process that never gets ready needs no Babel

        compile_catalogues(settings.LOCALE_PATHS[0])


class StaticFiles(CompressedManifestStaticFilesStorage):  # type: ignore[misc]  # it carries no types
    """Names made of the content, also where one of our modules imports another.

    Django's own switch for that takes in other people's scripts too, whose comments name files that are not there.
    """

    patterns: ClassVar[Any] = (
        *CompressedManifestStaticFilesStorage.patterns,
        ("visit/*.js", ((r'(?P<matched>from "(?P<url>\./\w+\.js)")', 'from "%(url)s"'),)),
    )
