"""What a page tells of a roof: which state, advice and figures stand in its words, and what contradicts what.

All sentences are named as the catalogue knows them, so that a page in another language is read just as well.
"""

from __future__ import annotations

import html
import re
from dataclasses import dataclass
from functools import cache
from itertools import combinations

from django.utils.translation import get_language, gettext

from portal.pv.advice import Act, State
from portal.pv.recommend import Recommendation
from portal.words.advice import advice, cost, headline, loss_in_a_row, loss_words, money_line, why

STATES: dict[State, tuple[str, ...]] = {
    State.DIRTY: (
        "The panels are dirty.",
        "The panels make less than they should, most likely because of dirt.",
    ),
    State.CLEAN: ("The panels are clean enough.",),
    State.UNSURE: ("Nothing to wash yet: dirt may lie on the panels, but too little is sure.",),
    State.CANNOT_TELL: ("The readings cannot tell yet.",),
    State.NOT_DIRT: ("The panels make less, and it is not dirt. A wash will not mend it.",),
    State.JUST_WASHED: (
        "Washed on {day}. What it gained is not known yet.",
        "Washed on {day}. Without newer readings nobody can tell what it gained.",
    ),
    State.RAINED: ("Rain fell on {day}. How much dirt it took is not known yet.",),
    State.NO_READINGS: (
        "There are no readings yet, so nobody can tell whether the panels are dirty.",
        "No readings since {day}, so nobody can tell how dirty the panels are now.",
    ),
}
"""How a roof stands: each sentence that says so."""

ACTS: dict[Act, tuple[str, ...]] = {
    Act.WASH: ("Wash now: by the readings, that is cheaper than waiting.",),
    Act.WAIT: (
        "Wait for the result: it is expected about {day}.",
        "Readings came in. The first answer comes by tomorrow.",
        "Leave them for now: a wash from about {day} on keeps more for its price than one today.",
        "Wait until about {day}: {rain}",
        "Wait for clear days: the next answer is expected about {day}.",
        "Wait for more clear days: they will tell.",
    ),
    Act.WOULD_NOT_PAY: ("A wash would not pay at this price now.",),
    Act.LOOK: ("Have it looked at first.",),
    Act.SEND_READINGS: (
        "Send the newest readings: then we can tell.",
        "Send the readings since the wash: then we can tell what it gained.",
    ),
    Act.TELL_FACTS: ("First these facts about the roof are needed: {missing}.",),
}
"""What is advised: each sentence that says so."""

FIGURES = (
    "About {loss} of what clean panels would make is lost to dirt (likely {low} to {high}).",
    "Besides, about {loss} seems lost to dirt (likely {low} to {high}).",
    "Dirt costs {cost} a month (likely {low} to {high}).",
    "A wash now costs {price} and would bring {brings} (likely {low} to {high}) until rain does it free.",
    "It pays back in about {count} of 10 possible futures.",
    "It would hardly ever pay back.",
    "It would almost surely pay back.",
    "A visit is booked for {day}.",
    "A visit was booked for {day}, and nobody noted yet what came of it.",
    "By the calendar the next wash would be about {day}.",
    "By the calendar a first wash would be about {day}.",
    "It has built up since about {day}.",
    "It began about {day}.",
)
"""Sentences with the figures of a roof: there is one of each."""

GOES_WITH: dict[State, set[Act]] = {
    State.DIRTY: {Act.WASH, Act.WAIT, Act.WOULD_NOT_PAY},
    State.CLEAN: {Act.WAIT, Act.WOULD_NOT_PAY},
    State.UNSURE: {Act.WAIT, Act.WOULD_NOT_PAY},
    State.CANNOT_TELL: {Act.WAIT, Act.SEND_READINGS, Act.TELL_FACTS},
    State.NOT_DIRT: {Act.LOOK},
    State.JUST_WASHED: {Act.WAIT, Act.SEND_READINGS, Act.TELL_FACTS},
    State.RAINED: {Act.WAIT},
    State.NO_READINGS: {Act.SEND_READINGS, Act.TELL_FACTS},
}
"""What may be advised of a roof that stands so."""

