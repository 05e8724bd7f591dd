"""Files that were refused, or with the wrong sentence: each as people and their programs write them."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import pandas as pd
import pytest

from portal.readers import ReadError
from tests.readers.dialects import assert_same, guess_file, local_index, read_file, save, truth

TZ = "Europe/Berlin"
ENERGY = truth(date(2024, 4, 25), 20, TZ, 15)
LOCAL = local_index(ENERGY, TZ)


def stamped(tmp_path: Path, stamp: Callable[[datetime], str]) -> Path:
    lines = [f"{stamp(at)};{wh}" for at, wh in zip(LOCAL, ENERGY, strict=True)]
    return save(tmp_path, "\n".join(["Date;Production (Wh)", *lines]).encode())


@pytest.mark.parametrize(
    "stamp",
    [
        lambda at: f"{at:%d/%m/%Y}\u00a0{at:%H:%M}",
        lambda at: f"{at:%Y-%m-%d}\u202f{at:%H:%M:%S}",
        lambda at: f"{at.day}\u00a0mai\u00a0{at.year} {at:%H:%M}" if at.month == 5 else f"{at.day} avril {at:%Y %H:%M}",
        lambda at: f"{at:%d/%m/%Y} à {at:%H:%M}",
        lambda at: f"{at:%d/%m/%Y} à {at:%Hh%M}",
        lambda at: f"{at:%d.%m.%Y} um {at:%H:%M}",
        lambda at: f"{at:%d/%m/%Y} a las {at:%H:%M}",
        lambda at: f"{at:%d/%m/%Y} alle ore {at:%H:%M}",
    ],
)
def test_blanks_and_words_between_date_and_time_are_read(tmp_path: Path, stamp: Callable[[datetime], str]) -> None:
    result = read_file(stamped(tmp_path, stamp), TZ)
    assert result.rejected_count == 0
    assert_same(result, ENERGY, 15)


def twelve(at: datetime) -> str:
    return f"{at.hour % 12 or 12}:{at:%M}"


@pytest.mark.parametrize(
    ("encoding", "header", "stamp"),
    [
        ("cp932", "日時", lambda at: f"{at.year}年{at.month}月{at.day}日 {at.hour}時{at:%M}分"),
        ("cp932", "日時", lambda at: f"令和{at.year - 2018}年{at.month}月{at.day}日 {at.hour}時{at:%M}分00秒"),
        (
            "gb18030",
            "时间",
            lambda at: f"{at.year}年{at.month}月{at.day}日 {'下午' if at.hour > 11 else '上午'}{twelve(at)}",
        ),
        (
            "cp949",
            "일시",
            lambda at: f"{at.year}. {at.month}. {at.day}. {'오후' if at.hour > 11 else '오전'} {twelve(at)}",
        ),
        ("cp1253", "Ημερομηνία", lambda at: f"{at:%d/%m/%Y} {twelve(at)} {'μμ' if at.hour > 11 else 'πμ'}"),
        ("cp1256", "التاريخ", lambda at: f"{at:%d/%m/%Y} {twelve(at)} {'م' if at.hour > 11 else 'ص'}"),
        ("utf-8", "วันที่", lambda at: f"{at:%d/%m}/{at.year + 543} {at:%H:%M}"),
    ],
)
def test_other_countries_calendars_clocks_and_letters_are_read(
    tmp_path: Path, encoding: str, header: str, stamp: Callable[[datetime], str]
) -> None:
    """Japan, its reign's years, China, Korea, Greece, Egypt, Thailand."""
    lines = [f"{stamp(at)},{wh}" for at, wh in zip(LOCAL, ENERGY, strict=True)]
    result = read_file(save(tmp_path, "\n".join([f"{header},PV (Wh)", *lines]).encode(encoding)), TZ)
    assert result.columns[0] == header
    assert_same(result, ENERGY, 15)


@pytest.mark.parametrize(
    ("encoding", "name"),
    [
        ("cp1251", "Выработка, кВт·ч"),
        ("cp1253", "Παραγωγή"),
        ("cp1255", "ייצור"),
        ("big5", "發電量"),
        ("cp1250", "Czas: średni"),
    ],
)
def test_a_question_names_the_column_in_its_own_letters(tmp_path: Path, encoding: str, name: str) -> None:
    lines = [f"{at:%Y-%m-%d %H:%M};{wh / 1000:.3f}" for at, wh in zip(LOCAL, ENERGY, strict=True)]
    seen = guess_file(save(tmp_path, "\n".join([f"Time;{name}", *lines]).encode(encoding)), TZ)
    assert f"“{name}”" in " ".join(question.text for question in seen.questions)


