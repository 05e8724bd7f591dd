"""General shapes of exports, each written out by hand around known readings."""

from __future__ import annotations

import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from portal.readers import Mapping, MisreadError, ReadError, UndecidedError
from tests.readers.dialects import assert_same, guess_file, local_index, read_file, save, truth

TZ = "Europe/Berlin"
ENERGY = truth(date(2024, 10, 20), 12, TZ, 15)
LOCAL = [at.to_pydatetime() for at in local_index(ENERGY, TZ)]


def comma(value: float, places: int = 3) -> str:
    return f"{value:.{places}f}".replace(".", ",")


SHAPES: dict[str, tuple[str, Callable[[datetime, int], str]]] = {
    "a title, a blank line, a header and a row of formats and units": (
        "Anlage;Haus am See\n\nDatum und Uhrzeit;Gesamtanlage;Verbrauch\n[dd.MM.yyyy HH:mm];[Wh];[Wh]\n",
        lambda at, wh: f"{at:%d.%m.%Y %H:%M};{wh};{123}",
    ),
    "consumption and import beside the production": (
        "Time,Consumption (Wh),Production (Wh),Import (Wh),Export (Wh),Self-consumption (Wh)\n",
        lambda at, wh: f"{at:%m/%d/%Y %H:%M},500,{wh},{max(0, 500 - wh)},{max(0, wh - 500)},{min(wh, 500)}",
    ),
    "the date as a script prints it": (
        "date;generation kWh\n",
        lambda at, wh: f"{at:%a %b %d %Y %H:%M:%S} GMT{at:%z} (Central European Time);{comma(wh / 1000)}",
    ),
    "a trailing delimiter on each line": (
        "Zeit;Ertrag [kWh]\n",
        lambda at, wh: f"{at:%d.%m.%Y %H:%M};{comma(wh / 1000)};",
    ),
    "units behind each figure": (
        "Zeit;Erzeugung\n",
        lambda at, wh: f"{at:%d.%m.%Y %H:%M};{comma(wh / 1000)} kWh",
    ),
    "the interval as a range": (
        "Intervall;Ertrag (Wh)\n",
        lambda at, wh: f"{at:%d.%m.%Y %H:%M} - {at + timedelta(minutes=15):%H:%M};{wh}",
    ),
    "start and end in columns of their own": (
        "From,To,Yield (Wh)\n",
        lambda at, wh: f"{at:%Y-%m-%d %H:%M},{at + timedelta(minutes=15):%Y-%m-%d %H:%M},{wh}",
    ),
    "month names of another language": (
        "Datum;Ertrag Wh\n",
        lambda at, wh: f"{at.day}. {'Oktober' if at.month == 10 else 'November'} {at:%Y %H:%M};{wh}",
    ),
    "times with dots": (
        "Aika;PV Wh\n",
        lambda at, wh: f"{at.day}.{at.month}.{at.year} {at.hour}.{at:%M};{wh}",
    ),
    "apostrophes as quotes": (
        "'Time','PV energy [kWh]'\n",
        lambda at, wh: f"'{at:%d/%m/%Y %H:%M}','{comma(wh / 1000)}'",
    ),
    "blanks as delimiters": (
        "date time pv_energy_wh\n",
        lambda at, wh: f"{at:%Y-%m-%d %H:%M:%S}   {wh}",
    ),
    "milliseconds since 1970": (
        "ts,pv_wh\n",
        lambda at, wh: f"{int(at.timestamp()) * 1000},{wh}",
    ),
    "the meter's number on each line": (
        "Meter number,Reading date,Energy produced (kWh),Status\n",
        lambda at, wh: f"00123456,{at:%d/%m/%Y %H:%M},{wh / 1000:.3f},A",
    ),
    "power, energy and a counter side by side": (
        "Time;PV power [W];PV energy [Wh];Energy today [kWh];Temperature [°C]\n",
        lambda at, wh: f"{at:%Y-%m-%d %H:%M};{wh * 4};{wh};{at.hour};21",
    ),
    "a date in words": (
        "Fecha;Producción (kWh)\n",
        lambda at, wh: (
            f"{at.day} de {'octubre' if at.month == 10 else 'noviembre'} de {at:%Y %H:%M};{comma(wh / 1000)}"
        ),
    ),
    "halves of the day as Spanish writes them": (
        "Fecha;Hora;Generación (Wh)\n",
        lambda at, wh: f"{at:%d/%m/%Y};{at.hour % 12 or 12}:{at:%M}\u00a0{'a' if at.hour < 12 else 'p'}.\u00a0m.;{wh}",
    ),
    "a day of the week before and a word behind": (
        "Zeit;Ertrag (Wh)\n",
        lambda at, wh: f"{['Mo', 'Di', 'Mi', 'Do', 'Fr', 'Sa', 'So'][at.weekday()]}, {at:%d.%m.%Y %H:%M} Uhr;{wh}",
    ),
    "a time with a dot in a column of its own": (
        "Data;Ora;Energia prodotta [kWh]\n",
        lambda at, wh: f"{at:%d/%m/%Y};{at:%H.%M};{comma(wh / 1000)}",
    ),
    "the interval as two whole stamps": (
        "Interval;PV energy (Wh)\n",
        lambda at, wh: f"{at:%Y-%m-%d %H:%M} - {at + timedelta(minutes=15):%Y-%m-%d %H:%M};{wh}",
    ),
    "the interval as ISO 8601 has it": (
        "Interval;PV energy (Wh)\n",
        lambda at, wh: f"{at:%Y-%m-%dT%H:%M}/{at + timedelta(minutes=15):%Y-%m-%dT%H:%M};{wh}",
    ),
    "seconds since 1970 with a fraction": ("time,solar_wh\n", lambda at, wh: f"{at.timestamp():.1f},{wh}"),
    "cells dressed as formulas": (
        "Time,PV energy (kWh)\n",
        lambda at, wh: f'="{at:%Y-%m-%d %H:%M}",="{wh / 1000:.3f}"',
    ),
    "whole lines in quotation marks": (
        '"Zeit;Ertrag [kWh]"\n',
        lambda at, wh: f'"{at:%d.%m.%Y %H:%M};{comma(wh / 1000)}"',
    ),
    "the date on the first line of each day alone": (
        "Datum;Zeit;Ertrag [kWh]\n",
        lambda at, wh: f"{f'{at:%d.%m.%Y}' if f'{at:%H%M}' == '0000' else ''};{at:%H:%M};{comma(wh / 1000)}",
    ),
    "small figures in Wh and large ones in kWh": (
        "Time;Production\n",
        lambda at, wh: f"{at:%Y-%m-%d %H:%M};{f'{wh} Wh' if wh < 1000 else f'{wh / 1000:.3f} kWh'}",
    ),
    "headings above headings, and the plant's size in a title": (
        "My roof, 9.8 kWp, inverter 8 kW\n\n;Energy [kWh];;Weather\nTime;East;West;°C\n",
        lambda at, wh: f"{at:%Y-%m-%d %H:%M};{wh // 3 / 1000};{(wh - wh // 3) / 1000};21",
    ),
    "a figure without a unit beside it": (
        "Zeit;Ertrag [kWh];Sonnenschein\n",
        lambda at, wh: f"{at:%d.%m.%Y %H:%M};{comma(wh / 1000)};{at.minute}",
    ),
    "a forecast and an irradiance beside it": (
        "Time;Forecast energy (Wh);PV energy (Wh);Irradiance (W/m²)\n",
        lambda at, wh: f"{at:%Y-%m-%d %H:%M};{wh * 2};{wh};{wh // 2}",
    ),
}


