"""What real files carry: each trap planted in known readings."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from portal.readers import ReadError, ReadResult, UndecidedError
from tests.readers.dialects import assert_same, guess_file, local_index, read_file, save, truth, variant, write

TZ = "Europe/Berlin"
MAY = date(2024, 5, 2)


def codes(result: ReadResult) -> set[str]:
    return {notice.code for notice in result.notices}


def lines_of(folder: Path, energy: pd.Series[int], change: Callable[[list[list[str]]], list[list[str]]]) -> Path:
    """Write the plain dialect, with its rows (header first) changed."""
    rows = list(csv.reader(io.StringIO(write(variant(), energy).decode())))
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(change(rows))
    return save(folder, out.getvalue().encode())


def test_stamps_that_claim_a_fixed_offset_but_follow_daylight_saving(tmp_path: Path) -> None:
    energy = truth(date(2024, 1, 10), 200, TZ, 30)

    def claim(rows: list[list[str]]) -> list[list[str]]:
        return [rows[0], *([f"{row[0]}+01:00", row[1]] for row in rows[1:])]

    rows = list(csv.reader(io.StringIO(write(variant(minutes=30), energy).decode())))
    out = io.StringIO()
    csv.writer(out).writerows(claim(rows))
    result = read_file(save(tmp_path, out.getvalue().encode()), TZ)

    assert "offset_follows_dst" in codes(result)
    assert result.mapping.clock.kind == "wall"
    assert_same(result, energy, 30)


def test_an_honest_fixed_offset_is_left_alone(tmp_path: Path) -> None:
    energy = truth(date(2024, 1, 10), 200, TZ, 30)
    zone = ZoneInfo("Etc/GMT-1")
    text = "Timestamp,PV energy [Wh]\n" + "".join(
        f"{at.astimezone(zone).isoformat()},{value}\n" for at, value in zip(energy.index, energy, strict=True)
    )
    result = read_file(save(tmp_path, text.encode()), TZ)

    assert result.mapping.clock.kind == "offset"
    assert_same(result, energy, 30)


def test_a_winter_clock_without_nights_is_found_out_by_the_sun(tmp_path: Path) -> None:
    energy = truth(date(2024, 1, 10), 200, TZ, 30)
    daylight = energy[energy > 0]
    result = read_file(save(tmp_path, write(variant(minutes=30, clock="winter"), daylight)), TZ)

    assert "winter_clock" in codes(result)
    assert result.mapping.clock.kind == "winter"
    got = result.readings.energy_wh
    assert float(np.abs(got.reindex(daylight.index) - daylight).max()) < 1e-5


def test_interval_end_stamps_are_known_by_the_first_and_the_last(tmp_path: Path) -> None:
    energy = truth(MAY, 20, TZ, 15)
    result = read_file(save(tmp_path, write(variant(label="end"), energy)), TZ)

    assert result.mapping.clock.label == "end"
    assert_same(result, energy, 15)


def test_when_the_ends_do_not_tell_the_label_is_asked_but_not_insisted_on(tmp_path: Path) -> None:
    energy = truth(MAY, 20, TZ, 15).iloc[20:-30]
    path = save(tmp_path, write(variant(), energy))

    asked = [question for question in guess_file(path, TZ).questions if question.code == "label"]
    assert len(asked) == 1
    assert not asked[0].required
    assert_same(read_file(path, TZ), energy, 15)


def test_stamps_a_few_seconds_off_the_grid_are_set_on_it(tmp_path: Path) -> None:
    energy = truth(MAY, 10, TZ, 15)

    def stray(rows: list[list[str]]) -> list[list[str]]:
        return [rows[0], *([f"{row[0]}:{(i * 7) % 20:02d}", row[1]] for i, row in enumerate(rows[1:]))]

    assert_same(read_file(lines_of(tmp_path, energy, stray), TZ), energy, 15)


def test_intervals_that_lie_off_the_grid_are_shared_out_without_losing_energy(tmp_path: Path) -> None:
    energy = truth(MAY, 10, TZ, 15)

    def shift(rows: list[list[str]]) -> list[list[str]]:
        return [rows[0], *([row[0][:-2] + f"{int(row[0][-2:]) + 7:02d}", row[1]] for row in rows[1:])]

    result = read_file(lines_of(tmp_path, energy, shift), TZ)
    got = result.readings.energy_wh.dropna()
    lumps = sum(lump.energy_wh for lump in result.lumps)

    assert float(got.sum()) + lumps == pytest.approx(float(energy.sum()), abs=1e-6)
    # Shared in proportion to time: 8 minutes of the reading from 12:07 and 7 of the one before lie in 12:00 to 12:15.
    at = pd.Timestamp("2024-05-05 10:00", tz="UTC")
    before = pd.Timestamp("2024-05-05 09:45", tz="UTC")
    assert got[at] == pytest.approx(energy[at] * 8 / 15 + energy[before] * 7 / 15)


def test_a_gap_and_one_reading_with_its_energy_is_a_lump_not_a_power(tmp_path: Path) -> None:
    energy = truth(MAY, 20, TZ, 15)
    day = pd.Timestamp("2024-05-10 08:00", tz=TZ).tz_convert("UTC")
    inside = (energy.index >= day) & (energy.index < day + pd.Timedelta(hours=4))
    held = int(energy[inside].sum())
    kept = energy[~inside].copy()
    end = day + pd.Timedelta(hours=4)
    kept.update(pd.Series({end: int(kept[end]) + held}))
    result = read_file(save(tmp_path, write(variant(), kept)), TZ)

    lumps = [lump for lump in result.lumps if lump.energy_wh > 1000]
    assert len(lumps) == 1
    assert lumps[0].energy_wh == pytest.approx(held + energy[end])
    assert lumps[0].start == day
    assert lumps[0].end == end + pd.Timedelta(minutes=15)
    got = result.readings.energy_wh
    assert got[day : lumps[0].end - pd.Timedelta(minutes=15)].isna().all()
    assert "catch_up" in codes(result)
    assert float(got.sum()) + lumps[0].energy_wh == pytest.approx(float(energy.sum()))


def test_zeros_written_while_the_line_was_down_belong_to_the_lump_too(tmp_path: Path) -> None:
    energy = truth(MAY, 20, TZ, 15)
    day = pd.Timestamp("2024-05-10 09:00", tz=TZ).tz_convert("UTC")
    inside = (energy.index >= day) & (energy.index < day + pd.Timedelta(hours=3))
    held = int(energy[inside].sum())
    down = energy.copy()
    down[inside] = 0
    end = day + pd.Timedelta(hours=3)
    down.update(pd.Series({end: int(down[end]) + held}))
    result = read_file(save(tmp_path, write(variant(), down)), TZ)

    assert [lump.energy_wh for lump in result.lumps] == [pytest.approx(held + energy[end])]
    assert result.readings.energy_wh[day:end].isna().all()


def test_a_clear_morning_after_a_cloudy_gap_is_no_lump(tmp_path: Path) -> None:
    energy = truth(MAY, 20, TZ, 15)
    out = np.array([8 <= at.hour < 10 and at.day == 10 for at in energy.index])
    kept = energy[~out]
    result = read_file(save(tmp_path, write(variant(), kept)), TZ)

    assert result.lumps == ()
    assert_same(result, kept, 15)
    assert [(gap.start.hour, gap.end.hour) for gap in result.gaps] == [(8, 10)]


def test_a_register_gap_is_a_lump_and_a_still_register_is_zero(tmp_path: Path) -> None:
    energy = truth(MAY, 20, TZ, 15)
    dialect = variant(kind="register", unit="Wh")
    rows = write(dialect, energy).decode().splitlines()
    by_day = [row for row in rows[1:] if not (row.startswith("2024-05-10") and "10:00" < row[11:16] < "14:00")]
    # … and nights left out: the register stands still in them.
    by_day = [row for row in by_day if "05:00" < row[11:16] < "22:00"]
    result = read_file(save(tmp_path, "\n".join([rows[0], *by_day]).encode()), TZ)

    day = pd.Timestamp("2024-05-10 10:00", tz=TZ).tz_convert("UTC")
    inside = energy[(energy.index >= day) & (energy.index < day + pd.Timedelta(hours=4))]
    assert [lump.energy_wh for lump in result.lumps] == [pytest.approx(float(inside.sum()))]
    got = result.readings.energy_wh
    assert float(got.sum()) + float(inside.sum()) == pytest.approx(float(energy.sum()))
    night = got[
        (got.index >= pd.Timestamp("2024-05-05 21:00", tz="UTC"))
        & (got.index < pd.Timestamp("2024-05-06 02:00", tz="UTC"))
    ]
    assert (night == 0).all()


def test_a_register_rolls_over_at_its_last_digit(tmp_path: Path) -> None:
    energy = truth(MAY, 20, TZ, 15)
    readings = (np.concatenate(([0], np.cumsum(energy.to_numpy()))) + 9_960_000) % 10_000_000
    assert (np.diff(readings) < 0).sum() == 1
    stamps = [*energy.index, energy.index[-1] + pd.Timedelta(minutes=15)]
    text = "Timestamp (UTC),PV meter reading [Wh]\n" + "".join(
        f"{at:%Y-%m-%d %H:%M},{value}\n" for at, value in zip(stamps, readings, strict=True)
    )
    result = read_file(save(tmp_path, text.encode()), TZ)

    assert "register_rolled" in codes(result)
    assert_same(result, energy, 15)


def test_a_register_that_starts_again_goes_on_from_its_new_zero(tmp_path: Path) -> None:
    energy = truth(MAY, 20, TZ, 15)
    readings = np.concatenate(([0], np.cumsum(energy.to_numpy()))) + 5_000_000
    new = 900
    readings[new:] -= readings[new - 1]  # the new meter begins at zero where the old one was read last
    stamps = [*energy.index, energy.index[-1] + pd.Timedelta(minutes=15)]
    text = "Timestamp (UTC),PV meter reading [Wh]\n" + "".join(
        f"{at:%Y-%m-%d %H:%M},{value}\n" for at, value in zip(stamps, readings, strict=True)
    )
    result = read_file(save(tmp_path, text.encode()), TZ)

    assert "register_restarted" in codes(result)
    assert_same(result, energy, 15)


def test_a_counter_that_starts_again_each_day(tmp_path: Path) -> None:
    energy = truth(MAY, 20, TZ, 15)
    local = local_index(energy, TZ)
    today = energy.groupby(local.date).cumsum()
    text = "Time,Energy today [Wh]\n" + "".join(
        f"{at + pd.Timedelta(minutes=15):%Y-%m-%d %H:%M},{value}\n" for at, value in zip(local, today, strict=True)
    )
    # The last reading of each day stands at midnight of the next, as the full sum.
    result = read_file(save(tmp_path, text.encode()), TZ)

    assert result.mapping.kind == "register"
    got = result.readings.energy_wh
    assert float(np.abs(got - energy.reindex(got.index)).max()) < 1e-5


def test_a_days_counter_that_ends_just_under_ten_kwh_does_not_roll_over(tmp_path: Path) -> None:
    energy = truth(MAY, 20, TZ, 15)
    local = local_index(energy, TZ)
    by_day = energy.groupby(local.date)
    # Every day is brought to a total of 9.1 to 9.9 kWh, which a register of one digit would call nearly full.
    wanted = by_day.transform("size") * 0 + 9100 + 40 * (by_day.ngroup() % 20)
    energy = (energy * wanted / by_day.transform("sum")).round().astype(int)
    today = energy.groupby(local.date).cumsum() - energy  # the counter as each interval begins
    assert energy.groupby(local.date).sum().between(9050, 9950).all()
    text = "Time,Energy today [Wh]\n" + "".join(
        f"{at:%Y-%m-%d %H:%M},{value}\n" for at, value in zip(local, today, strict=True)
    )
    result = read_file(save(tmp_path, text.encode()), TZ)

    assert "register_rolled" not in codes(result)
    assert_same(result, energy.iloc[:-1], 15)


def test_blank_energies_stay_missing_by_day(tmp_path: Path) -> None:
    energy = truth(MAY, 20, TZ, 15)

    def blank(rows: list[list[str]]) -> list[list[str]]:
        for row, stand_in in zip(rows[900:906], ("", "-", "n/a", "NaN", "null", "--"), strict=True):
            row[1] = stand_in
        return rows

    result = read_file(lines_of(tmp_path, energy, blank), TZ)
    assert result.blanks == 6
    assert result.rejected_count == 0
    assert_same(result, energy.drop(energy.index[899:905]), 15)


def test_slightly_negative_nights_are_zero_and_really_negative_energy_is_rejected(tmp_path: Path) -> None:
    energy = truth(MAY, 20, TZ, 15)

    def own_use(rows: list[list[str]]) -> list[list[str]]:
        for row in rows[1:]:
            row[1] = "-0.002" if float(row[1]) == 0 else row[1]
        rows[1000][1] = "-0.5"
        return rows

    result = read_file(lines_of(tmp_path, energy, own_use), TZ)
    assert "night_use" in codes(result)
    assert [(rejected.line, rejected.reason) for rejected in result.rejected] == [(1001, "the energy is negative")]
    assert_same(result, energy.drop(energy.index[999]), 15)


@pytest.mark.parametrize("sentinel", ["-1000000", "-999", "-9999", "65535", "9999999"])
def test_sentinels_are_blanks(tmp_path: Path, sentinel: str) -> None:
    energy = truth(MAY, 20, TZ, 15)

    def stand_in(rows: list[list[str]]) -> list[list[str]]:
        for row in rows[900:903]:
            row[1] = sentinel
        return rows

    result = read_file(lines_of(tmp_path, energy, stand_in), TZ)
    assert "stand_ins" in codes(result)
    assert result.blanks == 3
    assert_same(result, energy.drop(energy.index[899:902]), 15)


def test_the_missing_nights_of_a_daylight_only_file_are_no_gaps(tmp_path: Path) -> None:
    energy = truth(MAY, 20, TZ, 15)
    result = read_file(save(tmp_path, write(variant(), energy[energy > 0])), TZ)

    assert "daylight_only" in codes(result)
    assert result.gaps == ()
    got = result.readings.energy_wh
    assert float(np.abs(got - energy.reindex(got.index)).max()) < 1e-5


def test_two_meters_below_each_other_are_asked_about_and_each_can_be_read(tmp_path: Path) -> None:
    one, two = truth(MAY, 20, TZ, 15, 1), truth(MAY, 20, TZ, 15, 2)
    lines = ["Timestamp,Meter,PV energy [Wh]"]
    for name, energy in (("north", one), ("south", two)):
        lines += [
            f"{at.tz_convert(TZ):%Y-%m-%d %H:%M},{name},{value}" for at, value in zip(energy.index, energy, strict=True)
        ]
    path = save(tmp_path, "\n".join(lines).encode())

    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    assert [question.code for question in asked.value.questions] == ["meter"]
    assert [choice.value for choice in asked.value.questions[0].choices] == ["north", "south", "*"]
    mapping = asked.value.mapping
    assert_same(read_file(path, TZ, mapping.answered("meter", "north")), one, 15)
    assert_same(read_file(path, TZ, mapping.answered("meter", "south")), two, 15)
    assert_same(read_file(path, TZ, mapping.answered("meter", "*")), one + two, 15)


def test_two_meters_line_by_line_are_told_apart_too(tmp_path: Path) -> None:
    one, two = truth(MAY, 20, TZ, 15, 1), truth(MAY, 20, TZ, 15, 2)
    lines = ["Timestamp;Serial number;PV energy [Wh]"]
    for at in one.index:
        local = f"{at.tz_convert(TZ):%d.%m.%Y %H:%M}"
        lines += [f"{local};100234;{one[at]}", f"{local};100235;{two[at]}"]
    path = save(tmp_path, "\n".join(lines).encode())

    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    assert_same(read_file(path, TZ, asked.value.mapping.answered("meter", "100235")), two, 15)


def test_two_meters_line_by_line_are_added_up_across_the_doubled_hour(tmp_path: Path) -> None:
    one, two = truth(date(2024, 10, 20), 12, TZ, 15, 1), truth(date(2024, 10, 20), 12, TZ, 15, 2)
    one += 10  # the doubled hour is dark; figures of its own make a mix-up show
    lines = ["Timestamp,Meter,PV energy [Wh]"]
    for at, local in zip(one.index, local_index(one, TZ), strict=True):
        lines += [f"{local:%Y-%m-%d %H:%M},A,{one[at]}", f"{local:%Y-%m-%d %H:%M},B,{two[at]}"]
    path = save(tmp_path, "\n".join(lines).encode())
    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    assert_same(read_file(path, TZ, asked.value.mapping.answered("meter", "*")), one + two, 15)


def test_columns_of_inverters_are_added_up_and_a_total_beside_them_is_taken_alone(tmp_path: Path) -> None:
    one, two = truth(MAY, 20, TZ, 15, 1), truth(MAY, 20, TZ, 15, 2)

    def with_columns(header: str, *columns: pd.Series[int]) -> Path:
        lines = [header]
        for at in one.index:
            lines.append(",".join([f"{at.tz_convert(TZ):%Y-%m-%d %H:%M}", *(str(column[at]) for column in columns)]))
        return save(tmp_path, "\n".join(lines).encode())

    path = with_columns("Timestamp,Inverter 1 [Wh],Inverter 2 [Wh]", one, two)
    assert_same(read_file(path, TZ), one + two, 15)
    path = with_columns("Timestamp,Inverter 1 [Wh],Inverter 2 [Wh],Plant [Wh]", one, two, one + two)
    assert_same(read_file(path, TZ), one + two, 15)
    path = with_columns("Timestamp,Roof energy [Wh],Carport energy [Wh]", one, two)
    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    question = asked.value.questions[0]
    assert question.code == "columns"
    carport = next(choice.value for choice in question.choices if "Carport" in choice.label)
    assert_same(read_file(path, TZ, asked.value.mapping.answered("columns", carport)), two, 15)


def test_day_and_month_are_decided_from_the_whole_column_and_asked_when_they_cannot_be(tmp_path: Path) -> None:
    # 1 to 12 March: no date shows which number is the month, but only one order makes the days follow each other.
    energy = truth(date(2024, 3, 1), 12, TZ, 60)
    for stamp in ("%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M"):
        assert_same(read_file(save(tmp_path, write(variant(stamp=stamp, minutes=60), energy)), TZ), energy, 60)
    day = truth(date(2024, 3, 5), 1, TZ, 15)
    path = save(tmp_path, write(variant(stamp="%d/%m/%Y %H:%M"), day))
    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    assert [question.code for question in asked.value.questions] == ["date_order"]
    assert_same(read_file(path, TZ, asked.value.mapping.answered("date_order", "dmy")), day, 15)


def test_a_file_a_day_in_a_zip_is_one_history(tmp_path: Path) -> None:
    energy = truth(date(2024, 10, 20), 12, TZ, 15)
    path = tmp_path / "days.zip"
    local = local_index(energy, TZ)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for day in sorted(set(local.date), reverse=True):
            archive.writestr(f"export/{day}.csv", write(variant(stamp="%d/%m/%Y %H:%M"), energy[local.date == day]))
        archive.writestr("__MACOSX/._x.csv", b"\0\1")
        archive.writestr("README.txt", "nothing to see")
    result = read_file(path, TZ)
    assert_same(result, energy, 15)
    assert result.rejected_count == 0


def test_a_rejected_line_in_a_zip_names_its_file(tmp_path: Path) -> None:
    energy = truth(MAY, 4, TZ, 15)
    local = local_index(energy, TZ)
    path = tmp_path / "days.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for day in sorted(set(local.date)):
            content = write(variant(), energy[local.date == day])
            if day.day == 4:
                content = content.replace(b"0.000\n", b"broken\n", 1)
            archive.writestr(f"{day}.csv", content)
    result = read_file(path, TZ)
    assert [(rejected.file, rejected.line) for rejected in result.rejected] == [("2024-05-04.csv", 2)]


def test_an_interval_that_changes_inside_the_file(tmp_path: Path) -> None:
    fine, coarse = truth(MAY, 10, TZ, 15), truth(date(2024, 5, 12), 10, TZ, 60)
    first = write(variant(), fine)
    second = write(variant(minutes=60), coarse).split(b"\n", 1)[1]
    result = read_file(save(tmp_path, first + second), TZ)

    assert "interval_changed" in codes(result)
    hourly = pd.concat([fine.resample("60min").sum(), coarse])
    assert_same(result, hourly, 60)


def test_the_same_lines_twice_are_counted_and_taken_once(tmp_path: Path) -> None:
    energy = truth(MAY, 10, TZ, 15)

    def again(rows: list[list[str]]) -> list[list[str]]:
        return [*rows, *rows[101:201]]

    result = read_file(lines_of(tmp_path, energy, again), TZ)
    assert result.duplicates == 100
    assert_same(result, energy, 15)


def test_daily_totals_lie_on_local_midnights(tmp_path: Path) -> None:
    energy = truth(date(2024, 3, 1), 60, TZ, 60)
    daily = energy.groupby(local_index(energy, TZ).date).sum()
    text = "Datum;PV-Ertrag [kWh]\n" + "".join(
        f"{day:%d.%m.%Y};{value / 1000:.3f}\n".replace(".", ",").replace(f"{day:%d,%m,%Y}", f"{day:%d.%m.%Y}")
        for day, value in daily.items()
    )
    result = read_file(save(tmp_path, text.encode()), TZ)

    assert result.readings.interval_minutes == 1440
    got = result.readings.energy_wh
    assert len(got) == 60
    assert float(np.abs(got.to_numpy() - daily.to_numpy()).max()) < 1e-6
    # 31 March 2024 begins at 23:00 UTC of the day before, 1 April at 22:00: the day of 23 hours.
    assert pd.Timestamp("2024-03-30 23:00", tz="UTC") in got.index
    assert pd.Timestamp("2024-03-31 22:00", tz="UTC") in got.index


def test_minutes_are_added_up_to_five(tmp_path: Path) -> None:
    energy = truth(MAY, 3, TZ, 1)
    result = read_file(save(tmp_path, write(variant(minutes=1, unit="Wh"), energy)), TZ)
    assert_same(result, energy.resample("5min").sum(), 5)


def test_the_clock_changes_inside_the_span_are_named(tmp_path: Path) -> None:
    energy = truth(date(2024, 10, 20), 12, TZ, 15)
    result = read_file(save(tmp_path, write(variant(), energy)), TZ)
    # Directive 2000/84/EC: summer time ends at 1:00 UTC on the last Sunday of October.
    assert result.clock_changes == (datetime(2024, 10, 27, 1, tzinfo=UTC),)


def test_the_hour_shown_once_when_the_clock_goes_back_is_the_first_one(tmp_path: Path) -> None:
    energy = truth(date(2024, 10, 20), 12, TZ, 15)
    second = [
        at
        for at in energy.index
        if timedelta(0) <= at - pd.Timestamp("2024-10-27 01:00", tz="UTC") < timedelta(hours=1)
    ]
    result = read_file(save(tmp_path, write(variant(), energy.drop(second))), TZ)
    assert_same(result, energy.drop(second), 15)


def test_a_lone_line_from_a_logger_that_had_lost_its_clock_is_rejected(tmp_path: Path) -> None:
    energy = truth(MAY, 10, TZ, 15)

    def lost(rows: list[list[str]]) -> list[list[str]]:
        return [*rows[:500], ["2000-01-01 00:00", "0.000"], *rows[500:]]

    result = read_file(lines_of(tmp_path, energy, lost), TZ)
    assert [rejected.line for rejected in result.rejected] == [501]
    assert_same(result, energy, 15)


def test_production_worked_out_from_consumption_import_and_export(tmp_path: Path) -> None:
    energy = truth(MAY, 10, TZ, 15)
    load = pd.Series(100 + np.arange(len(energy)) % 50, index=energy.index)
    bought = (load - energy).clip(lower=0)
    sold = (energy - load).clip(lower=0)
    lines = ["Timestamp,Consumption [Wh],Import [Wh],Export [Wh]"]
    for at in energy.index:
        lines.append(f"{at.tz_convert(TZ):%Y-%m-%d %H:%M},{load[at]},{bought[at]},{sold[at]}")
    result = read_file(save(tmp_path, "\n".join(lines).encode()), TZ)
    assert "balance" in codes(result)
    assert_same(result, energy, 15)


def test_net_export_is_no_production_and_says_so(tmp_path: Path) -> None:
    energy = truth(MAY, 10, TZ, 15)
    sold = (energy - 150).clip(lower=0)
    lines = ["Timestamp,Export [Wh]"]
    lines += [f"{at.tz_convert(TZ):%Y-%m-%d %H:%M},{value}" for at, value in zip(sold.index, sold, strict=True)]
    path = save(tmp_path, "\n".join(lines).encode())
    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    assert [question.code for question in asked.value.questions] == ["export"]
    surplus = read_file(path, TZ, asked.value.mapping.answered("export", "surplus"))
    assert "surplus" in codes(surplus)
    assert surplus.mapping.export == "surplus"
    everything = read_file(path, TZ, asked.value.mapping.answered("export", "all"))
    assert "surplus" not in codes(everything)
    assert_same(everything, sold, 15)


def test_net_figures_that_run_both_ways_are_refused(tmp_path: Path) -> None:
    energy = truth(MAY, 10, TZ, 15)

    def net(rows: list[list[str]]) -> list[list[str]]:
        return [rows[0], *([row[0], f"{float(row[1]) - 0.2:.3f}"] for row in rows[1:])]

    with pytest.raises(ReadError, match="net of production and use"):
        read_file(lines_of(tmp_path, energy, net), TZ)


def test_production_counted_as_negative_is_turned(tmp_path: Path) -> None:
    energy = truth(MAY, 10, TZ, 15)

    def turn(rows: list[list[str]]) -> list[list[str]]:
        return [rows[0], *([row[0], "-" + row[1] if float(row[1]) else row[1]] for row in rows[1:])]

    result = read_file(lines_of(tmp_path, energy, turn), TZ)
    assert "flipped" in codes(result)
    assert_same(result, energy, 15)


def test_a_jump_by_a_thousand_inside_the_file_is_told(tmp_path: Path) -> None:
    energy = truth(MAY, 30, TZ, 15)

    def jump(rows: list[list[str]]) -> list[list[str]]:
        return [*rows[:1441], *([row[0], f"{1000 * float(row[1]):.0f}"] for row in rows[1441:])]

    result = read_file(lines_of(tmp_path, energy, jump), TZ)
    notice = next(notice for notice in result.notices if notice.code == "unit_jump")
    assert "17 May 2024" in notice.text  # row 1,441 is the first of day 16
    assert "larger" in notice.text
