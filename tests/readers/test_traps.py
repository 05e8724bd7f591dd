"""What real files carry: each trap planted in known readings."""

from __future__ import annotations

import zipfile
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.readers.dialects import (
    assert_same,
    codes,
    lines_of,
    local_index,
    read_file,
    save,
    truth,
    variant,
    write,
)

TZ = "Europe/Berlin"
MAY = date(2024, 5, 2)


def test_stamps_a_few_seconds_off_the_grid_are_set_on_it(tmp_path: Path) -> None:
    energy = truth(MAY, 10, TZ, 15)

    def stray(rows: list[list[str]]) -> list[list[str]]:
        return [rows[0], *([f"{row[0]}:{(i * 7) % 20:02d}", row[1]] for i, row in enumerate(rows[1:]))]

    assert_same(read_file(lines_of(tmp_path, energy, stray), TZ), energy, 15)


@pytest.mark.parametrize("seconds", [1, 20])
@pytest.mark.parametrize("minutes", [5, 15])
@pytest.mark.parametrize("kind", ["energy (Wh)", "power (W)", "meter (Wh)"])
def test_a_logger_that_keeps_its_grid_by_some_seconds_loses_no_energy(
    tmp_path: Path, kind: str, minutes: int, seconds: int
) -> None:
    """Of powers and registers each step longer by a second was left out as if it held a gap: a third of the energy."""
    energy = truth(date(2024, 5, 2), 8, TZ, minutes)
    figures = {"energy": energy, "power": energy * 60 // minutes, "meter": 5_000_000 + energy.cumsum() - energy}
    off = pd.to_timedelta(np.random.default_rng(2).integers(-seconds, seconds + 1, len(energy)), unit="s")
    stamps = (local_index(energy, TZ) + off).strftime("%Y-%m-%d %H:%M:%S")
    lines = [f"{at},{wh}" for at, wh in zip(stamps, figures[kind.partition(" ")[0]], strict=True)]
    result = read_file(save(tmp_path, "\n".join([f"Time,PV {kind}", *lines]).encode()), TZ)
    assert result.readings.interval_minutes == minutes
    assert not result.lumps
    by_day = result.readings.energy_wh.groupby(pd.DatetimeIndex(result.readings.energy_wh.index).tz_convert(TZ).date)
    assert list(by_day.sum()) == pytest.approx(list(energy.groupby(local_index(energy, TZ).date).sum()), rel=0.002)


@pytest.mark.parametrize("last", [True, False])
def test_totals_of_days_among_the_readings_are_set_aside(tmp_path: Path, last: bool) -> None:
    """With a bare date, which reads as midnight: behind its day it took the place of the night's first reading."""
    energy = truth(date(2024, 5, 2), 8, TZ, 15)
    lines: list[str] = []
    for day, of in energy.groupby(local_index(energy, TZ).date):
        total = [f"{day},{of.sum() / 1000:.2f}"]
        rows = [f"{at:%Y-%m-%d %H:%M},{wh / 1000:.3f}" for at, wh in zip(local_index(of, TZ), of, strict=True)]
        lines += rows + total if last else total + rows
    result = read_file(save(tmp_path, "\n".join(["Time,PV (kWh)", *lines]).encode()), TZ)
    assert_same(result, energy, 15)
    assert (result.rejected_count, result.rejected[0].reason) == (8, "the line holds the total of its day")


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


def test_a_jump_by_a_thousand_inside_the_file_is_told(tmp_path: Path) -> None:
    energy = truth(MAY, 30, TZ, 15)

    def jump(rows: list[list[str]]) -> list[list[str]]:
        return [*rows[:1441], *([row[0], f"{1000 * float(row[1]):.0f}"] for row in rows[1441:])]

    result = read_file(lines_of(tmp_path, energy, jump), TZ)
    notice = next(notice for notice in result.notices if notice.code == "unit_jump")
    assert "17 May 2024" in notice.text  # row 1,441 is the first of day 16
    assert "larger" in notice.text


@pytest.mark.parametrize("after", [[""], ["", ""], ["", "-", ""]])
def test_a_blank_never_wins_over_a_figure(tmp_path: Path, after: list[str]) -> None:
    """Exports repeat lines whose figure is not known yet, or no more: the figure is what was measured."""
    energy = truth(MAY, 10, TZ, 15)
    noon = 4 * 96 + 50

    def repeat(rows: list[list[str]]) -> list[list[str]]:
        stamp, figure = rows[1 + noon]
        rows[1 + noon : 2 + noon] = [[stamp, ""], [stamp, figure], *([stamp, blank] for blank in after)]
        return rows

    result = read_file(lines_of(tmp_path, energy, repeat), TZ)
    assert_same(result, energy, 15)
    assert result.duplicates == 1 + len(after)
