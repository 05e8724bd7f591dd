"""Stamps and clocks as real files have them, planted in known readings."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from portal.readers import UndecidedError
from tests.readers.dialects import (
    assert_same,
    codes,
    guess_file,
    lines_of,
    read_file,
    save,
    truth,
    variant,
    write,
)

TZ = "Europe/Berlin"
MAY = date(2024, 5, 2)


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
