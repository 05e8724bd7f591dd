"""Dates in columns of their own for year, month and day, and dates that only the file's name tells."""

from __future__ import annotations

import zipfile
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from portal.readers import ReadError, UndecidedError
from tests.readers.dialects import assert_same, local_index, read_file, save, truth

TZ = "Europe/Berlin"
ENERGY = truth(date(2024, 4, 25), 20, TZ, 60)
LOCAL = local_index(ENERGY, TZ)


@pytest.mark.parametrize(
    ("header", "stamp"),
    [
        ("Year,Month,Day,Time", "%Y,%m,%d,%H:%M"),
        ("Year,Month,Day,Hour", "%Y,%-m,%-d,%-H"),
        ("Jahr,Monat,Tag,Uhrzeit", "%Y,%B,%-d,%H:%M"),
        ("Time,Day,Month,Year", "%H:%M,%-d,%-m,%Y"),
    ],
)
def test_year_month_and_day_in_columns_of_their_own_are_read(tmp_path: Path, header: str, stamp: str) -> None:
    lines = [f"{at.strftime(stamp)},{wh}" for at, wh in zip(LOCAL, ENERGY, strict=True)]
    path = save(tmp_path, "\n".join(["Some logger", f"{header},Production (Wh)", *lines]).encode())
    result = read_file(path, TZ)
    assert result.rejected_count == 0
    assert_same(result, ENERGY, 60)
    again = read_file(path, TZ, mapping=result.mapping)  # as the meter remembers it
    assert_same(again, ENERGY, 60)


def day_file(day: date, minutes: int = 15) -> tuple[pd.Series[int], bytes]:
    energy = truth(day, 1, TZ, minutes)
    lines = [f"{at:%H:%M};{wh}" for at, wh in zip(local_index(energy, TZ), energy, strict=True)]
    return energy, "\n".join(["Time;Production (Wh)", *lines]).encode()


@pytest.mark.parametrize(
    "name", ["production-2024-05-20.csv", "20240520.csv", "log_2024_05_20_final.csv", "20.05.2024.csv"]
)
def test_a_date_in_the_files_name_is_that_of_its_lines(tmp_path: Path, name: str) -> None:
    energy, content = day_file(date(2024, 5, 20))
    assert_same(read_file(save(tmp_path, content, name), TZ), energy, 15)


def test_a_date_in_the_name_that_reads_both_ways_is_asked_about(tmp_path: Path) -> None:
    energy, content = day_file(date(2024, 5, 6))
    path = save(tmp_path, content, "log 06-05-2024.csv")
    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    assert [question.code for question in asked.value.questions] == ["date_order"]
    assert_same(read_file(path, TZ, mapping=asked.value.mapping.answered("date_order", "dmy")), energy, 15)


def test_a_zip_of_days_has_each_file_on_its_day(tmp_path: Path) -> None:
    days = [day_file(date(2024, 5, day)) for day in (19, 20, 21)]
    path = tmp_path / "may.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for number, (_, content) in zip((19, 20, 21), days, strict=True):
            archive.writestr(f"day_2024-05-{number}.csv", content)
    assert_same(read_file(path, TZ), pd.concat([energy for energy, _ in days]), 15)


def test_times_without_any_date_are_still_refused(tmp_path: Path) -> None:
    _, content = day_file(date(2024, 5, 20))
    with pytest.raises(ReadError, match="line 2: “00:00” is a time without a day"):
        read_file(save(tmp_path, content, "production.csv"), TZ)


def test_midnight_at_the_end_of_a_file_is_the_next_day(tmp_path: Path) -> None:
    energy = truth(date(2024, 5, 20), 1, TZ, 60)
    ends = local_index(energy, TZ) + pd.Timedelta(hours=1)
    lines = [f"{at:%H:%M};{wh}" for at, wh in zip(ends, energy, strict=True)]
    path = save(tmp_path, "\n".join(["End time;Production (Wh)", *lines]).encode(), "log_20240520.csv")
    result = read_file(path, TZ)
    assert np.isclose(result.readings.energy_wh.sum(), energy.sum())
    assert_same(result, energy, 60)
