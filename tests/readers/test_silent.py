"""Files that went in wrong without a word: each written by hand around known readings, as a logger writes it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import pytest

from tests.readers.dialects import assert_same, local_index, read_file, save, truth

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
