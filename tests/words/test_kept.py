"""Sentences that a worker kept in English, as a Spanish reader gets them."""

from __future__ import annotations

import pytest
from django.utils import translation

from portal.words.kept import in_their_words

CASES = [
    ("Readings have come in.", "Han llegado lecturas."),
    # a sentence with figures, grouped and with a decimal mark as the language writes them
    (
        "1,234 readings that would have wiped production of other files were left out.",
        "Se dejaron fuera 1\u00a0234 lecturas que habrían borrado la producción de otros archivos.",
    ),
    (
        "The readings also recovered by themselves on 5 March 2026.",
        "Las lecturas también subieron por sí solas el 5 de marzo de 2026.",
    ),
    # a sentence within a sentence
    (
        "Read again by another clock: The workbook has no sheet with readings.",
        "Leído otra vez con otro reloj: El libro no tiene ninguna hoja con lecturas.",
    ),
    # two in a row
    (
        "There is no e-mail address. They do not want mails of this kind.",
        "No hay dirección de correo. No quieren correos de este tipo.",
    ),
    # a sentence with figures before another
    (
        "They already got 3 mails in 30 days. Readings have come in.",
        "Ya recibieron 3 correos en 30 días. Han llegado lecturas.",
    ),
    # a choice with the meter's own name before it
    ("“Meter A”: sent to the grid", "“Meter A”: vertida a la red"),
    # what people wrote stays theirs
    ("Called twice, nobody home.", "Called twice, nobody home."),
    ("", ""),
]


@pytest.mark.parametrize(("kept", "spanish"), CASES)
def test_a_kept_sentence_is_said_in_the_readers_language(kept: str, spanish: str) -> None:
    with translation.override("es"):
        assert in_their_words(kept) == spanish
    with translation.override("en"):
        assert in_their_words(kept) == kept
