"""Readings against their site: sizes by arithmetic, hours against an almanac's times of sun and dusk."""

from __future__ import annotations

import pandas as pd
import pytest

from portal.pv.plausibility import plausibility_of

# US Naval Observatory, Denver (39.74 N, 104.99 W), 20 March 2026: civil twilight ends about 19:38 local daylight
# time, that is 01:38 UTC on the 21st; the sun rises about 07:02 (13:02 UTC). From memory, good to some minutes.
DENVER = {"latitude": 39.74, "longitude": -104.99, "ac_kw": 4.0}


def energies(start: str, hours: int, wh: float = 1000.0) -> pd.Series[float]:
    return pd.Series(wh, index=pd.date_range(start, periods=hours, freq="h"), dtype="float64")


def test_full_power_is_one_time_the_inverter_and_watts_taken_for_kilowatts_a_thousand() -> None:
    day = energies("2026-03-20T14:00Z", 10, 4000.0)
    told = plausibility_of(day, 60, **DENVER)
    assert told is not None
    assert told.size == pytest.approx(1.0)
    wrong = plausibility_of(day * 1000, 60, **DENVER)
    assert wrong is not None
    assert wrong.size == pytest.approx(1000.0)


def test_energy_between_dawn_and_dusk_is_not_dark() -> None:
    told = plausibility_of(energies("2026-03-20T13:00Z", 12), 60, **DENVER)  # 07:00 to 19:00
    assert told is not None
    assert told.dark == 0.0


def test_energy_after_civil_twilight_is_dark() -> None:
    told = plausibility_of(energies("2026-03-20T13:00Z", 16), 60, **DENVER)  # 07:00 to 23:00
    assert told is not None
    # the hours 20 to 21, 21 to 22 and 22 to 23; 19 to 20 has its middle before twilight's end
    assert told.dark == pytest.approx(3 / 16)


def test_daily_totals_have_a_size_and_no_hours() -> None:
    days = pd.Series(32_000.0, index=pd.date_range("2026-06-01T06:00Z", periods=10, freq="D"))
    told = plausibility_of(days, 1440, **DENVER)
    assert told is not None
    assert told.size == pytest.approx(1.0)
    assert told.dark != told.dark


def test_without_energy_there_is_nothing_to_compare() -> None:
    assert plausibility_of(energies("2026-03-20T13:00Z", 5, 0.0), 60, **DENVER) is None
