"""The one recommendation: what happened since an assessment, joined with what it advised."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from portal.pv.advice import Act, Advised, RainAhead, Range, State, WashToday
from portal.pv.recommend import (
    LONGEST_RESULT,
    OLD_AFTER,
    OLD_RESULT,
    Asked,
    Because,
    Fact,
    Found,
    Reader,
    Recommendation,
    Since,
    Step,
    recommend,
)
from portal.pv.result import Cause
from portal.pv.said import Code, Said

TODAY = date(2026, 7, 10)
WASH = WashToday(Range(60.0, 120.0, 200.0), 0.8, 85.0, 0.3, 140.0, 0.18)
DIRTY = Advised(
    as_of=TODAY - timedelta(days=1),
    state=State.DIRTY,
    act=Act.WASH,
    on=None,
    wash_too=False,
    wash=WASH,
    rain=None,
    why=(),
    calendar_on=None,
    last_clear=TODAY - timedelta(days=3),
    clear_share=0.5,
    days_to_wash=(0.0,) * 10,
)
TOLD_TO_WAIT = replace(
    DIRTY,
    act=Act.WAIT,
    on=TODAY + timedelta(days=60),
    rain=RainAhead(0.7, 6, 7, futures=False),
    days_to_wash=(60.0,) * 10,
)
NOT_WORTH_IT = replace(DIRTY, state=State.CLEAN, act=Act.WOULD_NOT_PAY)
FAULTY = replace(DIRTY, state=State.NOT_DIRT, act=Act.LOOK)
BLIND = replace(DIRTY, state=State.CANNOT_TELL, act=Act.WAIT, wash=None, calendar_on=date(2026, 9, 1), days_to_wash=())
FOUND = Found(Range(0.06, 0.08, 0.1), Range(20.0, 27.0, 34.0), None, date(2026, 4, 2), ())
SINCE = Since(today=TODAY, readings_until=TODAY - timedelta(days=1))


def told(advised: Advised | None = DIRTY, found: Found | None = FOUND, since: Since = SINCE) -> Recommendation:
    return recommend(advised, found, since, currency="USD")


def days_ago(days: int) -> date:
    return TODAY - timedelta(days=days)


@pytest.mark.parametrize(
    ("since", "state", "act", "because"),
    [
        (SINCE, State.DIRTY, Act.WASH, None),
        # A wash weighs more than what the readings said before it, until its result is told.
        (replace(SINCE, washed_on=days_ago(2), result_told=False), State.JUST_WASHED, Act.WAIT, Because.RESULT),
        (replace(SINCE, washed_on=days_ago(2), result_told=True), State.DIRTY, Act.WASH, None),
        # Its result stays away for want of readings: they are asked for, and at last nobody waits any more.
        (
            replace(SINCE, washed_on=days_ago(35), result_told=False, readings_until=days_ago(34)),
            State.JUST_WASHED,
            Act.SEND_READINGS,
            None,
        ),
        (
            replace(SINCE, washed_on=days_ago(61), result_told=False, readings_until=days_ago(61)),
            State.NO_READINGS,
            Act.SEND_READINGS,
            None,
        ),
        # Rain after the last day that could be judged: 5 mm within days count (doi:10.1109/WCPEC.2006.279690).
        (replace(SINCE, rain=((days_ago(2), 3.0), (days_ago(1), 2.0))), State.RAINED, Act.WAIT, Because.CLEAR_DAYS),
        (replace(SINCE, rain=((days_ago(2), 3.0), (days_ago(1), 1.9))), State.DIRTY, Act.WASH, None),
        (replace(SINCE, rain=((days_ago(3), 50.0),)), State.DIRTY, Act.WASH, None),
        # Without its facts nothing can be judged, whatever the readings are or said before.
        (replace(SINCE, lacks=(Fact.PLANES,)), State.CANNOT_TELL, Act.TELL_FACTS, None),
        (replace(SINCE, lacks=(Fact.PLANES,), readings_until=None), State.NO_READINGS, Act.TELL_FACTS, None),
        (
            replace(SINCE, lacks=(Fact.PLACE,), washed_on=days_ago(2), result_told=False),
            State.JUST_WASHED,
            Act.TELL_FACTS,
            None,
        ),
        # Readings that stopped end everything.
        (replace(SINCE, readings_until=days_ago(21)), State.DIRTY, Act.WASH, None),
        (replace(SINCE, readings_until=days_ago(22)), State.NO_READINGS, Act.SEND_READINGS, None),
    ],
)
def test_what_happened_since_weighs_more_than_what_was_said_before(
    since: Since, state: State, act: Act, because: Because | None
) -> None:
    answer = told(since=since)
    assert (answer.state, answer.act, answer.because) == (state, act, because)


def test_a_fault_is_told_through_wash_and_rain() -> None:
    since = replace(SINCE, washed_on=days_ago(2), result_told=False, rain=((days_ago(1), 30.0),))
    answer = told(FAULTY, replace(FOUND, cause=Cause.STRING_LOSS), since)
    assert (answer.state, answer.act, answer.cause) == (State.NOT_DIRT, Act.LOOK, Cause.STRING_LOSS)
    assert answer.due_on is None
    assert answer.step(Reader.OFFICE) == Step.REFER


def test_a_result_is_expected_after_eight_clear_days_and_a_month_at_most() -> None:
    washed = replace(SINCE, washed_on=days_ago(2), result_told=False)
    assert told(since=washed).on == days_ago(2) + timedelta(days=16)  # every other day is clear
    dark = replace(DIRTY, clear_share=0.0)
    assert told(dark, since=washed).on == days_ago(2) + LONGEST_RESULT
    assert told(None, None, washed).on == days_ago(2) + LONGEST_RESULT


def test_clear_days_after_rain_are_expected_in_no_past() -> None:
    rained = replace(SINCE, readings_until=days_ago(20), rain=((days_ago(19), 12.0),))
    long_seen = replace(DIRTY, last_clear=days_ago(20))
    assert told(long_seen, since=rained).on == TODAY


@pytest.mark.parametrize(
    ("share", "because"),
    [(0.7, Because.RAIN), (0.2, Because.RAIN), (0.19, Because.NOT_YET)],
)
def test_rain_is_the_reason_to_wait_only_where_it_takes_much(share: float, because: Because) -> None:
    answer = told(replace(TOLD_TO_WAIT, rain=RainAhead(share, 1, 4, futures=False)))
    assert (answer.act, answer.because) == (Act.WAIT, because)
    assert (answer.rain is not None) == (because == Because.RAIN)
    assert answer.due_on == TODAY + timedelta(days=60)


@pytest.mark.parametrize(("pays_back", "act"), [(0.6, Act.WASH), (0.59, Act.WOULD_NOT_PAY)])
def test_a_day_that_has_come_since_is_no_day_to_wait_for(pays_back: float, act: Act) -> None:
    come = replace(TOLD_TO_WAIT, on=TODAY, wash=replace(WASH, pays_back=pays_back))
    answer = told(come)
    assert (answer.act, answer.on, answer.because) == (act, None, None)
    assert (answer.due_on == TODAY) == (act == Act.WASH)


def test_without_an_assessment_the_first_look_is_waited_for_or_readings_are_asked_for() -> None:
    assert told(None, None).because == Because.FIRST_LOOK
    nothing = told(None, None, replace(SINCE, readings_until=None, calendar_on=date(2026, 8, 1)))
    assert (nothing.state, nothing.act, nothing.due_on) == (State.NO_READINGS, Act.SEND_READINGS, date(2026, 8, 1))


def test_a_look_at_no_readings_is_not_called_readings_that_cannot_tell() -> None:
    nothing = replace(SINCE, readings_until=None)
    answer = told(replace(BLIND, act=Act.SEND_READINGS), said(Code.NO_READINGS), nothing)
    assert (answer.state, answer.act, answer.reasons) == (State.NO_READINGS, Act.SEND_READINGS, ())


def test_where_readings_cannot_tell_the_calendar_gives_the_day() -> None:
    answer = told(BLIND, replace(FOUND, loss=None, lost_a_month=None))
    assert (answer.state, answer.because, answer.due_on) == (State.CANNOT_TELL, Because.CLEAR_DAYS, date(2026, 9, 1))


def test_a_booked_visit_changes_what_is_next_and_not_what_is_so() -> None:
    booked = told(since=replace(SINCE, booked_for=datetime(2026, 7, 12, 8, tzinfo=UTC)))
    assert (booked.state, booked.act) == (State.DIRTY, Act.WASH)
    assert booked.step(Reader.HOMEOWNER) == Step.NOTHING
    assert booked.step(Reader.OFFICE) == Step.NOTHING, "nobody has been there who found something"
    assert booked.step(Reader.TECHNICIAN) == Step.READ_FINDINGS


BOOKED = datetime(2026, 7, 12, 8, tzinfo=UTC)
TODAY_AT_8 = datetime(2026, 7, 10, 8, tzinfo=UTC)


@pytest.mark.parametrize(
    ("advised", "since", "homeowner", "office"),
    [
        (DIRTY, SINCE, Step.ASK_FOR_WASH, Step.CALL_CUSTOMER),
        # Who has asked is not told to ask again, and whom they asked is told to answer.
        (DIRTY, replace(SINCE, asked=Asked.SOMETHING), Step.WAIT_FOR_FIRM, Step.ANSWER),
        (DIRTY, replace(SINCE, asked=Asked.SOMETHING, booked_for=BOOKED), Step.WAIT_FOR_FIRM, Step.ANSWER),
        (TOLD_TO_WAIT, replace(SINCE, asked=Asked.SOMETHING), Step.WAIT_FOR_FIRM, Step.ANSWER),
        # A standing wish that is due is called about, and its owner knows that the firm knows.
        (DIRTY, replace(SINCE, asked=Asked.WISH), Step.WAIT_FOR_FIRM, Step.CALL_CUSTOMER),
        (NOT_WORTH_IT, replace(SINCE, asked=Asked.WISH), Step.WAIT_FOR_FIRM, Step.CALL_CUSTOMER),
        (NOT_WORTH_IT, replace(SINCE, asked=Asked.WISH, booked_for=BOOKED), Step.NOTHING, Step.NOTHING),
        (TOLD_TO_WAIT, replace(SINCE, asked=Asked.WISH), Step.NOTHING, Step.NOTHING),
        (FAULTY, replace(SINCE, asked=Asked.WISH), Step.CALL_ELECTRICIAN, Step.REFER),
        # Who wants to be left alone is neither called nor told to ask.
        (DIRTY, replace(SINCE, asked=Asked.PEACE), Step.NOTHING, Step.NOTHING),
        # A fault and missing readings are for the owner to act on, whatever they asked of the firm.
        (FAULTY, replace(SINCE, asked=Asked.SOMETHING), Step.CALL_ELECTRICIAN, Step.ANSWER),
        (FAULTY, replace(SINCE, booked_for=BOOKED), Step.CALL_ELECTRICIAN, Step.REFER),
        (FAULTY, replace(SINCE, asked=Asked.PEACE), Step.CALL_ELECTRICIAN, Step.REFER),
        (
            DIRTY,
            replace(SINCE, readings_until=days_ago(40), asked=Asked.PEACE),
            Step.SEND_READINGS,
            Step.ASK_FOR_READINGS,
        ),
        (DIRTY, replace(SINCE, lacks=(Fact.INVERTER,)), Step.TELL_FACTS, Step.ENTER_FACTS),
        # A visit whose day is over stays one until somebody notes what came of it.
        (DIRTY, replace(SINCE, booked_for=TODAY_AT_8 - timedelta(days=1)), Step.NOTHING, Step.NOTE_VISIT),
        (DIRTY, replace(SINCE, booked_for=TODAY_AT_8), Step.NOTHING, Step.NOTHING),
    ],
)
def test_what_is_next_follows_what_the_owner_asked(
    advised: Advised, since: Since, homeowner: Step, office: Step
) -> None:
    answer = told(advised, since=since)
    assert (answer.step(Reader.HOMEOWNER), answer.step(Reader.OFFICE)) == (homeowner, office)


def said(*codes: Code) -> Found:
    return replace(FOUND, reasons=tuple(Said(code) for code in codes))


def test_a_verdict_that_speaks_against_washing_is_no_reason_for_a_wash() -> None:
    for code in (Code.CLEAN_ENOUGH, Code.TOO_UNSURE):
        assert told(found=said(Code.ESTIMATE, code)).reasons == (Said(Code.ESTIMATE),)
        waits = replace(DIRTY, state=State.UNSURE, act=Act.WOULD_NOT_PAY)
        assert told(waits, said(Code.ESTIMATE, code)).reasons == (Said(Code.ESTIMATE), Said(code))
        # the day has come since: what was unsure then is worth a wash by now
        come = replace(TOLD_TO_WAIT, state=State.UNSURE, on=TODAY)
        assert told(come, said(code)).reasons == ()


def test_what_may_be_dirt_or_not_is_never_called_just_dirty() -> None:
    for code in (Code.DIRT_OR_MODULES, Code.FIRST_HALF_YEAR):
        answer = told(found=said(Code.ESTIMATE, code))
        assert answer.only_likely
        assert Said(code) in answer.reasons
    assert not told(found=said(Code.ESTIMATE, Code.DRIFTED)).only_likely


def test_who_cannot_tell_names_no_figure() -> None:
    answer = told(replace(BLIND, calendar_on=None), FOUND)
    assert (answer.loss, answer.lost_a_month, answer.wash) == (None, None, None)


def test_under_a_fault_a_loss_that_may_be_nothing_is_not_told() -> None:
    faint = replace(FOUND, loss=Range(0.0, 0.02, 0.04), cause=Cause.STRING_LOSS)
    assert (told(FAULTY, faint).loss, told(FAULTY, faint).lost_a_month) == (None, None)
    assert told(FAULTY, FOUND).loss == FOUND.loss
    assert told(DIRTY, faint).loss == faint.loss


ADVICE = st.sampled_from(
    [None, DIRTY, TOLD_TO_WAIT, FAULTY, BLIND, replace(DIRTY, state=State.CLEAN, act=Act.WOULD_NOT_PAY)]
)
DAYS_AGO = st.integers(0, 120)


@given(
    ADVICE,
    st.none() | DAYS_AGO,
    st.none() | DAYS_AGO,
    st.booleans(),
    st.lists(st.tuples(DAYS_AGO, st.floats(0.0, 80.0)), max_size=3),
    st.booleans(),
    st.booleans(),
)
def test_no_answer_contradicts_itself(
    advised: Advised | None,
    readings: int | None,
    washed: int | None,
    result_told: bool,
    rain: list[tuple[int, float]],
    calendar: bool,
    lacks: bool,
) -> None:
    since = Since(
        today=TODAY,
        readings_until=None if readings is None else days_ago(readings),
        washed_on=None if washed is None else days_ago(washed),
        result_told=result_told,
        rain=tuple((days_ago(days), mm) for days, mm in rain),
        calendar_on=date(2026, 9, 1) if calendar else None,
        lacks=(Fact.PLANES,) if lacks else (),
    )
    answer = told(advised, FOUND if advised else None, since)
    assert (answer.act == Act.WAIT) == (answer.because is not None)
    assert answer.on is None or answer.on >= TODAY
    assert (answer.act == Act.WASH) == (answer.due_on == TODAY)
    assert answer.act != Act.WASH or answer.state == State.DIRTY
    assert (answer.act == Act.LOOK) == (answer.state == State.NOT_DIRT)
    assert (answer.act == Act.TELL_FACTS) == lacks
    assert answer.ever_washed == (washed is not None)
    if not answer.readings_speak:  # then no figure of before is shown beside it
        assert (answer.loss, answer.lost_a_month, answer.wash, answer.rain) == (None, None, None, None)
        assert answer.reasons == ()
    if answer.state == State.NO_READINGS and readings is not None:
        assert timedelta(days=readings) > OLD_AFTER
    if answer.state == State.JUST_WASHED:
        assert washed is not None
        assert timedelta(days=washed) <= OLD_RESULT
        assert not result_told
