"""What mails say around their facts: the same things, with the same facts, in each language."""

from __future__ import annotations

import re

from portal.actions.mail.phrases import PHRASES
from portal.models import Language


def test_each_language_says_the_same_phrases_with_the_same_facts() -> None:
    assert set(PHRASES) == set(Language.values)
    named = {
        language: {key: sorted(re.findall(r"\{(\w+)\}", phrase)) for key, phrase in phrases.items()}
        for language, phrases in PHRASES.items()
    }
    assert named[Language.ENGLISH] == named[Language.SPANISH]
