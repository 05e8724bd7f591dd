"""What is remembered of a meter, against what its files say: the files are as loggers write them, a day at a time."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest

from portal.actions.imports.asked import answer_import
from portal.actions.imports.kept import mapping_of
from portal.actions.imports.waiting import work_on_import
from portal.models import DayReadings, Import, ImportState, Meter
from tests import factories
from tests.actions.exports import Rows, csv_text, days_rows, take_in
from tests.actions.imports.stored import in_wh, state_of, stored
from tests.factories import NOW

pytestmark = pytest.mark.django_db

DAY_FIRST, MONTH_FIRST = "%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M"


def logged(rows: Rows, form: str) -> str:
    return "Time;PV energy kWh\n" + "".join(f"{at.strftime(form)};{energy}\n" for at, energy in rows)


def answered(import_: Import, code: str, value: str | None = None) -> Import:
    """Answer one question, by its first choice unless told otherwise, and let the worker read the file."""
    choices = next(question["choices"] for question in import_.questions if question["code"] == code)
    mapping = mapping_of(import_.mapping or {}).answered(code, value or choices[0]["value"])
    answer_import(import_=import_, mapping=mapping, now=NOW)
    return worked_on(import_)


def worked_on(import_: Import) -> Import:
    work_on_import(import_id=import_.pk, now=NOW)
    return Import.objects.get(pk=import_.pk)


def days_held(meter: Meter) -> set[date]:
    return set(DayReadings.objects.filter(meter=meter).values_list("day", flat=True))


def test_an_order_that_no_date_shows_is_not_remembered_and_decided_backwards_by_the_first_clear_file() -> None:
    """A file a day, month first, from 5 May: 05/05 reads alike both ways, 05/06 to 05/12 are open, 05/13 is clear."""
    meter = factories.meter()
    rows = {day: days_rows(date(2025, 5, day), 1) for day in range(5, 14)}
    files = {day: take_in(meter, logged(rows[day], MONTH_FIRST)) for day in range(5, 13)}
    assert files[5].state == ImportState.DONE
    assert {files[day].state for day in range(6, 13)} == {ImportState.QUESTION}
    assert days_held(meter) == {date(2025, 5, 5)}
    assert take_in(meter, logged(rows[13], MONTH_FIRST)).state == ImportState.DONE
    for day in range(6, 13):
        assert worked_on(files[day]).state == ImportState.DONE
    assert stored(meter) == in_wh([row for day in rows.values() for row in day])


def test_an_answer_decides_the_order_of_all_open_files_and_is_remembered() -> None:
    meter = factories.meter()
    rows = {day: days_rows(date(2025, 5, day), 1) for day in (5, 6, 7, 8)}
    files = [take_in(meter, logged(rows[day], MONTH_FIRST)) for day in (5, 6, 7)]
    assert answered(files[1], "date_order", "mdy").state == ImportState.DONE
    assert worked_on(files[2]).state == ImportState.DONE
    assert take_in(meter, logged(rows[8], MONTH_FIRST)).state == ImportState.DONE
    assert stored(meter) == in_wh([row for day in rows.values() for row in day])


def test_a_file_whose_dates_contradict_the_remembered_order_is_asked_about_and_changes_nothing_before() -> None:
    """Forty days day first, then under the same header forty days month first, by somebody who changed a setting."""
    meter = factories.meter()
    first, then = days_rows(date(2025, 4, 1), 40), days_rows(date(2025, 5, 3), 40, scale=0.9)
    assert take_in(meter, logged(first, DAY_FIRST)).state == ImportState.DONE
    before = state_of(meter)
    other = take_in(meter, logged(then, MONTH_FIRST))
    assert [one["code"] for one in other.questions] == ["date_order"], (other.state, other.problem)
    assert "month comes first" in other.questions[0]["text"]
    assert state_of(meter) == before
    assert answered(other, "date_order").state == ImportState.DONE  # what the file shows is the first choice
    assert stored(meter) == in_wh(first) | in_wh(then)


def test_days_that_jump_away_from_the_record_are_asked_about_where_the_other_order_goes_on_from_it() -> None:
    meter = factories.meter()
    take_in(meter, logged(days_rows(date(2025, 4, 1), 35), DAY_FIRST))  # to 5 May
    sixth = days_rows(date(2025, 5, 6), 1)
    jumped = take_in(meter, logged(sixth, MONTH_FIRST))
    assert [one["code"] for one in jumped.questions] == ["date_order"], (jumped.state, jumped.problem)
    assert date(2025, 6, 5) not in days_held(meter)
    assert answered(jumped, "date_order").state == ImportState.DONE
    assert date(2025, 5, 6) in days_held(meter)
    after_a_pause = days_rows(date(2025, 8, 2), 3)
    assert take_in(meter, logged(after_a_pause, MONTH_FIRST)).state == ImportState.DONE


def test_many_rejected_lines_under_a_remembered_mapping_are_asked_about_with_the_first_of_them() -> None:
    meter = factories.meter()
    take_in(meter, logged(days_rows(date(2025, 4, 1), 20), DAY_FIRST))
    rows = days_rows(date(2025, 4, 21), 10)
    lines = logged(rows, DAY_FIRST).splitlines()
    broken = [line if number % 4 else line.replace(";", ";~") for number, line in enumerate(lines[1:])]
    import_ = take_in(meter, "\n".join([lines[0], *broken]))
    assert [one["code"] for one in import_.questions] == ["rejected"], (import_.state, import_.problem)
    assert "60 of 240 lines" in import_.questions[0]["text"]
    assert "line 2" in import_.questions[0]["text"]
    done = answered(import_, "rejected")
    assert (done.state, done.rows_rejected, done.readings_new) == (ImportState.DONE, 60, 180)


def test_figures_accepted_once_are_accepted_for_that_file_and_no_larger() -> None:
    meter = factories.meter()  # a 5 kW inverter
    first, second = days_rows(date(2025, 5, 4), 3), days_rows(date(2025, 5, 7), 3)

    def times(factor: int, rows: list[tuple[datetime, float | None]]) -> str:
        return csv_text([(at, None if energy is None else energy * factor) for at, energy in rows])

    import_ = take_in(meter, times(100, first))
    assert [one["code"] for one in import_.questions] == ["size"]
    accepted = answered(import_, "size")
    assert accepted.state == ImportState.DONE
    again = take_in(meter, times(100, second))
    assert [one["code"] for one in again.questions] == ["size"]
    # what was accepted of the first file does not stand for figures ten times larger in the same mapping
    larger = take_in(factories.meter(), times(1000, first))
    mapping = mapping_of(accepted.mapping or {})
    answer_import(import_=larger, mapping=mapping, now=NOW)
    assert worked_on(larger).state == ImportState.QUESTION


def test_a_pause_in_the_record_alone_is_no_question() -> None:
    meter = factories.meter()
    take_in(meter, logged(days_rows(date(2025, 4, 20), 5), DAY_FIRST))
    later = take_in(meter, logged(days_rows(date(2025, 4, 20) + timedelta(days=100), 2), DAY_FIRST))
    assert later.state == ImportState.DONE, later.questions
