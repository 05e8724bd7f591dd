"""What seems wrong with a roof, in each language of the mails."""

from __future__ import annotations

from portal.pv.result import Cause

CAUSES: dict[str, dict[Cause, str]] = {
    "en": {
        Cause.STRING_LOSS: "Part of the panels seems to have stopped: a group wired together gives nothing.",
        Cause.OUTAGE: "The system, or one inverter, seems to have stood still for days.",
        Cause.SHADING: "Something throws shade at certain hours: a tree that grew, a mast or a neighbour's roof.",
        Cause.SNOW: "Snow seems to lie on the panels.",
        Cause.DEGRADATION: "The panels lose output steadily over the years, more than dirt would explain.",
        Cause.METER: "The meter's figures changed in a way that panels cannot: a new unit, a wrong clock, a stuck "
        "counter.",
        Cause.UNKNOWN: "The readings do not tell the cause.",
    },
    "es": {
        Cause.STRING_LOSS: "Una parte de los paneles parece haberse parado: un grupo conectado entre sí no da nada.",
        Cause.OUTAGE: "La instalación, o un inversor, parece llevar días parada.",
        Cause.SHADING: "Algo da sombra a ciertas horas: un árbol que ha crecido, un mástil o el tejado de un vecino.",
        Cause.SNOW: "Parece haber nieve sobre los paneles.",
        Cause.DEGRADATION: "Los paneles pierden producción poco a poco con los años, más de lo que explica la "
        "suciedad.",
        Cause.METER: "Las cifras del contador cambiaron como no pueden hacerlo unos paneles: otra unidad, un reloj "
        "mal puesto o un contador atascado.",
        Cause.UNKNOWN: "Las lecturas no dicen la causa.",
    },
}


def cause_words(cause: str, language: str = "en") -> str:
    """One sentence on what seems wrong; ``cause`` may be empty."""
    return CAUSES[language][Cause(cause or Cause.UNKNOWN)]
