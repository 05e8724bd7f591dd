"""Every code that `pv` can say has its sentence, with all figures that come with it; rows of before still speak."""

from __future__ import annotations

import ast
from dataclasses import asdict

import pandas as pd
import pytest

from portal.pv.daily import Refused
from portal.pv.said import Code, Said
from portal.words.figures import NBSP
from portal.words.sentences import PLURAL_BY, REFUSED_WORDS, SENTENCES, WRITTEN, paragraph, sentence, with_words
from tests.house import files, tree

DAY = "2026-03-05"
MONEY: dict[str, float | str] = {"wash_price": 85.0, "saved": 120.4, "currency": "USD"}
SAID: dict[Code, tuple[dict[str, float | str], str]] = {
    Code.FEW_DAYS: (
        {"days": 25, "least_days": 45},
        "The record holds 25 days; an estimate needs at least 45.",
    ),
    Code.FEW_CLEAR_DAYS: (
        {"clear_days": 1, "least_days": 20},
        "Only 1 day had enough clear sky; an estimate needs 20.",
    ),
    Code.NO_CLEAR_DAY: (
        {"days": 45},
        "There was no clear day in the last 45 days, so the present state cannot be told.",
    ),
    Code.METER_UNFIT: (
        {"unfit": 40, "days": 45},
        (
            "On 40 of the last 45 days the meter's figures stood still, jumped or were missing by day, so nothing can "
            "be judged by them. Check that the file comes from the same meter, in the same unit, as before."
        ),
    ),
    Code.OFF_WHEN_SNOW_CAN_LIE: (
        {"began": DAY},
        "Since 5 March 2026 there is almost no production, in a season when snow can lie.",
    ),
    Code.OFF: ({"began": DAY}, "Since 5 March 2026 there is no production by day."),
    Code.FELL: (
        {"began": DAY, "lost": 0.33},
        "From 5 March 2026 output is 33 % lower, at all hours alike.",
    ),
    Code.ROSE: (
        {"began": DAY, "gained": 0.33},
        "From 5 March 2026 output is 33 % higher than ever before, at all hours alike.",
    ),
    Code.JUST_FELL: (
        {"began": DAY, "lost": 0.33},
        "From 5 March 2026 output is 33 % lower, and fell in a day.",
    ),
    Code.NO_WASH_BROUGHT_IT_BACK: (
        {"washed": DAY, "loss": 0.081},
        "The wash of 5 March 2026 did not bring back the 8 % that were missing.",
    ),
    Code.LOW_SUN_LOST_IN_THE_MORNING: (
        {"height": 24.6},
        "With the sun lower than about 25 degrees, the morning yields far less than it should.",
    ),
    Code.LOW_SUN_LOST_IN_THE_AFTERNOON: (
        {"height": 24.6},
        "With the sun lower than about 25 degrees, the afternoon yields far less than it should.",
    ),
    Code.ESTIMATE: (
        {"loss": 0.083, "low": 0.016, "high": 0.12},
        "The estimate of the loss is 8 % (between 1.6 % and 12 %).",
    ),
    Code.DRIFTED_SINCE: (
        {"since": DAY},
        "Output has drifted down slowly since 5 March 2026, alike at all hours, as dirt does.",
    ),
    Code.COARSE_METER: (
        {"quantum_wh": 100.0, "block": 4},
        "The meter counts in steps of 100 Wh; its readings were taken 4 together.",
    ),
    Code.UNIT_CHANGED: (
        {"changes": 2},
        "The meter changed its unit 2 times; the readings were brought back to one unit.",
    ),
    Code.SHORT_RECORD: ({"least_days": 90}, "The record is shorter than 90 days."),
    Code.LOSS_ANYWHERE: ({"low": 0.01, "high": 0.19}, "The loss lies anywhere between 1.0 % and 19 %."),
    Code.CALENDAR_DUE_SINCE: (
        {"every_months": 12, "due": DAY},
        "So the calendar speaks: one wash every year, due since 5 March 2026.",
    ),
    Code.CALENDAR_NEXT: (
        {"every_months": 6, "due": DAY},
        "So the calendar speaks: one wash every 6 months, next about 5 March 2026.",
    ),
    Code.PAYS_NEVER: (
        {"wash_price": 100.0, "year_value": 175.2, "currency": "CHF"},
        (
            "In money alone it does not pay: it costs CHF 100, and all that the panels make in a year is worth about "
            "CHF 175."
        ),
    ),
    Code.PAYS_ABOVE: (
        {"wash_price": 100.0, "currency": "USD", "loss": 0.046},
        "It pays ($100) if it keeps more than about 5 % of a year's output; whether it does is not known.",
    ),
    Code.KEEPS_TOO_LITTLE_TODAY: (
        MONEY | {"saved": 0.3},
        (
            "A wash today ($85) would keep under $1 in two years, beyond what rain does for nothing: in money alone no "
            "wash is likely to pay within the coming year."
        ),
    ),
    Code.KEEPS_TOO_LITTLE: (
        MONEY | {"due": DAY},
        (
            "A wash about 5 March 2026 ($85) would keep about $120 in two years, beyond what rain does for nothing: in "
            "money alone no wash is likely to pay within the coming year."
        ),
    ),
    Code.CHEAPER_TODAY: (
        MONEY,
        (
            "From today a wash ($85) is cheaper than waiting: it keeps about $120 in the two years after it, beyond "
            "what rain does for nothing."
        ),
    ),
    Code.CHEAPER_FROM: (
        MONEY | {"due": DAY},
        (
            "From about 5 March 2026 a wash ($85) is cheaper than waiting: it keeps about $120 in the two years after "
            "it, beyond what rain does for nothing."
        ),
    ),
    Code.SEEN_OTHERWISE: (
        {"tilt": 34, "azimuth": 140, "told_tilt": 20, "told_azimuth": 180},
        (
            "On clear days the modules look tilted by 34° and facing south-east (140°), not 20° and south (180°) as "
            "told. The estimate goes by what the readings show; please check the roof's facts."
        ),
    ),
    Code.IN_THE_LONG_RUN: ({"every_months": 1}, "In the long run, about every month."),
}
"""The codes that come with figures: an example of them, and the sentence in full."""


