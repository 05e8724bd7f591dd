"""Undo, against a model that knows no day blocks."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from portal.actions.imports.asked import undo_import
from portal.actions.imports.days import Counts
from portal.actions.imports.receive import ImportRefused
from portal.actions.imports.undo import roll_back
from portal.models import DayBefore, DayReadings, Import, ImportState, Meter, Night, NightState, unpack
from tests import factories
from tests.actions.exports import Rows, csv_text, days_rows, take_in
from tests.actions.imports.stored import counts, in_wh, state_of, stored, undone
from tests.factories import NOW

pytestmark = pytest.mark.django_db

FIRST = date(2026, 5, 4)


def test_undoing_the_only_import_leaves_nothing() -> None:
    meter = factories.meter()
    import_ = take_in(meter, csv_text(days_rows(FIRST, 2)))
    Night.objects.update(state=NightState.DONE)
    assert undone(import_).state == ImportState.UNDONE
    assert not DayReadings.objects.exists()
    assert not DayBefore.objects.exists()
    assert Night.objects.get().state == NightState.WAITING
    meter.refresh_from_db()
    assert meter.mapping is None


def test_undoing_gives_back_the_values_it_replaced() -> None:
    meter = factories.meter()
    take_in(meter, csv_text(days_rows(FIRST, 3)))
    before = state_of(meter)
    second = take_in(meter, csv_text(days_rows(FIRST + timedelta(days=1), 4, scale=0.9)))
    assert state_of(meter) != before
    undone(second)
    assert state_of(meter) == before


def test_undoing_beneath_a_later_import_keeps_what_the_later_one_brought() -> None:
    meter = factories.meter()
    first = take_in(meter, csv_text(days_rows(FIRST, 3)))
    second = take_in(meter, csv_text(days_rows(FIRST + timedelta(days=1), 2, scale=0.9)))
    # rounding makes some figures of the two alike, so arithmetic on the rows, not on the shape
    old, new = days_rows(FIRST + timedelta(days=1), 2), days_rows(FIRST + timedelta(days=1), 2, scale=0.9)
    same = sum(a[1] == b[1] for a, b in zip(old, new, strict=True))
    assert counts(second) == Counts(replaced=48 - same, unchanged=same)
    undone(first)
    second.refresh_from_db()
    assert counts(second) == Counts(new=48)
    assert stored(meter) == in_wh(new)
    undone(second)
    assert stored(meter) == {}


def test_undoing_the_first_of_two_equal_files_keeps_the_readings() -> None:
    meter = factories.meter()
    text = csv_text(days_rows(FIRST, 2))
    first, second = take_in(meter, text), take_in(meter, text)
    before = state_of(meter)
    undone(first)
    second.refresh_from_db()
    assert counts(second) == Counts(new=48)
    assert state_of(meter) == before


def test_an_import_is_undone_once() -> None:
    import_ = take_in(factories.meter(), csv_text(days_rows(FIRST, 2)))
    undone(import_)
    undone_at = Import.objects.get(pk=import_.pk).undone_at
    with pytest.raises(ImportRefused, match="Only a file that was read"):
        undo_import(import_=import_, user=None, now=NOW)
    assert roll_back(import_id=import_.pk, now=NOW).state == ImportState.UNDONE
    again = roll_back(import_id=import_.pk, now=NOW + timedelta(hours=1))
    assert again.undone_at == undone_at, "a message that comes twice changes nothing"
    stands = take_in(import_.meter, csv_text(days_rows(FIRST, 2)))
    assert roll_back(import_id=stands.pk, now=NOW).state == ImportState.DONE, "nobody asked for that"
    assert DayReadings.objects.filter(meter=import_.meter).count() == 2


Model = dict[date, tuple[int, dict[datetime, float]]]


def lay_over(known: Model, rows: Rows, minutes: int) -> Counts:
    """Do what an import does, by dicts of instants: the days a file holds over the days that are known."""
    new = same = replaced = aside = 0
    by_day: dict[date, dict[datetime, float]] = {}
    local = {moment.astimezone(UTC): moment.date() for moment, _ in rows}
    for moment, energy in in_wh(rows).items():
        by_day.setdefault(local[moment], {})[moment] = energy
    for day, found in by_day.items():
        held_minutes, held = known.get(day, (minutes, {}))
        if held and held_minutes != minutes:
            # whoever covers more of the day wins it whole; of two that cover the same, the finer
            if (len(found) * minutes, -minutes) > (len(held) * held_minutes, -held_minutes):
                replaced += len(found)
                known[day] = (minutes, dict(found))
            else:
                aside += len(found)
            continue
        new += sum(moment not in held for moment in found)
        same += sum(held.get(moment) == energy for moment, energy in found.items())
        replaced += sum(moment in held and held[moment] != energy for moment, energy in found.items())
        known[day] = (minutes, held | found)
    return Counts(new=new, unchanged=same, replaced=replaced, set_aside=aside)


def held_days(meter: Meter) -> dict[date, tuple[int, list[float]]]:
    """Every stored day: interval and its readings in order."""
    return {
        row.day: (row.interval_minutes, [float(value) for value in unpack(row.packed) if value == value])
        for row in DayReadings.objects.filter(meter=meter)
    }


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(
    files=st.lists(
        st.tuples(
            st.integers(0, 3),  # first day
            st.integers(1, 3),  # days
            st.sampled_from([1.0, 0.9, 0.8]),
            st.sampled_from([60, 60, 30]),  # minutes
            st.sets(st.integers(6, 60), max_size=8),  # readings left blank
        ),
        min_size=1,
        max_size=5,
    ),
    undo=st.lists(st.integers(0, 4), max_size=5, unique=True),
)
def test_whatever_is_undone_the_rest_is_as_if_it_had_never_been(
    files: list[tuple[int, int, float, int, set[int]]], undo: list[int]
) -> None:
    meter = factories.meter()
    sent: list[tuple[Import, Rows, int]] = []
    for first, count, scale, minutes, blank in files:
        rows = days_rows(FIRST + timedelta(days=first), count, scale=scale, minutes=minutes)
        rows = [(moment, None if number in blank else energy) for number, (moment, energy) in enumerate(rows)]
        sent.append((take_in(meter, csv_text(rows)), rows, minutes))
    for number in undo:
        if number < len(sent):
            undone(sent[number][0])
    known: Model = {}
    expected = [lay_over(known, rows, minutes) for number, (_, rows, minutes) in enumerate(sent) if number not in undo]
    ledgers = Import.objects.filter(meter=meter, state=ImportState.DONE).order_by("turn")
    assert [counts(import_) for import_ in ledgers] == expected
    assert held_days(meter) == {
        day: (minutes, [held[moment] for moment in sorted(held)]) for day, (minutes, held) in known.items()
    }
    # and the days before are such that everything can still be undone
    for import_ in ledgers:
        undone(import_)
    assert held_days(meter) == {}
    assert not DayBefore.objects.filter(changed_by__meter=meter).exists()


def test_an_import_stays_when_a_later_file_of_its_days_can_no_longer_be_read() -> None:
    meter = factories.meter()
    first = take_in(meter, csv_text(days_rows(FIRST, 3)))
    later = take_in(meter, csv_text(days_rows(FIRST + timedelta(days=1), 3, scale=0.9)))
    before = state_of(meter)
    Path(later.original.path).write_bytes(b"")
    undone(first)
    first.refresh_from_db()
    assert first.state == ImportState.DONE
    assert "Undo that one first" in first.warnings[-1]["text"]
    assert state_of(meter) == before