@pytest.mark.parametrize("name", SHAPES)
def test_a_shape_is_read_without_a_question(tmp_path: Path, name: str) -> None:
    head, line = SHAPES[name]
    text = head + "".join(line(at, int(wh)) + "\n" for at, wh in zip(LOCAL, ENERGY, strict=True))
    result = read_file(save(tmp_path, text.encode()), TZ)
    assert_same(result, ENERGY, 15)
    assert result.rejected_count == 0


def by_hand(tz: str, energy: pd.Series[int], per_day: int) -> dict[date, list[int]]:
    days: dict[date, list[int]] = {}
    for at, value in zip(local_index(energy, tz), energy, strict=True):
        days.setdefault(at.date(), []).append(int(value))
    assert {len(values) * 24 // per_day for values in days.values()} == {24, 25}
    return days


@pytest.mark.parametrize(("prefix", "minutes"), [("H", 60), ("", 15), ("Interval ", 30)])
def test_counted_columns_of_a_day_of_25_hours(tmp_path: Path, prefix: str, minutes: int) -> None:
    energy = truth(date(2024, 10, 20), 12, TZ, minutes)
    per_day = 1440 // minutes
    width = per_day * 25 // 24
    lines = [";".join(["Datum", "Einheit", *(f"{prefix}{k}" for k in range(1, width + 1))])]
    for day, values in by_hand(TZ, energy, per_day).items():
        cells = [str(value) for value in values] + [""] * (width - len(values))
        lines.append(";".join([f"{day:%d.%m.%Y}", "Wh", *cells]))
    assert_same(read_file(save(tmp_path, "\n".join(lines).encode()), TZ), energy, minutes)


@pytest.mark.parametrize(("first", "longest"), [(date(2024, 3, 25), 23), (date(2024, 10, 20), 25)])
def test_hours_counted_to_23_and_25(tmp_path: Path, first: date, longest: int) -> None:
    energy = truth(first, 12, TZ, 60)
    days: dict[date, list[int]] = {}
    for at, value in zip(local_index(energy, TZ), energy, strict=True):
        days.setdefault(at.date(), []).append(int(value))
    assert {len(values) for values in days.values()} == {24, longest}
    lines = ["Fecha;Hora;Generación (Wh)"]
    lines += [f"{day:%d/%m/%Y};{hour};{value}" for day, of in days.items() for hour, value in enumerate(of, 1)]
    result = read_file(save(tmp_path, "\n".join(lines).encode()), TZ)
    assert_same(result, energy, 60)
    assert result.rejected_count == 0


@pytest.mark.parametrize("minutes", [30, 15])
@pytest.mark.parametrize("first", [date(2024, 3, 25), date(2024, 10, 20)])
def test_counted_half_and_quarter_hours_in_a_column_of_their_own(tmp_path: Path, first: date, minutes: int) -> None:
    """Over both changes of the clock: 46 to 50 a day, or 92 to 100; in no day's rows does one come twice."""
    energy = truth(first, 14, "Europe/London", minutes)
    counts = Counter[date]()
    lines = []
    for at, wh in zip(local_index(energy, "Europe/London"), energy, strict=True):
        counts[at.date()] += 1
        lines.append(f"{at:%d/%m/%Y},{counts[at.date()]},{wh / 1000:.3f}")
    path = save(tmp_path, "\n".join(["Day,Period,Generation (kWh)", *lines]).encode())
    assert_same(read_file(path, "Europe/London"), energy, minutes)


def test_the_clock_s_hours_in_a_column_of_their_own(tmp_path: Path) -> None:
    energy = truth(date(2024, 5, 2), 12, TZ, 60)
    text = "Date,Hour,Generation kWh\n" + "".join(
        f"{at:%m/%d/%Y},{at.hour},{value / 1000}\n" for at, value in zip(local_index(energy, TZ), energy, strict=True)
    )
    assert_same(read_file(save(tmp_path, text.encode()), TZ), energy, 60)


def test_a_row_a_day_with_hours_of_twelve_and_a_total(tmp_path: Path) -> None:
    energy = truth(date(2024, 5, 2), 15, TZ, 60)
    lines = ["Date," + ",".join(f"{hour % 12 or 12} {'AM' if hour < 12 else 'PM'}" for hour in range(24)) + ",Sum [Wh]"]
    for day in range(15):
        cells = [str(value) for value in energy.iloc[day * 24 : day * 24 + 24]]
        lines.append(",".join([f"{date(2024, 5, 2 + day):%m/%d/%Y}", *cells, str(energy.iloc[day * 24 :][:24].sum())]))
    assert_same(read_file(save(tmp_path, "\n".join(lines).encode()), TZ), energy, 60)


def test_daily_wh_whose_every_figure_has_a_thousands_mark(tmp_path: Path) -> None:
    totals = [9126, 8431, 12_077, 3205, 11_440]
    lines = [
        f"{date(2024, 5, 14 + day):%d.%m.%Y};{total // 1000}.{total % 1000:03d}" for day, total in enumerate(totals)
    ]
    result = read_file(save(tmp_path, "\n".join(["Datum;Ertrag (Wh)", *lines]).encode()), TZ)
    assert list(result.readings.energy_wh) == totals
    # In kWh the same figures are a little over nine: a roof has no thousands of kWh a day.
    result = read_file(save(tmp_path, "\n".join(["Datum;Ertrag (kWh)", *lines]).encode()), TZ)
    assert list(result.readings.energy_wh) == pytest.approx(totals)


@pytest.mark.parametrize("mark", ["", '"'], ids=["nothing quoted", "stamps quoted"])
def test_a_decimal_comma_between_commas_is_refused_with_the_reason(tmp_path: Path, mark: str) -> None:
    text = "Zeit,Ertrag [kWh]\n" + _lines(lambda at, wh: f"{mark}{at:%d.%m.%Y %H:%M}{mark},{comma(wh / 1000)}")
    with pytest.raises(ReadError, match=r"2 columns in its header and 3 on its lines.*semicolons"):
        read_file(save(tmp_path, text.encode()), TZ)


def test_a_row_of_units_longer_than_all_other_rows(tmp_path: Path) -> None:
    text = "Time;PV energy\n;[Wh];[°C]\n" + _lines(lambda at, wh: f"{at:%Y-%m-%d %H:%M};{wh}")
    assert_same(read_file(save(tmp_path, text.encode()), TZ), ENERGY, 15)


def test_registers_named_by_their_obis_codes(tmp_path: Path) -> None:
    """1.8.0 is energy drawn from the grid, 2.8.0 energy given to it (IEC 62056-61, value from memory)."""
    total = ENERGY.cumsum()
    text = "Zeit;1.8.0 [Wh];2.8.0 [Wh]\n" + "".join(
        f"{at:%d.%m.%Y %H:%M};{1000 + 50 * number};{value}\n"
        for number, (at, value) in enumerate(zip(LOCAL, total, strict=True))
    )
    with pytest.raises(UndecidedError, match=r"“2.8.0 .Wh.” is energy sent to the grid"):
        read_file(save(tmp_path, text.encode()), TZ)


@pytest.mark.parametrize("folder", ["", "2024/"])
def test_an_inverter_a_file_in_a_zip_is_asked_about_and_can_be_added_up(tmp_path: Path, folder: str) -> None:
    path = tmp_path / "both.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for name, share in (("east.csv", 0.25), ("west.csv", 0.75)):
            text = "Time,PV energy (Wh)\n" + _lines(lambda at, wh, share=share: f"{at:%Y-%m-%d %H:%M},{wh * share}")  # type: ignore[misc]
            archive.writestr(folder + name, text)
    with pytest.raises(UndecidedError, match=r"2 meters: “east.csv”, “west.csv”") as asked:
        read_file(path, TZ)
    assert_same(read_file(path, TZ, asked.value.mapping.answered("meter", "*")), ENERGY, 15)
    west = read_file(path, TZ, asked.value.mapping.answered("meter", "west.csv"))
    assert float(west.readings.energy_wh.sum()) == pytest.approx(0.75 * float(ENERGY.sum()))


def test_a_file_of_another_shape_in_a_zip_is_named(tmp_path: Path) -> None:
    path = tmp_path / "export.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.csv", "Time,PV energy (Wh)\n" + _lines(lambda at, wh: f"{at:%Y-%m-%d %H:%M},{wh}"))
        archive.writestr("summary.csv", "Month;Total\n10/2024;300\n")
    with pytest.raises(ReadError, match=r"summary.csv is not built like a.csv.*Leave it out"):
        read_file(path, TZ)