LOSS = (
    "About {loss} of what clean panels would make is lost to dirt (likely {low} to {high}).",
    "Dirt costs {cost} a month (likely {low} to {high}).",
    "{loss} lost to dirt.",
    "A wash now costs {price} and would bring {brings} (likely {low} to {high}) until rain does it free.",
)
DIRTY, WASH = STATES[State.DIRTY], ACTS[Act.WASH]
LATER = (*ACTS[Act.WAIT], *ACTS[Act.WOULD_NOT_PAY])
SILENT = tuple(
    one for state in (State.JUST_WASHED, State.RAINED, State.CANNOT_TELL, State.NO_READINGS) for one in STATES[state]
)
AGAINST: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...] = (
    # what the readings no longer say, or cannot
    (SILENT, LOSS),
    (SILENT, ("Output has drifted down slowly, alike at all hours, as dirt does.",)),
    (SILENT, ("Output has drifted down slowly since {since}, alike at all hours, as dirt does.",)),
    # reasons for another answer
    (
        (*DIRTY, *WASH, *STATES[State.NOT_DIRT]),
        (
            "The modules are clean enough.",
            "That is too unsure to call for a wash, or to call the modules clean; more clear days will tell.",
        ),
    ),
    (STATES[State.NOT_DIRT], ("Output has drifted down slowly, alike at all hours, as dirt does.",)),
    (STATES[State.NOT_DIRT], ("Output has drifted down slowly since {since}, alike at all hours, as dirt does.",)),
    (STATES[State.NOT_DIRT], (LOSS[0],)),
    (
        ("The panels are dirty.",),
        (
            (
                "No rain has brought it back and no wash has shown it to be dirt: it may be dirt that rain does not "
                "take, or modules that fail slowly. Washing a part of the roof would tell."
            ),
            "In a first half year a roof on its own cannot tell its season from dirt; a wash or a good rain will.",
        ),
    ),
    # the money against the advice
    (
        WASH,
        (
            "It would hardly ever pay back.",
            "Even at a quarter of the price the advice would be the same.",
            "A wash now would be advised at a price under about {price}, or with a kWh worth more than about {kwh}.",
        ),
    ),
    (
        (*LATER, *ACTS[Act.LOOK], *ACTS[Act.SEND_READINGS]),
        (
            (
                "The advice would change if a wash cost more than about {price}, or a kWh were worth less than about "
                "{kwh}."
            ),
            "Call and offer a wash",
        ),
    ),
    (ACTS[Act.WOULD_NOT_PAY], ("It would almost surely pay back.",)),
    # what comes next
    (
        (
            "You asked for a wash on {day}. {firm} knows and gets in touch.",
            "You asked for a call on {day}. {firm} knows.",
            "A visit is booked for {day}.",
        ),
        ("Next: Ask for a wash", "Next: Ask for a call"),
    ),
    (("A visit is booked for {day}.",), ("Next: Call and offer a wash", "Next: Note what came of the visit")),
    (
        ("A visit was booked for {day}, and nobody noted yet what came of it.",),
        ("A visit is booked for {day}.", "Next: Call and offer a wash", "Next: Ask for a wash"),
    ),
    (STATES[State.NOT_DIRT], ("Next: Ask for a wash", "Next: Call and offer a wash", "Ask for a wash")),
    (
        ("Please pay {amount} by {day}.", "Please pay {amount}: it was due on {day}."),
        ("Next: Nothing to do now", "Next: Nothing more: the firm knows, and gets in touch"),
    ),
    (
        (
            "The readings stop on {day}.",
            "The file “{file}” could not be read.",
            "The file “{file}” needs an answer before it is read.",
        ),
        ("Next: Nothing to do now",),
    ),
    # what is not known
    (
        ("No wash of these panels is known.",),
        (*STATES[State.JUST_WASHED], "By the calendar the next wash would be about {day}.", "Cleaned on {date}."),
    ),
    # what a wash gained
    (
        ("What it gained is not known yet: it takes some clear days after the wash to tell.",),
        ("The readings cannot say",),
    ),
    (
        STATES[State.JUST_WASHED],
        (
            "The last wash, on {date}, brought about {gain} more output (likely {low} to {high}).",
            "The last wash, on {date}, brought nothing that could be measured.",
        ),
    ),
    (
        ("No cleaning is on record.", "No wash of these panels is known."),
        (
            "The last wash, on {date}, brought about {gain} more output (likely {low} to {high}).",
            "The last wash, on {date}, brought nothing that could be measured.",
        ),
    ),
    (STATES[State.JUST_WASHED], ("First answer; final on {settles_on}", "No measurable gain", "More output")),
)
"""Sentences of which no roof may be told both: any of the first beside any of the second."""


