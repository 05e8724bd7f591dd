"""Files into day blocks and a ledger: counts by arithmetic."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from portal.actions.imports.asked import answer_import
from portal.actions.imports.days import Counts
from portal.actions.imports.kept import mapping_of
from portal.actions.imports.original import READ_ATTEMPTS
from portal.actions.imports.reading import read_import
from portal.actions.imports.waiting import work_on_import
from portal.models import DayBefore, DayReadings, Import, ImportState, Night, NightState
from tests import factories
from tests.actions.exports import csv_text, day_rows, days_rows, send, take_in
from tests.actions.imports.stored import counts, in_wh, state_of, stored
from tests.factories import NOW

pytestmark = pytest.mark.django_db

FIRST = date(2026, 5, 4)


def test_a_file_becomes_day_blocks_and_a_ledger() -> None:
    meter = factories.meter()
    rows = days_rows(FIRST, 3)
    import_ = take_in(meter, csv_text(rows))
    assert import_.state == ImportState.DONE, import_.problem
    assert (import_.rows_read, import_.rows_rejected) == (72, 0)
    assert counts(import_) == Counts(new=72)
    assert (import_.first_day, import_.last_day) == (FIRST, FIRST + timedelta(days=2))
    assert import_.interval_minutes == 60
    assert DayReadings.objects.filter(meter=meter).count() == 3
    assert stored(meter) == in_wh(rows)


def test_the_days_of_a_clock_change_have_23_and_25_hours() -> None:
    meter = factories.meter()
    spring, autumn = (
        date(2026, 3, 8),
        date(2025, 11, 2),
    )  # US Energy Policy Act of 2005: second Sunday of March, first of November
    rows = day_rows(autumn) + day_rows(spring)
    assert len(rows) == 25 + 23
    import_ = take_in(meter, csv_text(rows))
    assert counts(import_).new == 48
    assert stored(meter) == in_wh(rows)


def test_the_same_file_again_changes_nothing_and_writes_no_day() -> None:
    meter = factories.meter()
    text = csv_text(days_rows(FIRST, 3))
    take_in(meter, text)
    before = state_of(meter)
    again = send(meter, text)
    with CaptureQueriesContext(
        connection,
    ) as queries:
        read_import(import_id=again.pk, now=NOW)
    again.refresh_from_db()
    assert counts(again) == Counts(unchanged=72)
    assert state_of(meter) == before
    written = [q["sql"] for q in queries if "INSERT" in q["sql"] or "DELETE" in q["sql"] or "UPDATE" in q["sql"]]
    assert [sql for sql in written if "dayreadings" in sql or "daybefore" in sql] == []


def test_the_same_readings_in_another_file_change_nothing() -> None:
    meter = factories.meter()
    rows = days_rows(FIRST, 3)
    take_in(meter, csv_text(rows))
    other = take_in(meter, csv_text(rows) + "\n")
    assert counts(other) == Counts(unchanged=72)
    assert DayBefore.objects.filter(changed_by=other).count() == 0


def test_an_overlapping_file_fills_gaps_and_replaces_what_differs() -> None:
    meter = factories.meter()
    rows = days_rows(FIRST, 2)
    holey = [row for number, row in enumerate(rows) if number not in (10, 11)]
    take_in(meter, csv_text(holey))
    moment, energy = rows[12]
    assert energy is not None
    changed = [*rows[:12], (moment, energy + 0.5), *rows[13:]]
    import_ = take_in(meter, csv_text(changed + day_rows(FIRST + timedelta(days=2))))
    # of 72: 2 were missing and 24 are a new day, 1 differs, 45 are the same
    assert counts(import_) == Counts(new=26, replaced=1, unchanged=45)
    assert stored(meter) == in_wh(changed + day_rows(FIRST + timedelta(days=2)))


def test_a_blank_reading_never_erases_a_stored_one() -> None:
    meter = factories.meter()
    rows = days_rows(FIRST, 2)
    take_in(meter, csv_text(rows))
    import_ = take_in(meter, csv_text([*rows[:30], (rows[30][0], None), *rows[31:]]))
    assert counts(import_) == Counts(unchanged=47)
    assert import_.rows_blank == 1
    assert stored(meter) == in_wh(rows)


def test_a_finer_file_replaces_a_coarser_one_and_not_the_other_way_round() -> None:
    meter = factories.meter()
    fine, coarse = csv_text(day_rows(FIRST, minutes=15)), csv_text(day_rows(FIRST, minutes=60))
    take_in(meter, coarse)
    finer = take_in(meter, fine)
    assert counts(finer) == Counts(replaced=96)
    held = state_of(meter)
    late = take_in(meter, coarse + "\n")
    assert counts(late) == Counts(set_aside=24)
    assert "set aside" in late.warnings[-1]["text"]
    assert state_of(meter) == held


def test_a_wrong_file_leaves_no_trace_but_its_ledger() -> None:
    meter = factories.meter()
    import_ = take_in(meter, b"\x00\x01\x02 not readings at all" * 10, filename="holiday.jpg")
    assert import_.state == ImportState.FAILED
    assert import_.problem.endswith(".")
    assert len(import_.problem) > 40
    assert "Traceback" not in import_.problem
    assert not DayReadings.objects.exists()
    assert not DayBefore.objects.exists()
    assert not Night.objects.exists()
    meter.refresh_from_db()
    assert meter.mapping is None


def test_the_original_is_kept_byte_for_byte_under_a_name_of_ours() -> None:
    text = csv_text(days_rows(FIRST, 2))
    import_ = take_in(factories.meter(), text, filename="../../etc/my readings.CSV")
    assert import_.filename == "my readings.CSV"
    assert Path(import_.original.path).read_bytes() == text.encode()
    assert str(import_.original).startswith("imports/")
    assert str(import_.original).endswith(".csv")


def test_after_an_import_the_site_waits_to_be_assessed_again() -> None:
    meter = factories.meter()
    take_in(meter, csv_text(days_rows(FIRST, 2)))
    night = Night.objects.get(site=meter.site)
    assert night.state == NightState.WAITING
    Night.objects.update(state=NightState.DONE)
    take_in(meter, csv_text(days_rows(FIRST, 2)))
    assert Night.objects.get().state == NightState.DONE  # nothing changed, nothing to assess


def test_a_site_without_a_plane_is_not_queued() -> None:
    take_in(factories.meter(site=factories.site(planes=False)), csv_text(days_rows(FIRST, 2)))
    assert not Night.objects.exists()


def test_an_import_is_read_once_however_often_it_is_asked_for() -> None:
    meter = factories.meter()
    import_ = send(meter, csv_text(days_rows(FIRST, 2)))
    for _ in range(3):
        work_on_import(import_id=import_.pk, now=NOW)
    import_.refresh_from_db()
    assert (import_.attempts, import_.turn) == (1, 1)
    assert counts(import_) == Counts(new=48)


def test_a_file_that_kills_its_worker_is_given_up_after_three_attempts() -> None:
    import_ = send(factories.meter(), csv_text(days_rows(FIRST, 2)))
    Import.objects.update(attempts=READ_ATTEMPTS)
    read_import(import_id=import_.pk, now=NOW)
    import_.refresh_from_db()
    assert import_.state == ImportState.FAILED
    assert "3 times" in import_.problem


def test_a_file_unlike_the_last_one_is_read_for_itself() -> None:
    meter = factories.meter()
    take_in(meter, csv_text(days_rows(FIRST, 2)))
    rows = days_rows(FIRST + timedelta(days=2), 2)
    lines = ["Reading time;Produced Wh"] + [f"{m.isoformat()};{(e or 0) * 1000:.0f}" for m, e in rows]
    import_ = take_in(meter, "\n".join(lines))
    assert import_.state == ImportState.DONE, import_.problem
    assert counts(import_).new == 48
    meter.refresh_from_db()
    assert meter.mapping == import_.mapping


def test_a_file_too_small_or_dark_for_its_roof_is_taken_with_a_word_about_it() -> None:
    small = take_in(factories.meter(site=factories.site(ac_kw=100.0)), csv_text(days_rows(FIRST, 4)))
    assert (small.state, [one["code"] for one in small.warnings]) == (ImportState.DONE, ["size_low"])
    # half a world away it is night when this roof produces
    away = factories.meter(site=factories.site(longitude=-105.17 + 100))
    dark = take_in(away, csv_text(days_rows(FIRST, 4)))
    assert (dark.state, [one["code"] for one in dark.warnings]) == (ImportState.DONE, ["dark"])


def test_a_kept_file_that_is_gone_is_said_and_nothing_is_stored() -> None:
    import_ = send(factories.meter(), csv_text(days_rows(FIRST, 2)))
    Path(import_.original.path).unlink()
    read_import(import_id=import_.pk, now=NOW)
    import_.refresh_from_db()
    assert import_.state == ImportState.FAILED
    assert "the fault is ours" in import_.problem
    assert not DayReadings.objects.exists()


def test_a_meter_operators_flags_are_kept_and_its_estimates_count_as_energy_without_hours() -> None:
    """NEM12, laid out after AEMO's Meter Data File Format Specification (from memory): 100, 200, 300, 400, 900."""
    meter = factories.meter(site=factories.site(tz="Australia/Brisbane", latitude=-27.47, longitude=153.03))
    actual, mixed = (
        [energy for _, energy in day_rows(date(2026, 5, day), minutes=30, tz="Australia/Brisbane")] for day in (4, 5)
    )
    text = "\n".join(
        [
            "100,NEM12,202605061200,INVENTED,INVENTED",
            "200,INVENTED01,B1,B1,B1,,METER1,kWh,30,",
            f"300,20260504,{','.join(str(energy) for energy in actual)},A,,,20260506120000,",
            f"300,20260505,{','.join(str(energy) for energy in mixed)},V,,,20260506120000,",
            "400,1,24,A,,",
            "400,25,48,S14,32,",
            "900",
        ]
    )
    import_ = take_in(meter, text, filename="nem12.csv")
    assert [one["code"] for one in import_.questions] == ["export"], import_.problem
    answer_import(import_=import_, mapping=mapping_of(import_.mapping or {}).answered("export", "all"), now=NOW)
    work_on_import(import_id=import_.pk, now=NOW)
    import_.refresh_from_db()
    assert import_.state == ImportState.DONE, (import_.problem, import_.questions)
    assert import_.readings_new == 48 + 24
    assert [row.quality for row in DayReadings.objects.filter(meter=meter)] == ["A*48", "A*24 -*24"]
    lumped = sum(lump["energy_wh"] for lump in import_.lumps)
    assert lumped == pytest.approx(1000 * sum(energy or 0 for energy in mixed[24:]))
    before = state_of(meter)
    again = take_in(meter, text + "\n", filename="nem12.csv")  # the answer is remembered
    assert counts(again) == Counts(unchanged=72)
    assert state_of(meter) == before


def test_a_failed_file_keeps_its_rejected_lines_and_a_later_reading_does_not() -> None:
    meter = factories.meter()
    good = csv_text(days_rows(FIRST, 2))
    take_in(meter, good)
    broken = "\n".join([good.splitlines()[0], *(f"{line},{'x' * 9}" for line in good.splitlines()[1:])])
    failed = take_in(meter, broken)
    assert failed.state == ImportState.FAILED
    assert failed.rows_rejected == len(failed.rejected) == 48
    assert failed.rejected[0]["line"] == 2
