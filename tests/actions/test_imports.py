"""Files into day blocks and out again: counts by arithmetic, undo against a model that knows no day blocks."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from portal.actions.imports import (
    LONGEST_READ,
    MAX_ATTEMPTS,
    STALLED_AFTER,
    Counts,
    Day,
    ImportRefused,
    answer_import,
    mapping_of,
    merge,
    poll_imports,
    read_differently,
    read_import,
    replay_meter,
    roll_back,
    undo_import,
    unfinished_imports,
    work_on_import,
)
from portal.actions.sites import save_site
from portal.models import DayBefore, DayReadings, Import, ImportState, Meter, Night, NightState, unpack
from portal.models.meter import DayBlock
from tests import factories
from tests.actions.exports import Rows, csv_text, day_rows, days_rows, send, take_in
from tests.factories import NOW

pytestmark = pytest.mark.django_db

FIRST = date(2026, 5, 4)


def stored(meter: Meter) -> dict[datetime, float]:
    """Every stored reading [Wh] by its instant."""
    energy, _ = DayReadings.objects.filter(meter=meter).site_energy_wh(meter.site)
    return {moment.to_pydatetime(): float(value) for moment, value in energy.dropna().items()}  # type: ignore[attr-defined]


def in_wh(rows: Rows) -> dict[datetime, float]:
    return {
        moment.astimezone(UTC): float(np.float32(round(energy * 1000, 6)))
        for moment, energy in rows
        if energy is not None
    }


def counts(import_: Import) -> Counts:
    return Counts(
        import_.readings_new, import_.readings_unchanged, import_.readings_replaced, import_.readings_set_aside
    )


def state_of(meter: Meter) -> list[tuple[date, int, bytes]]:
    rows = DayReadings.objects.filter(meter=meter).order_by("day").values_list("day", "interval_minutes", "packed")
    return [(day, minutes, bytes(packed)) for day, minutes, packed in rows]


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


# ---- undo ----


def undone(import_: Import) -> Import:
    undo_import(import_=import_, user=None, now=NOW)
    return roll_back(import_id=import_.pk, now=NOW)


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
    with pytest.raises(ImportRefused, match="Only a file that was read"):
        undo_import(import_=import_, user=None, now=NOW)
    assert roll_back(import_id=import_.pk, now=NOW).state == ImportState.UNDONE


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


# ---- attempts ----


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
    Import.objects.update(attempts=MAX_ATTEMPTS)
    read_import(import_id=import_.pk, now=NOW)
    import_.refresh_from_db()
    assert import_.state == ImportState.FAILED
    assert "3 times" in import_.problem


def test_the_poll_finds_imports_that_lost_their_message_or_their_worker() -> None:
    meter = factories.meter()
    import_ = send(meter, csv_text(days_rows(FIRST, 2)))
    second = timedelta(seconds=1)
    assert unfinished_imports(now=NOW + STALLED_AFTER) == []
    assert unfinished_imports(now=NOW + STALLED_AFTER + second) == [import_.pk]
    Import.objects.update(attempts=1, begun_at=NOW + STALLED_AFTER)  # a worker has it
    assert unfinished_imports(now=NOW + STALLED_AFTER + LONGEST_READ) == []
    assert unfinished_imports(now=NOW + STALLED_AFTER + LONGEST_READ + second) == [import_.pk]
    read_import(import_id=import_.pk, now=NOW + STALLED_AFTER + LONGEST_READ + second)
    assert unfinished_imports(now=NOW + timedelta(days=1)) == []
    import_.refresh_from_db()
    undo_import(import_=import_, user=None, now=NOW + timedelta(days=1))
    assert unfinished_imports(now=NOW + timedelta(days=2)) == [import_.pk]


# ---- asking, correcting, remembering ----


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
    answer_import(import_=sure, mapping=mapping.answered("size", "accept"), now=NOW)
    work_on_import(import_id=sure.pk, now=NOW)
    sure.refresh_from_db()
    assert sure.state == ImportState.DONE


def test_a_file_too_small_or_dark_for_its_roof_is_taken_with_a_word_about_it() -> None:
    small = take_in(factories.meter(site=factories.site(ac_kw=100.0)), csv_text(days_rows(FIRST, 4)))
    assert (small.state, [one["code"] for one in small.warnings]) == (ImportState.DONE, ["size_low"])
    # half a world away it is night when this roof produces
    away = factories.meter(site=factories.site(longitude=-105.17 + 100))
    dark = take_in(away, csv_text(days_rows(FIRST, 4)))
    assert (dark.state, [one["code"] for one in dark.warnings]) == (ImportState.DONE, ["dark"])


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


# ---- merging ----


def block(*values: float) -> DayBlock:
    return np.array(values, dtype=np.float32)


NAN = float("nan")


def test_merging_counts_every_reading_once() -> None:
    had = Day(720, block(1.0, NAN), "", 1)
    merged, counted = merge(had, Day(720, block(2.0, 3.0), "", 2))
    assert counted == Counts(new=1, replaced=1)
    assert merged.block.tolist() == [2.0, 3.0]
    assert merged.written_by == 2
    same, counted = merge(merged, Day(720, block(2.0, NAN), "", 3))
    assert same is merged
    assert counted == Counts(unchanged=1)


def test_quality_flags_follow_their_readings() -> None:
    had = Day(360, block(1.0, 2.0, NAN, NAN), "A*1 S*1 -*2", 1)
    merged, _ = merge(had, Day(360, block(NAN, 5.0, 6.0, NAN), "-*1 E*2 -*1", 2))
    assert merged.quality == "A*1 E*2 -*1"
    plain, _ = merge(merged, Day(360, block(9.0, NAN, NAN, NAN), "", 3))
    assert plain.quality == "-*1 E*2 -*1"


# ---- the site's time zone was wrong ----


def wall_clock_text(rows: Rows) -> str:
    """Stamps as a logger at the roof writes them: no offset."""
    lines = [f"{moment:%Y-%m-%d %H:%M},{energy}" for moment, energy in rows]
    return "\n".join(["time,energy kWh", *lines])


def test_correcting_a_sites_time_zone_cuts_its_days_anew_from_the_originals() -> None:
    right = factories.meter(site=factories.site(tz="America/Denver"))
    wrong = factories.meter(site=factories.site(tz="America/New_York"))
    by_wall, by_offset = days_rows(FIRST, 3), days_rows(FIRST + timedelta(days=2), 2, scale=0.9)
    for meter in (right, wrong):
        assert take_in(meter, wall_clock_text(by_wall)).state == ImportState.DONE
        assert take_in(meter, csv_text(by_offset)).state == ImportState.DONE
    assert state_of(wrong) != state_of(right)
    before = stored(wrong)
    wrong.site.tz = "America/Denver"
    save_site(site=wrong.site, planes=list(wrong.site.planes.all()), now=NOW)
    wrong = Meter.objects.select_related("site").get(pk=wrong.pk)
    assert wrong.replay_asked_at == NOW
    assert stored(wrong) == before  # nothing moves until the days are cut anew
    assert poll_imports(now=NOW + STALLED_AFTER + timedelta(seconds=1)) == 1
    replay_meter(meter_id=wrong.pk, now=NOW)
    wrong = Meter.objects.select_related("site").get(pk=wrong.pk)
    assert state_of(wrong) == state_of(right)
    assert stored(wrong) == in_wh(by_wall) | in_wh(by_offset)
    ledgers = [[counts(one) for one in Import.objects.filter(meter=m).order_by("turn")] for m in (right, wrong)]
    assert ledgers[0] == ledgers[1]
    assert (wrong.replay_asked_at, wrong.zone) == (None, "America/Denver")
    for one in Import.objects.filter(meter=wrong).order_by("turn"):
        undone(one)
    assert stored(wrong) == {}


# ---- what happens to the kept files ----


def test_a_kept_file_that_is_gone_is_said_and_nothing_is_stored() -> None:
    import_ = send(factories.meter(), csv_text(days_rows(FIRST, 2)))
    Path(import_.original.path).unlink()
    read_import(import_id=import_.pk, now=NOW)
    import_.refresh_from_db()
    assert import_.state == ImportState.FAILED
    assert "the fault is ours" in import_.problem
    assert not DayReadings.objects.exists()


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


# ---- flags and lumps of a meter operator ----


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
