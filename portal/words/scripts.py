"""The sentences of our scripts, for the pages that run them."""

from __future__ import annotations

from functools import cache

from django.utils.translation import gettext

from portal.words.catalogues import PORTAL, marked_in_script


def script_words() -> dict[str, str]:
    """What scripts say, by the English sentence that stands in them; only what differs in the active language."""
    return {sentence: said for sentence in _sentences() if (said := gettext(sentence)) != sentence}


@cache
def _sentences() -> tuple[str, ...]:
    found = (marked_in_script(path) for path in sorted((PORTAL / "static").rglob("*.js")))
    return tuple(sorted({sentence for each in found for sentence in each}))
