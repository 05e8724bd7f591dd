"""Asking, correcting, remembering."""

from __future__ import annotations

from datetime import date

import pytest

from portal.actions.imports.asked import answer_import, read_differently
from portal.actions.imports.days import Counts
from portal.actions.imports.kept import mapping_of
from portal.actions.imports.receive import ImportRefused
from portal.actions.imports.waiting import work_on_import
from portal.models import DayReadings, ImportState
from tests import factories
from tests.actions.exports import csv_text, days_rows, take_in
from tests.actions.imports.stored import counts, in_wh, stored
from tests.factories import NOW

pytestmark = pytest.mark.django_db

FIRST = date(2026, 5, 4)


def ambiguous_dates() -> str:
    """Days and months that could be either, from a file whose header names no unit-free column."""
    lines = ["Date;Energy kWh"]
    for day in range(1, 9):
        for hour in range(24):
            energy = max(0.0, 3 - abs(hour + 0.5 - 12) / 2)
            lines.append(f"{day:02d}/{5 + day % 4:02d}/2025 {hour:02d}:00;{energy:.2f}")
    return "\n".join(lines)


def test_a_file_that_leaves_a_doubt_asks_and_the_answer_is_remembered() -> None:
    meter = factories.meter()
    text = ambiguous_dates()
    import_ = take_in(meter, text)
    assert import_.state == ImportState.QUESTION, (import_.state, import_.problem)
    assert "date_order" in [question["code"] for question in import_.questions]
    assert not DayReadings.objects.exists()
    mapping = mapping_of(import_.mapping or {})
    for question in import_.questions:
        value = "dmy" if question["code"] == "date_order" else question["choices"][0]["value"]
        mapping = mapping.answered(question["code"], value)
    answer_import(import_=import_, mapping=mapping, now=NOW)
    work_on_import(import_id=import_.pk, now=NOW)
    import_.refresh_from_db()
    assert import_.state == ImportState.DONE, import_.problem
    assert counts(import_).new == 8 * 24
    assert DayReadings.objects.filter(meter=meter, day=date(2025, 6, 1)).exists()  # 01/06/2025, day first
    other = take_in(meter, text + "\n")
    assert other.state == ImportState.DONE
    assert counts(other) == Counts(unchanged=8 * 24)


def test_of_files_built_alike_one_is_asked_about() -> None:
    """A file a day, sent together: each day alone may be read either way round, until one has been answered."""
    meter = factories.meter()
    days = [days_rows(date(2026, 5, day), 1) for day in (2, 3, 4, 13)]
    files = ["Date;PV energy kWh\n" + "".join(f"{at:%d/%m/%Y %H:%M};{e}\n" for at, e in rows) for rows in days]
    one, two, three = (take_in(meter, text) for text in files[:3])
    assert {one.state, two.state, three.state} == {ImportState.QUESTION}
    answer_import(import_=one, mapping=mapping_of(one.mapping or {}).answered("date_order", "dmy"), now=NOW)
    work_on_import(import_id=one.pk, now=NOW)
    for waiting in (two, three):
        waiting.refresh_from_db()
        assert waiting.state == ImportState.PENDING
        work_on_import(import_id=waiting.pk, now=NOW)
        waiting.refresh_from_db()
        assert waiting.state == ImportState.DONE, waiting.problem
    assert set(DayReadings.objects.values_list("day", flat=True)) == {date(2026, 5, day) for day in (2, 3, 4)}


def test_a_doubt_about_the_figures_is_not_answered_by_another_file() -> None:
    meter = factories.meter()
    rows = days_rows(FIRST, 3)
    absurd = take_in(meter, csv_text([(at, None if e is None else e * 1000) for at, e in rows]))
    assert [question["code"] for question in absurd.questions] == ["size"]
    assert take_in(meter, csv_text(rows)).state == ImportState.DONE
    absurd.refresh_from_db()
    assert absurd.state == ImportState.QUESTION


def test_an_answered_import_takes_no_second_answer() -> None:
    import_ = take_in(factories.meter(), csv_text(days_rows(FIRST, 2)))
    assert import_.mapping
    with pytest.raises(ImportRefused):
        answer_import(import_=import_, mapping=mapping_of(import_.mapping), now=NOW)


def test_a_unit_that_makes_the_roof_a_power_station_is_asked_about_before_anything_is_stored() -> None:
    meter = factories.meter()  # a 5 kW inverter
    rows = days_rows(FIRST, 4)
    text = csv_text((moment, None if energy is None else energy * 1000) for moment, energy in rows)  # Wh under "kWh"
    import_ = take_in(meter, text)
    assert (import_.state, [one["code"] for one in import_.questions]) == (ImportState.QUESTION, ["size"])
    assert import_.preview
    assert not DayReadings.objects.exists()
    mapping = mapping_of(import_.mapping or {})
    answer_import(import_=import_, mapping=mapping, now=NOW)  # without a word about it: asked again
    work_on_import(import_id=import_.pk, now=NOW)
    import_.refresh_from_db()
    assert import_.state == ImportState.QUESTION
    answer_import(import_=import_, mapping=mapping.answered("unit", "Wh"), now=NOW)
    work_on_import(import_id=import_.pk, now=NOW)
    import_.refresh_from_db()
    assert import_.state == ImportState.DONE
    assert stored(meter) == pytest.approx(in_wh(rows))
    sure = take_in(factories.meter(), text)
    answer_import(import_=sure, mapping=mapping.answered("size", sure.questions[0]["choices"][0]["value"]), now=NOW)
    work_on_import(import_id=sure.pk, now=NOW)
    sure.refresh_from_db()
    assert sure.state == ImportState.DONE


def test_reading_differently_takes_the_first_reading_back() -> None:
    meter = factories.meter()
    user = factories.user()
    rows = days_rows(FIRST, 2)
    import_ = take_in(meter, csv_text(rows))
    mapping = mapping_of(import_.mapping or {}).answered("unit", "Wh")
    new = read_differently(import_=import_, mapping=mapping, user=user, now=NOW)
    work_on_import(import_id=new.pk, now=NOW)
    work_on_import(import_id=import_.pk, now=NOW)
    import_.refresh_from_db()
    new.refresh_from_db()
    assert (import_.state, new.state) == (ImportState.UNDONE, ImportState.DONE), new.problem
    assert import_.undone_by == user
    assert sum(stored(meter).values()) == pytest.approx(sum(in_wh(rows).values()) / 1000, rel=1e-6)
    meter.refresh_from_db()
    assert meter.mapping == new.mapping
