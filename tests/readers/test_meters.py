"""Several meters or columns in one file: which is the production."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from portal.readers import ReadError, UndecidedError
from tests.readers.dialects import (
    assert_same,
    codes,
    lines_of,
    local_index,
    read_file,
    save,
    truth,
)

TZ = "Europe/Berlin"
MAY = date(2024, 5, 2)


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