@cache
def pairs() -> frozenset[tuple[str, str]]:
    """Every two sentences that contradict each other."""
    found = {(one, other) for some, others in AGAINST for one in some for other in others}
    for table in (STATES, ACTS):
        groups: list[tuple[str, ...]] = list(table.values())
        found |= {(one, other) for some, others in combinations(groups, 2) for one in some for other in others}
    for state, goes in GOES_WITH.items():
        found |= {(one, other) for act in set(Act) - goes for one in STATES[state] for other in ACTS[act]}
    return frozenset(found)


def words_of(page: str) -> str:
    """The words of a page in one line, without those of scripts and drawings."""
    page = re.sub(r"<(script|style|svg)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return one_line(html.unescape(re.sub(r"<[^>]+>", " ", page)))


def one_line(text: str) -> str:
    return re.sub(r"\s+([.,;:)])", r"\1", " ".join(text.replace("\N{NO-BREAK SPACE}", " ").split()))


def pattern(sentence: str) -> re.Pattern[str]:
    """A sentence of the catalogue as it reads in the active language with its figures."""
    return _pattern(sentence, get_language() or "en")


@cache
def _pattern(sentence: str, language: str) -> re.Pattern[str]:
    step = sentence.removeprefix("Next: ")
    said = one_line(said_as(step))
    if step != sentence:
        said = f"{gettext('Next:')} {said}"
    parts = [re.escape(part) for part in re.split(r"\{\w+\}|%\(\w+\)s", said)]
    return re.compile(".{1,60}?".join(parts).removeprefix(".{1,60}?").removesuffix(".{1,60}?"))


def said_as(sentence: str) -> str:
    """A sentence of code or of a template, whose figures are written otherwise, in the active language."""
    of_code = gettext(sentence)
    return gettext(of_template(sentence)) if of_code == sentence else of_code


def of_template(sentence: str) -> str:
    return re.sub(r"\{(\w+)\}", r"%(\1)s", sentence)


@dataclass(frozen=True, slots=True)
class Told:
    """What was found of one roof in some words."""

    states: frozenset[State]
    acts: frozenset[Act]
    figures: frozenset[str]


def told_in(text: str) -> Told:
    """Every state, advice and figure of a roof that stands in some words, in the active language."""
    return Told(
        frozenset(state for state, said in STATES.items() if any(pattern(one).search(text) for one in said)),
        frozenset(act for act, said in ACTS.items() if any(pattern(one).search(text) for one in said)),
        frozenset(found[0] for one in FIGURES for found in pattern(one).finditer(text)),
    )


def contradictions(text: str) -> list[tuple[str, str]]:
    """The pairs of the table that stand in some words of one roof."""
    here = {one for pair in pairs() for one in pair if pattern(one).search(text)}
    return sorted((one, other) for one, other in pairs() if one in here and other in here)


def all_of(told: Recommendation) -> str:
    """Everything that may be said of a roof, in the active language."""
    said = (
        headline(told),
        why(told),
        advice(told),
        money_line(told),
        cost(told),
        loss_words(told),
        loss_in_a_row(told),
    )
    return one_line(" ".join(said))


def wrong_in(text: str, told: Recommendation) -> list[str]:
    """What some words about a roof say otherwise than its recommendation does."""
    found, right = told_in(text), all_of(told)
    wrong = [f"state {state}, not {told.state}" for state in found.states if state != told.state]
    wrong += [f"advice {act}, not {told.act}" for act in found.acts if act != told.act]
    wrong += [f"figure: {figure}" for figure in found.figures if figure not in right]
    wrong += [f"both: {one!r} and {other!r}" for one, other in contradictions(text)]
    return wrong
