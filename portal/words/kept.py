"""Sentences kept on rows, said in the reader's language.

Why a file failed, why a mail was not sent, what else could explain a gain: a worker writes such a sentence once, in
English, for nobody in particular. Who reads it later is told it in their language: the catalogue knows the sentence it
was made of, and the figures and names in it stand where the sentence has its placeholders.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from functools import cache
from pathlib import Path

from babel.messages.mofile import read_mo
from django.conf import settings
from django.utils.formats import date_format, number_format
from django.utils.translation import get_language, gettext

PLACE = re.compile(r"\{(\w+)[^{}]*\}")
DAY_IN_WORDS = re.compile(r"\d{1,2} [A-Z][a-z]+ \d{4}")
NUMBER_IN_WORDS = re.compile(r"−?\d{1,3}(?:,\d{3})*(?:\.\d+)?|\d+(?:\.\d+)?")
END = re.compile(r"(?<=[.?!]) (?=[A-Z“])")
FEWEST_LETTERS = 8
"""A sentence with fewer letters beside its placeholders would be seen in what it is not. Common practice, no source."""
DEEPEST_NESTED = 3


@dataclass(frozen=True, slots=True)
class Pattern:
    """A sentence of the catalogue with placeholders, as what was made of it looks."""

    made: re.Pattern[str]
    said: str
    letters: int


def in_their_words(text: str, depth: int = 0) -> str:
    """A kept English sentence in the active language; what the catalogue does not know stays as it is.

    Several sentences in a row, and a sentence within a sentence, are looked for too.
    """
    language = get_language()
    if language in (None, settings.LANGUAGE_CODE) or not text or depth > DEEPEST_NESTED:
        return text
    bare = text.strip()
    if DAY_IN_WORDS.fullmatch(bare):
        return date_format(datetime.strptime(bare, "%d %B %Y"), gettext("j F Y"))  # noqa: DTZ007 - a day has no zone
    if NUMBER_IN_WORDS.fullmatch(bare):
        return _number(bare)
    return text.replace(bare, _whole(bare, depth) or _row(bare, depth)) if bare else text


def _whole(text: str, depth: int, *, long: bool = False) -> str:
    """The text as one entry of the catalogue; what stands in its places is a sentence of its own only if ``long``."""
    if (said := gettext(text)) != text:
        return said
    for pattern in _patterns(str(get_language())):
        found = pattern.made.fullmatch(text)
        if found and (long or not any(END.search(value) for value in found.groupdict().values())):
            return _said(pattern, found.groupdict(), depth)
    return ""


def _row(text: str, depth: int) -> str:
    """The text as sentences in a row: as many of the first as one entry has, then the rest."""
    sentences = END.split(text)
    for count in range(len(sentences) - 1, 0, -1):
        if first := _whole(" ".join(sentences[:count]), depth):
            return f"{first} {in_their_words(' '.join(sentences[count:]), depth)}"
    if said := _whole(text, depth, long=True):
        return said
    if len(sentences) > 1:
        return f"{sentences[0]} {in_their_words(' '.join(sentences[1:]), depth)}"
    named, colon, what = text.partition("”: ")
    return f"{named}{colon}{in_their_words(what, depth + 1)}" if colon else text


def _said(pattern: Pattern, figures: dict[str, str], depth: int) -> str:
    def told(place: re.Match[str]) -> str:
        quoted = pattern.said[: place.start()].endswith(("“", "«"))  # what a file has in it stays as it stands there
        return figures[place[1]] if quoted else in_their_words(figures[place[1]], depth + 1)

    return PLACE.sub(told, pattern.said)


def _number(text: str) -> str:
    number = Decimal(text.replace(",", "").replace("−", "-"))
    places = max(0, -int(number.as_tuple().exponent))
    return number_format(number, places, force_grouping="," in text).replace("-", "−")


@cache
def _patterns(language: str) -> list[Pattern]:
    """The longest sentence first, since a short one may fit within it."""
    with Path(settings.LOCALE_PATHS[0], language, "LC_MESSAGES", "django.mo").open("rb") as file:
        catalogue = read_mo(file)
    found = []
    for message in catalogue:
        if isinstance(message.id, str) and isinstance(message.string, str) and PLACE.search(message.id):
            letters = len(re.sub(r"\W", "", PLACE.sub("", message.id)))
            if letters >= FEWEST_LETTERS:
                found.append(Pattern(re.compile(_made_of(message.id), re.DOTALL), message.string, letters))
    return sorted(found, key=lambda pattern: -pattern.letters)


def _made_of(sentence: str) -> str:
    names: set[str] = set()
    pattern, at = "", 0
    for place in PLACE.finditer(sentence):
        again = place[1] in names
        pattern += re.escape(sentence[at : place.start()]) + (f"(?P={place[1]})" if again else f"(?P<{place[1]}>.+?)")
        names.add(place[1])
        at = place.end()
    return pattern + re.escape(sentence[at:])