def test_what_the_house_used_can_still_be_mapped_by_hand(tmp_path: Path) -> None:
    text = "Time,Energy usage (Wh)\n" + _lines(lambda at, wh: f"{at:%Y-%m-%d %H:%M},{wh}")
    path = save(tmp_path, text.encode())
    with pytest.raises(MisreadError, match="energy that was used or bought") as refused:
        read_file(path, TZ)
    seen = refused.value.seen
    assert seen.measures == {"Energy usage (Wh)": ("energy", "Wh")}
    mapping = replace(seen.mapping, value_columns=("Energy usage (Wh)",), unit="Wh")
    assert_same(read_file(path, TZ, mapping), ENERGY, 15)


def test_two_meters_in_a_wide_table(tmp_path: Path) -> None:
    one, two = truth(date(2024, 5, 2), 8, TZ, 60, 1), truth(date(2024, 5, 2), 8, TZ, 60, 2)
    lines = [",".join(["Meter", "Date", "Unit", *(f"{hour:02d}:00" for hour in range(24))])]
    for name, energy in (("A-1", one), ("A-2", two)):
        for day in range(8):
            cells = [str(value) for value in energy.iloc[day * 24 : day * 24 + 24]]
            lines.append(",".join([name, f"{date(2024, 5, 2 + day):%d/%m/%Y}", "Wh", *cells]))
    path = save(tmp_path, "\n".join(lines).encode())
    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    assert "meter" in [question.code for question in asked.value.questions]
    mapping = asked.value.mapping
    for question in asked.value.questions:
        if question.code == "date_order":
            mapping = mapping.answered("date_order", "dmy")
    assert_same(read_file(path, TZ, mapping.answered("meter", "A-2")), two, 60)
    assert_same(read_file(path, TZ, mapping.answered("meter", "*")), one + two, 60)


