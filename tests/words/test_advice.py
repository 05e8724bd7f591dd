"""The one recommendation in sentences: each answer says what is so, in both languages, and nothing against it."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from django.utils.translation import override

from portal.pv.advice import Act, RainAhead, Range, State, WashToday
from portal.pv.recommend import Asked, Because, Fact, Reader, Recommendation
from portal.pv.result import Cause
from portal.pv.said import Code, Said
from portal.words import advice as words
from portal.words.figures import NBSP

TODAY = date(2026, 7, 10)
DIRTY = Recommendation(
    today=TODAY,
    state=State.DIRTY,
    act=Act.WASH,
    on=None,
    because=None,
    state_day=date(2026, 4, 2),
    cause=None,
    loss=Range(0.06, 0.083, 0.1),
    lost_a_month=Range(20.4, 27.0, 34.0),
    wash=WashToday(Range(60.0, 121.0, 204.0), 0.82, 85.0, 0.3, 141.0, 0.18),
    wash_too=False,
    rain=None,
    calendar_on=None,
    why=(),
    reasons=(),
    readings_until=TODAY - timedelta(days=1),
    booked_for=None,
    asked=None,
    currency="USD",
)
BY_RAIN = replace(
    DIRTY, act=Act.WAIT, on=date(2026, 9, 8), because=Because.RAIN, rain=RainAhead(0.7, 2, 3, futures=False)
)
CLEAN = replace(DIRTY, state=State.CLEAN, act=Act.WOULD_NOT_PAY, state_day=None, loss=Range(0.0, 0.004, 0.016))
FAULT = replace(DIRTY, state=State.NOT_DIRT, act=Act.LOOK, cause=Cause.STRING_LOSS, loss=None, lost_a_month=None)
SILENT = replace(
    DIRTY,
    state=State.NO_READINGS,
    act=Act.SEND_READINGS,
    state_day=date(2026, 6, 1),
    loss=None,
    lost_a_month=None,
    wash=None,
)
WASHED = replace(SILENT, state=State.JUST_WASHED, act=Act.WAIT, because=Because.RESULT, on=date(2026, 7, 24))
RAINED = replace(SILENT, state=State.RAINED, act=Act.WAIT, because=Because.CLEAR_DAYS, on=date(2026, 7, 14))
BLIND = replace(
    SILENT,
    state=State.CANNOT_TELL,
    state_day=None,
    calendar_on=date(2026, 9, 1),
    why=(Said(Code.FEW_DAYS, {"days": 25, "least_days": 45}),),
)
UNKNOWN = replace(SILENT, act=Act.TELL_FACTS, lacks=(Fact.PLACE, Fact.PLANES))
FIRST = replace(BLIND, act=Act.WAIT, because=Because.FIRST_LOOK, why=(), calendar_on=None)
UNSURE = replace(CLEAN, state=State.UNSURE, loss=Range(0.0, 0.03, 0.06))
ALL = {
    "dirty": DIRTY,
    "by rain": BY_RAIN,
    "clean": CLEAN,
    "fault": FAULT,
    "fault and dirt": replace(FAULT, loss=Range(0.06, 0.08, 0.1), lost_a_month=Range(20.4, 27.0, 34.0), wash_too=True),
    "likely dirty": replace(DIRTY, reasons=(Said(Code.DIRT_OR_MODULES),)),
    "silent": SILENT,
    "never any": replace(SILENT, state_day=None, readings_until=None),
    "washed": WASHED,
    "washed, no readings": replace(WASHED, act=Act.SEND_READINGS, because=None, on=None),
    "rained": RAINED,
    "blind": BLIND,
    "first": FIRST,
    "facts": UNKNOWN,
    "facts, readings there": replace(UNKNOWN, state=State.CANNOT_TELL, state_day=None),
    "never washed": replace(BLIND, ever_washed=False, calendar_on=None),
    "unsure": UNSURE,
    "not yet": replace(UNSURE, act=Act.WAIT, because=Because.NOT_YET, on=date(2026, 9, 8)),
    "booked": replace(DIRTY, booked_for=datetime(2026, 7, 12, 8, tzinfo=UTC)),
    "visit unnoted": replace(DIRTY, booked_for=datetime(2026, 7, 8, 8, tzinfo=UTC)),
    "asked": replace(DIRTY, asked=Asked.SOMETHING),
    "left in peace": replace(DIRTY, asked=Asked.PEACE),
}


@pytest.mark.parametrize(
    ("told", "headline", "advice"),
    [
        (DIRTY, "The panels are dirty.", "Wash now: by the readings, that is cheaper than waiting."),
        (
            BY_RAIN,
            "The panels are dirty.",
            (
                f"Wait until about 8 September 2026: rain usually takes about 70{NBSP}% of the dirt by then "
                "(half or more in 2 of 3 years on record)."
            ),
        ),
        (CLEAN, "The panels are clean enough.", "A wash would not pay at this price now."),
        (
            FAULT,
            "The panels make less, and it is not dirt. A wash will not mend it.",
            (
                "Have it looked at first. "
                "Ask your installer or a licensed electrician to check the fuses, connectors and inverter."
            ),
        ),
        (
            SILENT,
            "No readings since 1 June 2026, so nobody can tell how dirty the panels are now.",
            "Send the newest readings: then we can tell.",
        ),
        (
            WASHED,
            "Washed on 1 June 2026. What it gained is not known yet.",
            "Wait for the result: it is expected about 24 July 2026.",
        ),
        (
            BLIND,
            "The readings cannot tell yet.",
            (
                "Send the newest readings: then we can tell. "
                "By the calendar the next wash would be about 1 September 2026."
            ),
        ),
        (
            replace(BLIND, ever_washed=False),
            "The readings cannot tell yet.",
            (
                "Send the newest readings: then we can tell. No wash of these panels is known. "
                "By the calendar a first wash would be about 1 September 2026."
            ),
        ),
        (
            replace(BLIND, ever_washed=False, calendar_on=None),
            "The readings cannot tell yet.",
            "Send the newest readings: then we can tell. No wash of these panels is known.",
        ),
        (
            UNKNOWN,
            "No readings since 1 June 2026, so nobody can tell how dirty the panels are now.",
            (
                "First these facts about the roof are needed: where the roof is, tilt, direction and panels of a roof "
                "plane. Then send the newest readings."
            ),
        ),
    ],
)
def test_each_answer_says_how_it_stands_and_what_to_do(told: Recommendation, headline: str, advice: str) -> None:
    assert words.headline(told) == headline
    assert words.advice(told) == advice


def test_the_money_is_said_once_with_its_range_its_chance_and_what_would_turn_it() -> None:
    assert words.money_line(DIRTY) == (
        "Dirt costs about $27 a month (likely $20 to $34). "
        "A wash now costs $85.00 and would bring about $121 (likely $60 to $204) until rain does it free. "
        "It pays back in about 8 of 10 possible futures. "
        "The advice would change if a wash cost more than about $141, or a kWh were worth less than about $0.18."
    )


@pytest.mark.parametrize(
    ("pays_back", "said"),
    [
        (0.02, "It would hardly ever pay back."),
        (0.5, "It pays back in about 5 of 10 possible futures."),
        (0.98, "It would almost surely pay back."),
    ],
)
def test_a_chance_is_said_in_tenths_and_never_as_certain(pays_back: float, said: str) -> None:
    assert DIRTY.wash is not None
    assert said in words.money_line(replace(DIRTY, wash=replace(DIRTY.wash, pays_back=pays_back)))


def test_rain_that_takes_nearly_all_is_not_said_to_take_all() -> None:
    assert "nearly all of the dirt" in words.advice(replace(BY_RAIN, rain=RainAhead(0.999, 3, 3, futures=False)))
    assert "of 1 year on record" in words.advice(replace(BY_RAIN, rain=RainAhead(0.7, 1, 1, futures=False)))
    assert "of 10 possible futures" in words.advice(replace(BY_RAIN, rain=RainAhead(0.7, 7, 10, futures=True)))


def test_what_the_dirt_costs_beside_a_fault_stands_with_that_dirt_and_not_under_the_headline() -> None:
    both = ALL["fault and dirt"]
    assert (words.cost(both), words.money_line(both)) == ("", "")
    assert (words.loss_in_a_row(both), words.cost_in_a_row(both)) == ("", "")
    assert f"Besides, about 8{NBSP}% seems lost to dirt (likely 6{NBSP}% to 10{NBSP}%). Dirt costs" in words.why(both)


def everything(told: Recommendation) -> dict[str, str]:
    said = {
        "sign": words.sign(told).word,
        "headline": words.headline(told),
        "why": words.why(told),
        "advice": words.advice(told),
        "money": words.money_line(told),
        "row": words.in_a_row(told),
    }
    return said | {f"step of the {reader}": words.next_step(told, reader) for reader in Reader}


@pytest.mark.parametrize("told", ALL.values(), ids=ALL.keys())
def test_every_answer_is_whole_in_both_languages(told: Recommendation) -> None:
    english = everything(told)
    with override("es"):
        spanish = everything(told)
    for said in (english, spanish):
        assert all(said[part] for part in said if part not in ("why", "money")), said
        for sentence in said.values():
            assert not {"{", "}"} & set(sentence), sentence
            assert "  " not in sentence
            assert "None" not in sentence
    assert all(spanish[part] != english[part] for part in english if english[part]), (english, spanish)


AGAINST = {
    "Wash now: ": ("clean enough", "would not pay", "Wait ", "No readings since", "not known yet", "not dirt"),
    "The panels are dirty.": (
        "clean enough",
        "cannot tell",
        "No readings since",
        "not known yet",
        "too little is sure",
    ),
    "clean enough": ("The panels are dirty.", "Wash now: ", "cannot tell"),
    "not known yet": ("Wash now: ", "The panels are dirty.", "lost to dirt", "Dirt costs"),
    "No readings since": ("Wash now: ", "lost to dirt", "Dirt costs", "would bring"),
    "it is not dirt": ("Wash now: ", "The panels are dirty.", "would not pay at this price"),
}
"""Sentences that cannot both be true of one roof."""


@pytest.mark.parametrize("told", ALL.values(), ids=ALL.keys())
def test_no_two_sentences_of_an_answer_contradict(told: Recommendation) -> None:
    whole = " ".join(everything(told).values())
    for said, against in AGAINST.items():
        if said in whole:
            assert [one for one in against if one in whole] == [], (said, whole)


def test_each_cause_names_who_looks_at_it() -> None:
    for cause, reader in itertools.product(Cause, Reader):
        told = replace(FAULT, cause=cause)
        assert words.cause(told) in words.why(told)
        assert str(words.WHO_LOOKS[cause]) in words.advice(told)
        assert words.next_step(told, reader)
