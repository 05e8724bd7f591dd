"""The production chart: means a day by week, gaps on neither side."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

from portal.charts.production import production_chart, weekly_kwh_per_day

MONDAY = date(2026, 3, 2)


def daily() -> pd.DataFrame:
    """Two weeks: 20 kWh of 25 kWh a day, then a week with three days missing and 10 kWh of 30 kWh on the others."""
    days = [MONDAY + timedelta(days=n) for n in range(14)]
    energy = np.array([20_000.0] * 7 + [10_000.0] * 4 + [np.nan] * 3)
    return pd.DataFrame({"energy_wh": energy, "expected_wh": [25_000.0] * 7 + [30_000.0] * 7}, index=days)


def test_weeks_begin_on_monday_and_average_the_days_with_readings() -> None:
    weeks = weekly_kwh_per_day(daily())
    assert [pd.Timestamp(day).date() for day in weeks.index] == [MONDAY, MONDAY + timedelta(days=7)]
    assert weeks["energy_kwh"].to_list() == pytest.approx([20.0, 10.0])
    assert weeks["expected_kwh"].to_list() == pytest.approx([25.0, 30.0])


def test_the_figure_is_one_that_plotly_accepts() -> None:
    chart = production_chart(daily())
    assert chart
    assert chart.figure
    go.Figure(chart.figure)
    assert chart.figure["data"][0]["y"] == [20.0, 10.0]


def test_the_summary_gives_the_mean_of_the_weeks() -> None:
    chart = production_chart(daily())
    assert chart
    # (20 + 10) / 2 and (25 + 30) / 2
    assert "made 15.0 kWh a day" in chart.summary
    assert "would make 27.5 kWh" in chart.summary


def test_no_readings_make_no_chart() -> None:
    table = daily()
    table["energy_wh"] = np.nan
    assert production_chart(table) is None