def test_a_mapping_outlives_another_preamble_and_another_order_of_columns(tmp_path: Path) -> None:
    first = save(
        tmp_path, ("Time;PV energy (Wh);Status\n" + _lines(lambda at, wh: f"{at:%d.%m.%Y %H:%M};{wh};OK")).encode()
    )
    mapping = guess_file(first, TZ).mapping
    kept = Mapping.from_json(mapping.to_json())
    assert kept == mapping
    text = "Printed later\n\n\nStatus;PV energy (Wh);Time\n" + _lines(lambda at, wh: f"OK;{wh};{at:%d.%m.%Y %H:%M}")
    assert_same(read_file(save(tmp_path, text.encode(), "later.csv"), TZ, kept), ENERGY, 15)


def _lines(line: Callable[[datetime, int], str]) -> str:
    return "".join(line(at, int(wh)) + "\n" for at, wh in zip(LOCAL, ENERGY, strict=True))


def test_a_day_alone_is_read_by_the_remembered_mapping_though_its_dates_are_ambiguous(tmp_path: Path) -> None:
    path = save(tmp_path, ("Time;PV energy (Wh)\n" + _lines(lambda at, wh: f"{at:%d/%m/%Y %H:%M};{wh}")).encode())
    mapping = guess_file(path, TZ).mapping
    day = truth(date(2024, 11, 5), 1, TZ, 15)
    text = "Time;PV energy (Wh)\n" + "".join(
        f"{at:%d/%m/%Y %H:%M};{wh}\n" for at, wh in zip(local_index(day, TZ), day, strict=True)
    )
    assert_same(read_file(save(tmp_path, text.encode(), "night.csv"), TZ, mapping), day, 15)


def test_the_preview_shows_the_first_days(tmp_path: Path) -> None:
    path = save(tmp_path, ("Time;PV energy (Wh)\n" + _lines(lambda at, wh: f"{at:%d/%m/%Y %H:%M};{wh}")).encode())
    seen = guess_file(path, TZ)
    assert seen.preview is not None
    assert len(seen.preview.energy_wh) == 7 * 96
    assert np.array_equal(seen.preview.energy_wh.to_numpy(), ENERGY.to_numpy()[: 7 * 96])
    assert seen.columns == ("Time", "PV energy (Wh)")
    assert seen.sample[1][1] == "0"
