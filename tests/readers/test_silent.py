"""Files that went in wrong without a word: each written by hand around known readings, as a logger writes it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from portal.readers import ReadError, UndecidedError
from tests.readers.dialects import assert_same, codes, guess_file, local_index, read_file, save, truth

TZ = "Europe/Berlin"


@pytest.mark.parametrize(
    "stamp",
    [
        lambda at: f"{at.year}/{at.month}/{at.day} {at:%H:%M}",
        lambda at: f"{at.year}-{at.month}-{at.day} {at.hour}:{at:%M}",
        lambda at: f"{at.year}.{at.month}.{at.day} {at:%H:%M}",
    ],
)
def test_year_first_dates_without_padding_are_read_whole(tmp_path: Path, stamp: Callable[[datetime], str]) -> None:
    """From 25 April to 14 May: one figure and two of both day and time."""
    energy = truth(date(2024, 4, 25), 20, TZ, 15)
    rows = zip(local_index(energy, TZ), energy, strict=True)
    text = "Time,PV (Wh)\n" + "".join(f"{stamp(at)},{wh}\n" for at, wh in rows)
    result = read_file(save(tmp_path, text.encode()), TZ)
    assert result.rejected_count == 0
    assert_same(result, energy, 15)


def test_a_year_of_dates_without_padding_is_not_refused(tmp_path: Path) -> None:
    energy = truth(date(2023, 1, 1), 365, TZ, 60)
    rows = zip(local_index(energy, TZ), energy, strict=True)
    text = "Time,PV (Wh)\n" + "".join(f"{at.year}/{at.month}/{at.day} {at:%H:%M},{wh}\n" for at, wh in rows)
    assert_same(read_file(save(tmp_path, text.encode()), TZ), energy, 60)


@pytest.mark.parametrize(
    ("minutes", "name"),
    [
        (60, lambda i: f"hr_{i + 1:02d}_{(i + 2):02d} kWh"),
        (30, lambda i: f"P{i // 2:02d}:{i % 2 + 1} kWh"),
        (15, lambda i: f"Q{i % 4 + 1} of hour {i // 4} kWh"),
        (15, lambda i: f"{i // 4:02d}{15 * (i % 4):02d} kWh"),
        (5, lambda i: f"V{i // 12}.{i % 12} kWh"),
    ],
)
def test_as_many_like_named_columns_as_a_day_has_intervals_are_a_day(
    tmp_path: Path, minutes: int, name: Callable[[int], str]
) -> None:
    """Forty days a row; read as inverters they were forty sums."""
    energy = truth(date(2024, 5, 2), 40, TZ, minutes)
    width = 1440 // minutes
    days = energy.to_numpy().reshape(-1, width)
    first = local_index(energy, TZ)[::width]
    lines = ["Day;" + ";".join(name(i) for i in range(width))]
    lines += [f"{day:%Y-%m-%d};" + ";".join(str(wh / 1000) for wh in row) for day, row in zip(first, days, strict=True)]
    assert_same(read_file(save(tmp_path, "\n".join(lines).encode()), TZ), energy, minutes)


def test_daily_totals_of_three_inverters_are_still_added_up(tmp_path: Path) -> None:
    lines = ["Date;Inverter 1 kWh;Inverter 2 kWh;Inverter 3 kWh"]
    lines += [f"2024-05-{day:02d};{day * 7 % 5 + 0.5};{day * 7 % 5 + 1.5};{day * 7 % 5 + 2.5}" for day in range(1, 29)]
    result = read_file(save(tmp_path, "\n".join(lines).encode()), TZ)
    assert result.readings.interval_minutes == 1440
    assert list(result.readings.energy_wh[:2]) == [10500.0, 16500.0]


@pytest.mark.parametrize("written", ["+{0:02d}:00", "UTC+{0}", "+{0:02d}00"])
@pytest.mark.parametrize("site", [TZ, "Europe/Lisbon"])
def test_a_column_of_offsets_from_utc_is_heeded(tmp_path: Path, written: str, site: str) -> None:
    """Over the end of summer time, whose doubled hour only the offset tells apart; the site's own zone is no matter."""
    energy = truth(date(2024, 10, 20), 12, TZ, 15)
    lines = ["Local time,UTC offset,PV (Wh)"]
    for at, wh in zip(local_index(energy, TZ), energy, strict=True):
        hours = int(f"{at:%z}"[:3])
        lines.append(f"{at:%Y-%m-%d %H:%M},{written.format(hours)},{wh}")
    result = read_file(save(tmp_path, "\n".join(lines).encode()), site)
    assert result.mapping.clock.kind == "offset"
    assert_same(result, energy, 15)


def rows_of(energy: pd.Series[int], stamp: Callable[[datetime], str]) -> list[str]:
    return [f"{stamp(at)};{wh / 1000:.3f}" for at, wh in zip(local_index(energy, TZ), energy, strict=True)]


def test_dates_that_contradict_each_other_are_refused_with_one_of_each(tmp_path: Path) -> None:
    """Written by two programs in turn: the days up to the 12th went in as days of other months."""
    energy = truth(date(2024, 5, 1), 20, TZ, 60)
    lines = rows_of(energy, lambda at: f"{at:%d/%m/%Y %H:%M}" if at.day % 2 else f"{at:%m/%d/%Y %H:%M}")
    with pytest.raises(ReadError, match="“13/05/2024” can only have the day first and “05/14/2024” only the month"):
        read_file(save(tmp_path, "\n".join(["Time;PV energy (kWh)", *lines]).encode()), TZ)


