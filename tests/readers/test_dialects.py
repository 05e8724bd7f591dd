"""Each dialect of delimited text: known readings written, the same readings read, without anyone's help."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from tests.readers.dialects import BASE, Dialect, assert_same, read_answered, read_file, save, truth, variant, write

SPRING = date(2024, 3, 25)  # Berlin's clocks go forward on 31 March 2024 …
AUTUMN = date(2024, 10, 20)  # … and back on 27 October.


def check(folder: Path, dialect: Dialect, first: date = date(2024, 5, 2), days: int = 20) -> None:
    energy = truth(first, days, dialect.tz, dialect.minutes)
    result = read_file(save(folder, write(dialect, energy)), dialect.tz)
    assert_same(result, energy, dialect.minutes)
    assert result.rejected_count == 0, result.rejected[:3]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|", "~", "^"])
def test_any_delimiter(tmp_path: Path, delimiter: str) -> None:
    check(tmp_path, variant(delimiter=delimiter))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_any_encoding(tmp_path: Path, encoding: str) -> None:
    check(tmp_path, variant(encoding=encoding, preamble=4, units_row=True, extra=True))


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_any_line_end(tmp_path: Path, newline: str) -> None:
    check(tmp_path, variant(newline=newline))


@pytest.mark.parametrize(
    ("decimal", "thousands", "unit", "kind"),
    [
        (",", "", "kWh", "energy"),
        (",", ".", "W", "power"),
        (".", ",", "W", "power"),
        (",", ".", "kWh", "register"),
        (".", " ", "W", "power"),
        (",", "\u00a0", "kWh", "register"),
        (".", "'", "kWh", "register"),
    ],
)
def test_decimal_commas_and_thousands_marks(tmp_path: Path, decimal: str, thousands: str, unit: str, kind: str) -> None:
    check(tmp_path, variant(delimiter=";", decimal=decimal, thousands=thousands, unit=unit, kind=kind))


def test_a_decimal_comma_inside_quotes(tmp_path: Path) -> None:
    check(tmp_path, variant(decimal=",", quote_all=True))


@pytest.mark.parametrize(
    "stamp",
    [
        "%Y-%m-%d %H:%M",
        "%Y-%m-%dT%H:%M:%S",
        "%d.%m.%Y %H:%M",
        "%d/%m/%Y %H:%M:%S",
        "%m/%d/%Y %H:%M",
        "%m/%d/%Y %I:%M %p",
        "%d-%b-%Y %H:%M",
        "%d %B %Y %H:%M",
        "%b %d, %Y %I:%M %p",
        "%d.%m.%y %H:%M",
        "%Y%m%d %H%M",
        "%Y%m%d%H%M",
        "%Y%m%d%H%M%S",
        "%Y/%m/%d %H:%M",
        "%a %d/%m/%Y %H:%M",
        "%H:%M %d/%m/%Y",
        "%Y-%m-%d %H:%M:%S.000",
    ],
)
def test_any_stamp(tmp_path: Path, stamp: str) -> None:
    check(tmp_path, variant(stamp=stamp, delimiter=";"))


@pytest.mark.parametrize(
    ("stamp", "time"),
    [
        ("%d/%m/%Y", "%H:%M"),
        ("%m/%d/%Y", "%I:%M %p"),
        ("%Y-%m-%d", "%H:%M:%S"),
        ("%Y%m%d", "%H%M"),
        ("%d.%m.%Y 00:00:00", "%H:%M"),
    ],
)
def test_date_and_time_in_columns_of_their_own(tmp_path: Path, stamp: str, time: str) -> None:
    check(tmp_path, variant(stamp=stamp, time=time))


def test_unix_seconds(tmp_path: Path) -> None:
    check(tmp_path, variant(stamp="%s"))


@pytest.mark.parametrize("stamp", ["%Y-%m-%dT%H:%M:%S%z", "%Y-%m-%d %H:%M %Z"])
@pytest.mark.parametrize("first", [SPRING, AUTUMN])
def test_stamps_with_their_own_offset_across_a_clock_change(tmp_path: Path, stamp: str, first: date) -> None:
    check(tmp_path, variant(stamp=stamp), first)


@pytest.mark.parametrize(
    ("kind", "unit"), [("energy", "Wh"), ("energy", "MWh"), ("power", "W"), ("power", "kW"), ("register", "Wh")]
)
def test_any_unit(tmp_path: Path, kind: str, unit: str) -> None:
    check(tmp_path, variant(kind=kind, unit=unit))


@pytest.mark.parametrize("minutes", [5, 10, 15, 30, 60])
def test_any_interval(tmp_path: Path, minutes: int) -> None:
    check(tmp_path, variant(minutes=minutes))


def test_preamble_units_row_footer_and_other_columns(tmp_path: Path) -> None:
    check(tmp_path, variant(preamble=4, units_row=True, footer=True, extra=True, delimiter=";", decimal=","))


def test_a_file_without_a_header(tmp_path: Path) -> None:
    dialect = variant(header=False, unit="kWh")
    energy = truth(date(2024, 5, 2), 10, dialect.tz, 15)
    path = save(tmp_path, write(dialect, energy))
    assert_same(read_answered(path, dialect), energy, 15)


def test_the_newest_line_first(tmp_path: Path) -> None:
    check(tmp_path, variant(descending=True), AUTUMN, 12)


@pytest.mark.parametrize("first", [SPRING, AUTUMN])
@pytest.mark.parametrize("label", ["start", "end"])
def test_days_of_23_and_25_hours_on_the_wall_clock(tmp_path: Path, first: date, label: str) -> None:
    check(tmp_path, variant(label=label), first, 12)


def test_end_stamps_that_call_midnight_24_00(tmp_path: Path) -> None:
    check(tmp_path, variant(label="end", midnight24=True), AUTUMN, 12)


@pytest.mark.parametrize("first", [SPRING, AUTUMN])
@pytest.mark.parametrize("minutes", [15, 60])
def test_a_row_a_day_with_a_column_an_interval(tmp_path: Path, first: date, minutes: int) -> None:
    check(tmp_path, variant(layout="wide", stamp="%d.%m.%Y", delimiter=";", minutes=minutes), first, 12)


def test_a_clock_that_keeps_winter_time_is_found_out_by_the_hour_summer_time_skips(tmp_path: Path) -> None:
    dialect = variant(clock="winter")
    energy = truth(SPRING, 12, dialect.tz, 15)
    result = read_file(save(tmp_path, write(dialect, energy)), dialect.tz)
    assert_same(result, energy, 15)
    assert result.mapping.clock.kind == "winter"


def test_utc_is_believed_when_the_header_says_so(tmp_path: Path) -> None:
    check(tmp_path, variant(clock="utc"), SPRING, 12)


def test_blank_nights_are_blank_readings_and_become_zero(tmp_path: Path) -> None:
    energy = truth(date(2024, 5, 2), 20, BASE.tz, 15)
    result = read_file(save(tmp_path, write(variant(blank_nights=True), energy)), BASE.tz)
    got = result.readings.energy_wh
    assert result.blanks == int((energy == 0).sum())
    # Only the outermost nights stay open: there is no reading on their far side.
    assert float(got.fillna(0).to_numpy().sum()) == pytest.approx(float(energy.sum()))
    assert int(got.isna().sum()) < 2 * 40
