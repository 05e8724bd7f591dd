"""What is left of a cleaning's gain in the weeks ahead, where rain comes as the roof's record shows it."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from portal.pv.recovered import expected_clean_wh
from portal.pv.year import PENTADS, SoilingYear

AFTER = date(2026, 6, 3)
RECORD = pd.date_range("2025-01-01", "2026-06-03").date
DAILY = pd.DataFrame({"energy_wh": 20_000.0, "soiling_ratio": 1.0}, index=RECORD)


def a_year(rain_per_day: float, kept: float) -> SoilingYear:
    return SoilingYear(np.full(PENTADS, 0.001), np.full(PENTADS, rain_per_day), np.array([kept]))


@pytest.mark.parametrize(("rain_per_day", "kept"), [(0.02, 0.4), (0.1, 0.0), (0.005, 0.9)])
def test_rain_melts_a_gain_as_the_geometric_series_says(rain_per_day: float, kept: float) -> None:
    # Each pentad it rains with the chance p = 1 - (1 - a day's)^5 and leaves the share k, so the mean share left is
    # q = 1 - p (1 - k) to the power of the pentads gone; half a pentad's loss is counted in it (trapezoid).
    q = 1 - (1 - (1 - rain_per_day) ** 5) * (1 - kept)
    series = sum((q**n + q ** (n + 1)) / 2 for n in range(73)) * 5 * 20_000
    found = expected_clean_wh(DAILY, a_year(rain_per_day, kept), after=AFTER, until=AFTER + timedelta(days=365))
    # 240 futures: their mean lies within four of its standard errors, taken from the band they span
    error = (found.high - found.low) / (2 * 1.645) / 240**0.5
    assert found.middle == pytest.approx(series, abs=4 * error)
    assert 0 < found.low < found.middle < found.high <= 365 * 20_000


def test_without_rain_a_gain_holds_to_the_end() -> None:
    found = expected_clean_wh(DAILY, a_year(0.0, 0.4), after=AFTER, until=AFTER + timedelta(days=33))
    assert [found.low, found.middle, found.high] == pytest.approx([660_000.0] * 3)


def test_no_day_between_is_no_energy_and_an_empty_record_is_unknown() -> None:
    assert expected_clean_wh(DAILY, a_year(0.0, 0.4), after=AFTER, until=AFTER).middle == 0.0
    empty = DAILY.assign(energy_wh=np.nan)
    assert np.isnan(expected_clean_wh(empty, a_year(0.0, 0.4), after=AFTER, until=AFTER + timedelta(days=9)).middle)