def test_days_as_a_spreadsheet_counts_them_with_a_comma_are_read(tmp_path: Path) -> None:
    day = [(at.tz_localize(None) - pd.Timestamp(1899, 12, 30)) / pd.Timedelta(days=1) for at in LOCAL]
    lines = [f"{x:.6f};{wh}".replace(".", ",") for x, wh in zip(day, ENERGY, strict=True)]
    assert_same(read_file(save(tmp_path, "\n".join(["Date;Production (Wh)", *lines]).encode()), TZ), ENERGY, 15)


def test_lines_in_no_order_are_read(tmp_path: Path) -> None:
    lines = [f"{at:%Y-%m-%d %H:%M};{wh}" for at, wh in zip(LOCAL, ENERGY, strict=True)]
    random.Random(1).shuffle(lines)
    assert_same(read_file(save(tmp_path, "\n".join(["Date;Production (Wh)", *lines]).encode()), TZ), ENERGY, 15)


def test_dates_side_by_side_are_said_so(tmp_path: Path) -> None:
    lines = [f"{hour:02d}:00;" + ";".join("0.1" for _ in range(7)) for hour in range(24)]
    text = "\n".join(["time;" + ";".join(f"2024-05-{day:02d}" for day in range(1, 8)), *lines])
    with pytest.raises(ReadError, match="line 1: the dates stand side by side, not below each other"):
        read_file(save(tmp_path, text.encode()), TZ)


@pytest.mark.parametrize(
    "form", ["{0:04d}-{1:02d}-01", "01.{1:02d}.{0:04d}", "{0:04d}-{1:02d}", "{1:02d}/{0:04d}", "{1}/1/{0}"]
)
def test_monthly_totals_are_called_too_coarse(tmp_path: Path, form: str) -> None:
    lines = [f"{form.format(year, month)};{400 + 37 * month % 11}" for year in (2022, 2023) for month in range(1, 13)]
    with pytest.raises(ReadError, match="too coarse to see dirt in: days at least"):
        read_file(save(tmp_path, "\n".join(["Month;Production (kWh)", *lines]).encode()), TZ)


def test_stamps_that_all_lie_ahead_are_said_so_with_the_first_and_the_last(tmp_path: Path) -> None:
    path = stamped(tmp_path, lambda at: f"{at.replace(year=2038):%Y-%m-%d %H:%M}")
    with pytest.raises(ReadError, match="All readings lie ahead of today, 25 November 2026: from") as refused:
        read_file(path, TZ)
    assert "2038" in str(refused.value)
    assert "logger's clock" in str(refused.value)


HALF = ",".join(["0.1"] * 48)


@pytest.mark.parametrize("ending", ["", "," * 48])
@pytest.mark.parametrize(
    "names",
    [[f"{hour:02}:{minute:02}" for hour in range(24) for minute in (0, 15, 30, 45)], [f"V{n}" for n in range(1, 97)]],
)
def test_48_values_under_a_header_of_96_are_refused_by_their_name(
    tmp_path: Path, names: list[str], ending: str
) -> None:
    days = [f"2024-05-{day:02},{HALF}{ending}" for day in range(1, 20)]
    path = save(tmp_path, "\n".join([f"Date,{','.join(names)}", *days]).encode())
    with pytest.raises(ReadError, match="have 48 values where the header has 96 columns"):
        read_file(path, TZ)


def test_48_values_where_a_meter_file_says_96_are_refused_with_their_lines(tmp_path: Path) -> None:
    """AEMO's NEM12: the ninth field of record 200 is the interval length, and a 300 holds 1440 by it values."""
    days = [f"300,202405{day:02},{HALF},A,,,20240601000000," for day in range(1, 20)]
    lines = ["100,NEM12,202405011135,MDA1,Ret1", "200,1234567890,B1,1,B1,,1,kWh,15,", *days, "900"]
    with pytest.raises(ReadError, match=r"48 values where 96 are due.*intervals of 15 minutes") as failed:
        read_file(save(tmp_path, "\n".join(lines).encode()), TZ)
    assert failed.value.rejected_count == len(days)
    assert [one.line for one in failed.value.rejected] == list(range(3, 3 + len(days)))
    assert failed.value.rejected[0].text.startswith("300,20240501,0.1")


def test_a_failed_table_keeps_its_rejected_lines(tmp_path: Path) -> None:
    lines = [
        f"{at:%Y-%m-%d %H:%M};{wh if number < 12 else 'n.def.'}"
        for number, (at, wh) in enumerate(zip(LOCAL, ENERGY, strict=True))
    ]
    path = save(tmp_path, "\n".join(["Date;Production (Wh)", *lines]).encode())
    mapping = read_file(stamped(tmp_path, lambda at: f"{at:%Y-%m-%d %H:%M}"), TZ).mapping
    save(tmp_path, "\n".join(["Date;Production (Wh)", *[line.replace(";", ";x") for line in lines]]).encode())
    with pytest.raises(ReadError) as failed:
        read_file(path, TZ, mapping=mapping)
    assert failed.value.rejected_count == len(lines)
    assert "is no number" in failed.value.rejected[0].reason
    assert failed.value.rejected[0].line == 2


