"""Registers, counters, gaps and what stands behind them, planted in known readings."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.readers.dialects import (
    assert_same,
    codes,
    local_index,
    read_file,
    save,
    truth,
    variant,
    write,
)

TZ = "Europe/Berlin"
MAY = date(2024, 5, 2)


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
