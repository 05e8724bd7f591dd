"""A figure stands in a sentence as readers of its language write it."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from django.utils import translation

from portal.words.figures import NBSP, about_money, day_words, money, percent, whole_money


# Marks of both languages, signs of currencies and both dates: Unicode CLDR, "en" and "es". Spanish groups of three
# stand apart by a space: Real Academia Española, Ortografía (2010), on figures.
@pytest.mark.parametrize(
    ("language", "words"),
    [
        ("en", ("$12,345.60", "−$12,346", "under $1", "$0", "1.6 %", "5 March 2026")),
        ("es", ("12 345,60 US$", "−12 346 US$", "menos de 1 US$", "0 US$", "1,6 %", "5 de marzo de 2026")),
    ],
)
def test_figures_follow_the_language_of_the_reader(language: str, words: tuple[str, ...]) -> None:
    with translation.override(language):
        told = (
            money(Decimal("12345.6"), "USD"),
            whole_money(-12345.6, "USD"),
            about_money(0.3, "USD"),
            whole_money(-0.3, "USD"),
            percent(0.016),
            day_words(date(2026, 3, 5)),
        )
    assert tuple(one.replace(NBSP, " ") for one in told) == words


def test_a_currency_without_a_sign_keeps_its_code() -> None:
    assert money(12, "CHF") == f"CHF{NBSP}12.00"
