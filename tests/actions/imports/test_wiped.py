"""Zeros, stuck figures and cut-off ends that would wipe production; the files are planted, the truth is the first."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest

from portal.models import Import, ImportState, Meter
from tests import factories
from tests.actions.exports import Rows, csv_text, days_rows, take_in
from tests.actions.imports.stored import in_wh, state_of, stored, undone
from tests.actions.imports.test_memory import answered

pytestmark = pytest.mark.django_db

FIRST = date(2026, 5, 1)


def with_zeros(rows: Rows, after: datetime) -> Rows:
    """A month's export of somebody who pressed the button in its midst: zeros to its end."""
    return [(at, energy if at < after else 0.0) for at, energy in rows]


def asked_about(meter: Meter, text: str) -> Import:
    before = state_of(meter)
    import_ = take_in(meter, text)
    assert [one["code"] for one in import_.questions] == ["zeros"], (import_.state, import_.problem)
    assert state_of(meter) == before
    return import_


@pytest.mark.parametrize("minutes", [15, 60])
def test_zeros_to_the_months_end_do_not_wipe_the_full_month(minutes: int) -> None:
    meter = factories.meter()
    month = days_rows(FIRST, 31, minutes=60)
    take_in(meter, csv_text(month))
    export = days_rows(FIRST, 31, minutes=minutes)
    cut = export[len(export) // 2][0].replace(hour=12)
    import_ = asked_about(meter, csv_text(with_zeros(export, cut)))
    assert "16 May 2026" in import_.questions[0]["text"]
    done = answered(import_, "zeros", "keep")
    assert done.state == ImportState.DONE
    if minutes == 60:
        assert stored(meter) == in_wh(month)
    # finer readings take the place of the coarser ones, the days with zeros do not
    assert sum(stored(meter).values()) == pytest.approx(sum(in_wh(month).values()), rel=0.01)
    assert "production_kept" in [one["code"] for one in done.warnings]
    undone(done)
    assert stored(meter) == in_wh(month)


def test_zeros_that_somebody_says_are_right_are_taken() -> None:
    meter = factories.meter()
    month = days_rows(FIRST, 10)
    take_in(meter, csv_text(month))
    off = with_zeros(month, month[5 * 24][0])
    assert answered(asked_about(meter, csv_text(off)), "zeros", "accept").state == ImportState.DONE
    assert stored(meter) == in_wh(off)
    # said of that file alone: another one's zeros are asked about again
    take_in(meter, csv_text(days_rows(FIRST + timedelta(days=10), 3)))
    asked_about(meter, csv_text(with_zeros(days_rows(FIRST + timedelta(days=10), 3), month[0][0])))


def test_a_stuck_figure_does_not_wipe_the_course_of_the_day() -> None:
    meter = factories.meter()
    rows = days_rows(FIRST, 4, minutes=15)
    take_in(meter, csv_text(rows))
    stuck = [(at, 0.3 if at.day == 3 and 7 <= at.hour < 17 else energy) for at, energy in rows]
    answered(asked_about(meter, csv_text(stuck)), "zeros", "keep")
    assert stored(meter) == in_wh(rows)


def test_a_file_that_ends_within_an_interval_does_not_halve_it() -> None:
    """Exported at 12:30 and sent after the whole day: its last hour is a half, all before it is the same."""
    meter = factories.meter()
    rows = days_rows(FIRST, 3)
    take_in(meter, csv_text(rows))
    until = rows[: 2 * 24 + 13]
    at, energy = until[-1]
    half = [*until[:-1], (at, round((energy or 0) / 2, 3))]
    answered(asked_about(meter, csv_text(half)), "zeros", "keep")
    assert stored(meter) == in_wh(rows)


def test_a_correction_that_leaves_production_is_taken_without_a_question() -> None:
    meter = factories.meter()
    take_in(meter, csv_text(days_rows(FIRST, 5)))
    corrected = days_rows(FIRST, 5, scale=0.6)
    assert take_in(meter, csv_text(corrected)).state == ImportState.DONE
    assert stored(meter) == in_wh(corrected)