def figures_of(code: Code) -> set[str]:
    return set(SAID[code][0]) - {"currency"} if code in SAID else set()


@pytest.mark.parametrize("code", Code)
def test_every_code_has_its_sentence_and_every_figure_is_written(code: Code) -> None:
    said = Said(code, SAID[code][0] if code in SAID else {})
    told = sentence(said).replace(NBSP, " ")
    assert told == sentence(asdict(said)).replace(NBSP, " ")
    assert "{" not in told
    assert told[-1] == "."
    assert told == (SAID[code][1] if code in SAID else str(SENTENCES[code]))


def test_no_sentence_and_no_figure_is_idle() -> None:
    assert set(SENTENCES) == set(Code)
    assert set().union(*map(figures_of, Code)) == set(WRITTEN) | set(PLURAL_BY)
    for code, (figures, _) in SAID.items():
        for name in figures_of(code):
            with pytest.raises((KeyError, IndexError)):  # the latter where a plural lacks its number
                sentence(Said(code, {key: value for key, value in figures.items() if key != name}))


def test_every_code_is_said_somewhere() -> None:
    said = {
        node.attr
        for path in files("portal/pv", "portal/actions")
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Attribute) and getattr(node.value, "id", "") == "Code"
    }
    assert said == {code.name for code in Code}


def test_figures_are_said_as_the_code_is_told_with_them() -> None:
    """What `pv` hands over beside a code, as written there, is what its sentence takes."""
    for path in files("portal/pv"):
        for node in ast.walk(tree(path)):
            if not (isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Said" and len(node.args) == 2):
                continue
            code, figures = node.args
            if isinstance(code, ast.Attribute) and isinstance(figures, ast.Dict):
                keys = {key.value for key in figures.keys if isinstance(key, ast.Constant)}
                assert keys == figures_of(Code[code.attr]), f"{path}:{node.lineno}"


def test_what_rows_of_before_say_is_said_as_it_stands() -> None:
    assert sentence("Output fell {steadily} since 05 March.") == "Output fell {steadily} since 05 March."
    assert paragraph(["It pays.", Said(Code.CLEAN_ENOUGH)]) == "It pays. The modules are clean enough."


def test_every_day_left_out_has_words_and_tables_of_before_keep_theirs() -> None:
    assert set(REFUSED_WORDS) == set(Refused)
    daily = pd.DataFrame({"used": [True, False, False], "refused": ["", "cloud", "clouds all day"]})
    assert with_words(daily)["refused"].tolist() == ["", "too cloudy", "clouds all day"]
