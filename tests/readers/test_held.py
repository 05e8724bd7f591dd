"""Power logged only when it changes, planted minute by minute; the truth is the minutes added up, not our holding."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.readers.dialects import codes, read_file, save, truth

TZ = "Europe/Berlin"


def minutes_of(days: int, step_w: int) -> pd.Series[float]:
    """Power [W] minute by minute, in steps as a logger's dead band has them, with clouds that pass."""
    start = pd.Timestamp(date(2024, 5, 2), tz=TZ).tz_convert("UTC")
    index = pd.date_range(start, periods=days * 1440, freq="1min")
    hour = (np.arange(len(index)) % 1440) / 60
    sun = np.clip(np.sin((hour - 5.8) / 14 * math.pi), 0, None) * ((hour > 5.8) & (hour < 19.8))
    random = np.random.default_rng(3)
    cloud = np.repeat(random.choice([1.0, 1.0, 1.0, 0.4], len(index) // 60), 60)
    return pd.Series(np.round(5000 * sun * cloud / step_w) * step_w, index=index)


def logged(tmp_path: Path, power: pd.Series[float]) -> Path:
    stamps = pd.DatetimeIndex(power.index).tz_convert(TZ).strftime("%Y-%m-%d %H:%M:%S")
    lines = [f"{stamp},{w:.0f}" for stamp, w in zip(stamps, power, strict=True)]
    return save(tmp_path, "\n".join(["Time,PV power (W)", *lines]).encode())


@pytest.mark.parametrize("step_w", [20, 50, 200])
def test_power_logged_only_on_change_keeps_all_its_energy(tmp_path: Path, step_w: int) -> None:
    power = minutes_of(8, step_w)
    result = read_file(logged(tmp_path, power[power.diff() != 0]), TZ)
    got = result.readings.energy_wh
    expected = (power / 60).resample("15min").sum().reindex(got.index)
    assert "on_change" in codes(result)
    assert got.notna().mean() > 0.99
    assert float(np.nanmax(np.abs(got - expected))) < 1e-6
    assert float(got.sum()) == pytest.approx(float(power.sum() / 60), rel=0.001)


@pytest.mark.parametrize("minutes", [15, 60])
def test_a_sign_of_life_where_nothing_changes_is_no_grid(tmp_path: Path, minutes: int) -> None:
    """By a logger that writes a figure again after so many minutes; half of the energy was lost."""
    power = minutes_of(8, 200)
    since, kept = 0, []
    for changed in power.diff() != 0:
        since = 0 if changed or since + 1 == minutes else since + 1
        kept.append(since == 0)
    result = read_file(logged(tmp_path, power[kept]), TZ)
    assert "on_change" in codes(result)
    assert float(result.readings.energy_wh.sum()) == pytest.approx(float(power.sum() / 60), rel=0.001)


def test_a_log_of_changes_that_stopped_by_day_is_not_held_over_the_pause(tmp_path: Path) -> None:
    power = minutes_of(6, 50)
    changes = power[power.diff() != 0]
    off = (changes.index >= power.index[2 * 1440 + 720]) & (changes.index < power.index[3 * 1440 + 720])
    result = read_file(logged(tmp_path, changes[~off]), TZ)
    assert "on_change" in codes(result)
    night = result.readings.energy_wh.loc[power.index[2 * 1440 + 1000] : power.index[3 * 1440 + 360]]
    assert night.isna().all()


def test_a_grid_with_holes_and_jitter_is_no_log_of_changes(tmp_path: Path) -> None:
    energy = truth(date(2024, 5, 2), 10, TZ, 5)
    random = np.random.default_rng(5)
    kept = energy[random.random(len(energy)) > 0.2] * 12.0
    late = pd.to_timedelta(random.integers(0, 9, len(kept)), unit="s")
    moved = pd.Series(kept.to_numpy(), index=pd.DatetimeIndex(kept.index) + late)
    assert "on_change" not in codes(read_file(logged(tmp_path, moved), TZ))
