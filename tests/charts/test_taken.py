"""What dirt took: energy made, over its share of clean, less itself."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from portal.charts.taken import RIBBON_FROM_DAYS, taken_ribbon


def daily(days: int, *, ratio: float = 0.8, missing: int = 0) -> pd.DataFrame:
    """20 kWh a day at a share of clean; the last ``missing`` days have no readings."""
    energy = np.array([20_000.0] * (days - missing) + [np.nan] * missing)
    return pd.DataFrame(
        {
            "energy_wh": energy,
            "soiling_ratio": ratio,
            "soiling_ratio_low": ratio - 0.05,
            "soiling_ratio_high": 1.0,
        },
        index=[date(2025, 1, 1) + timedelta(days=n) for n in range(days)],
    )


def test_what_dirt_took_is_what_clean_panels_would_have_made_less_what_was_made() -> None:
    """By hand: 20 kWh at 80 % of clean are 25 kWh clean, 5 kWh a day taken; at 75 % they are 26.67, at 100 % none."""
    ribbon = taken_ribbon(daily(100))
    assert ribbon
    assert ribbon.taken.kwh == pytest.approx(500)
    assert ribbon.taken.kwh_low == pytest.approx(0)
    assert ribbon.taken.kwh_high == pytest.approx(100 * (20 / 0.75 - 20))
    assert ribbon.chart.table
    assert ribbon.chart.table.rows[0] == ("Jan 2025", "620", "775", "155")  # 31 days


def test_days_without_readings_take_nothing_and_only_the_last_year_counts() -> None:
    ribbon = taken_ribbon(daily(800, missing=100))
    assert ribbon
    assert ribbon.taken.days == 365 - 100
    assert ribbon.taken.kwh == pytest.approx(265 * 5)
    assert ribbon.taken.since == date(2025, 1, 1) + timedelta(days=800 - 365)


def test_a_short_record_or_one_without_an_estimate_has_no_ribbon() -> None:
    assert taken_ribbon(daily(RIBBON_FROM_DAYS - 1)) is None
    unknown = daily(200)
    unknown[["soiling_ratio", "soiling_ratio_low", "soiling_ratio_high"]] = np.nan
    assert taken_ribbon(unknown) is None
    assert taken_ribbon(daily(100).iloc[:0]) is None