@pytest.mark.parametrize(
    ("columns", "stamp"),
    [
        ("Date,Time,AM/PM", lambda at: f"{at:%m/%d/%Y},{twelve(at)},{'PM' if at.hour > 11 else 'AM'}"),
        ("Date,Half", lambda at: f"{at:%m/%d/%Y} {twelve(at)},{'p.m.' if at.hour > 11 else 'a.m.'}"),
        ("Date,Hour,Minute", lambda at: f"{at:%Y-%m-%d},{at.hour},{at.minute}"),
        ("Datum,Stunde,Minute", lambda at: f"{at:%d.%m.%Y},{at:%H},{at:%M}"),
    ],
)
def test_a_time_over_several_columns_is_put_together(
    tmp_path: Path, columns: str, stamp: Callable[[datetime], str]
) -> None:
    lines = [f"{stamp(at)},{wh}" for at, wh in zip(LOCAL, ENERGY, strict=True)]
    result = read_file(save(tmp_path, "\n".join([f"{columns},Production (Wh)", *lines]).encode()), TZ)
    assert result.mapping.time_columns == tuple(columns.split(","))
    assert_same(result, ENERGY, 15)


def test_figures_beside_an_hour_are_not_its_minutes(tmp_path: Path) -> None:
    """A day's hours, and beside them figures of one or two digits."""
    hourly = truth(date(2024, 4, 25), 20, "UTC", 60)
    stamps = local_index(hourly, "UTC")
    lines = [f"{at:%Y-%m-%d},{at.hour},{round(wh / 1000) % 60},{wh}" for at, wh in zip(stamps, hourly, strict=True)]
    text = "\n".join(["Date,Hour,Fan (%),Production (Wh)", *lines])
    result = read_file(save(tmp_path, text.encode()), "UTC")
    assert result.mapping.time_columns == ("Date", "Hour")
    assert_same(result, hourly, 60)


ARABIC = str.maketrans("0123456789.,", "٠١٢٣٤٥٦٧٨٩٫٬")


def test_arabic_digits_with_their_own_marks_are_read(tmp_path: Path) -> None:
    lines = [
        f"{at:%Y/%m/%d %H:%M}".translate(ARABIC) + ";" + f"{wh * 10:,.1f}".translate(ARABIC)
        for at, wh in zip(LOCAL, ENERGY, strict=True)
    ]
    result = read_file(save(tmp_path, "\n".join(["التاريخ;PV (Wh)", *lines]).encode()), TZ)
    assert result.rejected_count == 0
    assert_same(result, ENERGY * 10, 15)


@pytest.mark.parametrize("form", ["2024-W{:02}", "2024W{:02}", "KW {}/2024", "Semana {} 2024"])
def test_weekly_totals_are_called_too_coarse(tmp_path: Path, form: str) -> None:
    lines = [f"{form.format(week)};{90 + 7 * week % 11}" for week in range(1, 40)]
    with pytest.raises(ReadError, match=r"weeks, months or years .* too coarse to see dirt in: days at least"):
        read_file(save(tmp_path, "\n".join(["Week;Production (kWh)", *lines]).encode()), TZ)


def test_days_written_by_their_week_are_read(tmp_path: Path) -> None:
    days = [date.fromisocalendar(2024, week, day) for week in range(10, 30) for day in range(1, 8)]
    lines = [f"{day:%G-W%V-%u};{20 + day.day % 9}.5" for day in days]
    result = read_file(save(tmp_path, "\n".join(["Day;Production (kWh)", *lines]).encode()), TZ)
    assert result.rejected_count == 0
    assert list(pd.DatetimeIndex(result.readings.energy_wh.index).tz_convert(TZ).date) == days


def test_a_line_above_a_table_without_names_gives_its_columns_none(tmp_path: Path) -> None:
    above = ["Plant,Home", "Owner,Ida", "Size,5", "Energy,kWh"]
    figures = [f"{wh / 1000:.3f} {wh / 2000:.4f}".replace(".", ",").split() for wh in ENERGY]
    lines = [f'{at:%d.%m.%Y %H:%M},"{one}","{other}"' for at, (one, other) in zip(LOCAL, figures, strict=True)]
    seen = guess_file(save(tmp_path, "\n".join([*above, *lines]).encode()), TZ)
    assert seen.columns == ("column 1", "column 2", "column 3")
    assert (seen.mapping.decimal, seen.mapping.unit, seen.mapping.value_columns) == (",", "kWh", ("column 2",))