def test_a_sheet_whose_early_days_were_turned_by_a_spreadsheet_is_refused(tmp_path: Path) -> None:
    """Opened where the month comes first: 1/5 became the 5th of January, 13/5 stayed a text."""
    book = openpyxl.Workbook()
    book.active.append(["Time", "PV energy (kWh)"])
    energy = truth(date(2024, 5, 1), 20, TZ, 60)
    for at, wh in zip(local_index(energy, TZ), energy, strict=True):
        turned = datetime(at.year, at.day, at.month, at.hour) if at.day <= 12 else f"{at:%d/%m/%Y %H:%M}"  # noqa: DTZ001
        book.active.append([turned, wh / 1000])
    book.save(tmp_path / "export.xlsx")
    with pytest.raises(ReadError, match="has taken day for month"):
        read_file(tmp_path / "export.xlsx", TZ)


@pytest.mark.parametrize("days", [4, 20])
@pytest.mark.parametrize("minutes", [15, 1440])
def test_zeros_alone_are_asked_about(tmp_path: Path, minutes: int, days: int) -> None:
    energy = truth(date(2024, 5, 1), days, TZ, minutes) * 0
    path = save(tmp_path, "\n".join(["Time;PV energy (kWh)", *rows_of(energy, "{:%Y-%m-%d %H:%M}".format)]).encode())
    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    assert [question.code for question in asked.value.questions] == ["nothing"]
    result = read_file(path, TZ, asked.value.seen.mapping.answered("nothing", "accept"))
    assert result.readings.energy_wh.sum() == 0
    assert result.readings.energy_wh.notna().all()


def test_a_day_of_zeros_is_taken_and_told(tmp_path: Path) -> None:
    """Snow, in a file a day."""
    lines = rows_of(truth(date(2024, 1, 13), 1, TZ, 15) * 0, "{:%Y-%m-%d %H:%M}".format)
    assert "nothing" in codes(read_file(save(tmp_path, "\n".join(["Time;PV (kWh)", *lines]).encode()), TZ))


@pytest.mark.parametrize("apart", [";", " "])
def test_begin_and_end_with_a_dash_are_no_offset_from_utc(tmp_path: Path, apart: str) -> None:
    energy = truth(date(2024, 5, 1), 20, TZ, 15)
    rows = rows_of(energy, lambda at: f"{at:%d.%m.%Y}{apart}{at:%H:%M}-{at + timedelta(minutes=15):%H:%M}")
    header = f"Day{';Time' if apart == ';' else ''};PV energy (kWh)"
    assert_same(read_file(save(tmp_path, "\n".join([header, *rows]).encode()), TZ), energy, 15)


def test_columns_named_by_begin_and_end_are_read_to_the_evening(tmp_path: Path) -> None:
    """The end of each ("12:00-12:15") passed for an offset from UTC: two hours off, and all after 14:15 left out."""
    energy = truth(date(2024, 5, 1), 20, TZ, 15)
    names = [f"{i // 4:02d}:{15 * (i % 4):02d}-{(i + 1) // 4:02d}:{15 * ((i + 1) % 4):02d}" for i in range(96)]
    days = zip(local_index(energy, TZ)[::96], energy.to_numpy().reshape(-1, 96), strict=True)
    rows = [f"{day:%d.%m.%Y};" + ";".join(map(str, of)) for day, of in days]
    text = "\n".join(["PV energy in Wh", "Day;" + ";".join(names), *rows])
    assert_same(read_file(save(tmp_path, text.encode()), TZ), energy, 15)


def test_a_w_in_the_file_s_name_is_no_unit(tmp_path: Path) -> None:
    """The west side's file, its figures in kWh: as watts they were a four-thousandth."""
    energy = truth(date(2024, 5, 1), 20, TZ, 15)
    days = zip(local_index(energy, TZ)[::96], energy.to_numpy().reshape(-1, 96), strict=True)
    rows = [f"{day:%Y-%m-%d};" + ";".join(str(wh / 1000) for wh in of) for day, of in days]
    text = "\n".join(["Day;" + ";".join(f"q{i}" for i in range(1, 97)), *rows])
    seen = guess_file(save(tmp_path, text.encode(), "roof w.csv"), TZ)
    assert "kind" in {question.code for question in seen.questions}
    assert seen.mapping.unit == "kWh"


def test_this_year_beside_the_last_is_not_added_up(tmp_path: Path) -> None:
    lines = [f"2024-05-{day:02d};{day * 7 % 5 + 9};{day * 7 % 5 + 10}" for day in range(1, 29)]
    seen = guess_file(save(tmp_path, "\n".join(["Day;PV 2023 (kWh);PV 2024 (kWh)", *lines]).encode()), TZ)
    assert [(question.code, question.choices[0].value) for question in seen.questions] == [
        ("columns", '["PV 2024 (kWh)"]')
    ]


def test_a_month_s_running_sum_gives_each_day_its_own(tmp_path: Path) -> None:
    """Into the next month, where it begins again; it went in a day early."""
    energy = truth(date(2024, 5, 1), 50, TZ, 1440)
    local = local_index(energy, TZ)
    sums = pd.Series(energy.to_numpy()).groupby(local.month).cumsum()
    lines = [f"{at:%Y-%m-%d};{wh / 1000:.3f}" for at, wh in zip(local, sums, strict=True)]
    path = save(tmp_path, "\n".join(["Day;PV month to date (kWh)", *lines]).encode())
    assert_same(read_file(path, TZ), energy, 1440)


def test_daily_sums_of_nobody_knows_what_are_asked_about(tmp_path: Path) -> None:
    """Takings by day, at the size of a roof's kWh."""
    lines = [f"2024-05-{day:02d},{day * 7 % 13 + 11}.90" for day in range(1, 29)]
    seen = guess_file(save(tmp_path, "\n".join(["date,total", *lines]).encode()), TZ)
    assert "kind" in {question.code for question in seen.questions}
