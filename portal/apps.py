from typing import Any, ClassVar

from django.apps import AppConfig
from whitenoise.storage import CompressedManifestStaticFilesStorage


class PortalConfig(AppConfig):
    name = "portal"
    default_auto_field = "django.db.models.BigAutoField"


class StaticFiles(CompressedManifestStaticFilesStorage):  # type: ignore[misc]  # it carries no types
    """Names made of the content, also where one of our modules imports another.

    Django's own switch for that takes in other people's scripts too, whose comments name files that are not there.
    """

    patterns: ClassVar[Any] = (
        *CompressedManifestStaticFilesStorage.patterns,
        ("visit/*.js", ((r'(?P<matched>from "(?P<url>\./\w+\.js)")', 'from "%(url)s"'),)),
    )
