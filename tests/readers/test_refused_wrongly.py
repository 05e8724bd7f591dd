"""Files that were refused, or with the wrong sentence: each as people and their programs write them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import pytest

from portal.readers import ReadError
from tests.readers.dialects import assert_same, local_index, read_file, save, truth

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
