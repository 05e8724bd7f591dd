"""How old one must be to read a homeowner's pages, in both languages: printed, and held.

English: the grade of Flesch and Kincaid (Kincaid et al. 1975, Navy Research Branch Report 8-75); a twelve-year-old is
in grade 6 or 7 of a US school. Spanish: the ease of Fernández Huerta (1959, Consigna 214), with words a sentence as Law
corrected it (2011); 70 and more is what he calls fit for grade 6. Syllables are
pyphen's, by places to break a word: it misses some, so the English grade is rather a little low.
"""

from __future__ import annotations

import re

import pyphen
import pytest
from django.test import Client
from django.urls import reverse
from lxml import html

from portal.models import Language, User
from tests.world import World, utility, world  # noqa: F401 - pytest finds fixtures by their names

PAGES = ("home", "site", "visit_report", "import_upload", "imports")
FEWEST_WORDS = 4
"""What has fewer words is a label or a button, and no sentence. Common practice, no source."""


def sentences_of(page: str) -> str:
    """The running text of a page: paragraphs and items of lists that end as sentences do."""
    tree = html.document_fromstring(page)
    said = [" ".join(each.text_content().split()) for each in tree.xpath("//main//p | //main//li | //main//figcaption")]
    return " ".join(each for each in said if len(re.findall(r"[^\W\d_]+", each)) >= FEWEST_WORDS and each[-1] in ".?!")


def measured(text: str, language: Language) -> tuple[float, float]:
    """Words a sentence and syllables a word."""
    words = re.findall(r"[^\W\d_]+", text)
    breaks = pyphen.Pyphen(lang=language.value, left=1, right=1)
    syllables = sum(len(breaks.positions(word.lower())) + 1 for word in words)
    return len(words) / len(re.findall(r"[.?!](?= |$)", text)), syllables / len(words)


@pytest.mark.any_database("words; tests/test_who_sees_what.py opens the same pages")
@pytest.mark.django_db
@pytest.mark.parametrize("language", list(Language))
def test_a_twelve_year_old_can_read_a_homeowners_pages(language: Language, world: World) -> None:  # noqa: F811
    User.objects.update(language=language)
    client = Client()
    client.force_login(User.objects.get(pk=world.people["homeowner"].pk))
    keys = {"site": {"pk": world.keys["site"]}, "visit_report": {"pk": world.keys["done"]}}
    text = " ".join(sentences_of(client.get(reverse(name, kwargs=keys.get(name))).text) for name in PAGES)
    assert len(text.split()) > 150
    words_a_sentence, syllables_a_word = measured(text, language)
    if language == Language.ENGLISH:
        grade = 0.39 * words_a_sentence + 11.8 * syllables_a_word - 15.59
        print(f"English: grade {grade:.1f} of Flesch and Kincaid, {words_a_sentence:.1f} words a sentence")
        assert grade <= 6
    else:
        ease = 206.84 - 60 * syllables_a_word - 1.02 * words_a_sentence
        print(f"Spanish: ease {ease:.0f} of Fernández Huerta, {words_a_sentence:.1f} words a sentence")
        assert ease >= 70
