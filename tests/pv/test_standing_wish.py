"""Standing wishes: seasons as meteorology counts them, and never a word against the one recommendation."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from portal.pv.advice import Act, State
from portal.pv.recommend import Because, Recommendation, Since
from portal.pv.standing_wish import Heard, Rhythm, hear, next_asked_for
from tests.pv.test_recommend import BLIND, DIRTY, FAULTY, SINCE, TODAY, TOLD_TO_WAIT, told

ASKED = date(2024, 7, 1)


def spring(today: date, *, settled_on: date | None = None, latitude: float = 48.0) -> date:
    return next_asked_for(Rhythm.SPRING, latitude=latitude, since=ASKED, settled_on=settled_on, today=today)


# Spring: March to May in the north, September to November in the south,
# doi:10.1175/1520-0477(1983)064<1276:WATS>2.0.CO;2
@pytest.mark.parametrize(
    ("today", "settled_on", "latitude", "on"),
    [
        (date(2026, 1, 10), None, 48.0, date(2026, 3, 1)),
        (date(2026, 4, 10), None, 48.0, date(2026, 3, 1)),  # it goes on
        (date(2026, 6, 1), None, 48.0, date(2027, 3, 1)),  # it is over
        (date(2026, 4, 10), date(2026, 3, 20), 48.0, date(2027, 3, 1)),
        (date(2026, 3, 10), date(2026, 2, 10), 48.0, date(2027, 3, 1)),  # a wash in February is that spring's
        (date(2026, 3, 10), date(2025, 11, 10), 48.0, date(2026, 3, 1)),
        (date(2026, 2, 1), date(2026, 1, 15), 48.0, date(2027, 3, 1)),  # midwinter
        (date(2026, 2, 1), date(2026, 1, 14), 48.0, date(2026, 4, 14)),  # before it: spring's comes a season later
        (date(2026, 2, 1), date(2025, 12, 1), 48.0, date(2026, 3, 1)),
        (date(2026, 8, 1), date(2026, 7, 18), -33.0, date(2027, 9, 1)),
        (date(2026, 8, 1), date(2026, 7, 17), -33.0, date(2026, 10, 17)),
        (date(2026, 4, 10), None, -33.0, date(2026, 9, 1)),
        (date(2026, 12, 1), None, -33.0, date(2027, 9, 1)),
    ],
)
def test_spring_by_hemisphere(today: date, settled_on: date | None, latitude: float, on: date) -> None:
    assert spring(today, settled_on=settled_on, latitude=latitude) == on


@given(washed=st.dates(date(2025, 1, 1), date(2029, 1, 1)), north=st.booleans())
def test_who_washes_each_spring_washes_in_spring_once_a_year_and_never_twice_in_a_season(
    washed: date, north: bool
) -> None:
    latitude = 48.0 if north else -33.0
    following = spring(washed, settled_on=washed, latitude=latitude)
    assert following.month in ((3, 4, 5) if north else (9, 10, 11))
    assert timedelta(days=89) <= following - washed <= timedelta(days=411)  # three months; a year and half a winter
    assert spring(following, settled_on=following, latitude=latitude).year == following.year + 1


def test_once_and_twice_a_year_count_from_the_last_wash_else_from_when_it_was_asked_for() -> None:
    def on(rhythm: Rhythm, settled_on: date | None) -> date:
        return next_asked_for(rhythm, latitude=48.0, since=ASKED, settled_on=settled_on, today=TODAY)

    assert on(Rhythm.YEARLY, date(2025, 8, 31)) == date(2026, 8, 31)
    assert on(Rhythm.TWICE, date(2025, 8, 31)) == date(2026, 2, 28)
    assert on(Rhythm.TWICE, None) == ASKED


def heard(told: Recommendation, asked_for: date) -> tuple[Heard, date | None]:
    wish = hear(Rhythm.YEARLY, asked_for, told)
    assert wish.asked_for == asked_for
    return wish.heard, wish.on


def test_the_readings_may_move_it() -> None:
    past, ahead = TODAY - timedelta(days=20), TODAY + timedelta(days=50)
    waits = told(TOLD_TO_WAIT)
    assert waits.on is not None
    assert heard(waits, past) == (Heard.CAN_WAIT, waits.on)
    assert heard(waits, waits.on + timedelta(days=1)) == (Heard.AS_ASKED, waits.on + timedelta(days=1))
    assert heard(told(DIRTY), past) == (Heard.AS_ASKED, past)
    assert heard(told(DIRTY), ahead) == (Heard.SOONER, TODAY)
    assert heard(told(replace(DIRTY, act=Act.WOULD_NOT_PAY)), past) == (Heard.NO_NEED, past)
    assert heard(told(FAULTY), past) == (Heard.LOOK_FIRST, None)
    # where the readings cannot say, their word stands
    assert heard(told(BLIND), past) == (Heard.AS_ASKED, past)
    assert heard(told(None, None, Since(TODAY, None)), past) == (Heard.AS_ASKED, past)
    rained = replace(SINCE, rain=((TODAY - timedelta(days=1), 12.0),))
    fell = told(since=rained)
    assert fell.state == State.RAINED
    assert heard(fell, past) == (Heard.CAN_WAIT, fell.on)


@given(
    act=st.sampled_from([Act.WASH, Act.WAIT, Act.WOULD_NOT_PAY, Act.LOOK]),
    state=st.sampled_from([State.DIRTY, State.CLEAN, State.UNSURE, State.NOT_DIRT]),
    days=st.integers(-400, 400),
    on=st.none() | st.integers(1, 300),
)
def test_it_is_never_due_against_what_every_page_says(act: Act, state: State, days: int, on: int | None) -> None:
    act = Act.LOOK if state == State.NOT_DIRT else Act.WAIT if act == Act.LOOK else act
    day = TODAY + timedelta(days=on) if on is not None and act == Act.WAIT else None
    said = told(replace(DIRTY, act=act, state=state, on=day))
    wish = hear(Rhythm.SPRING, TODAY + timedelta(days=days), said)
    if wish.due(TODAY):
        assert said.state != State.NOT_DIRT
        assert not (said.because in (Because.RAIN, Because.NOT_YET) and said.on is not None and said.on > TODAY)
        assert wish.heard == Heard.NO_NEED or said.act == Act.WASH
    elif said.act == Act.WASH:
        pytest.fail("a wash that pays now is due whatever day they asked for")
