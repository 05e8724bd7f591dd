"""The chart of a cleaning's effect."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd

from portal.charts.before_after import before_after_chart

WASHED = date(2026, 5, 4)


def _daily(days_of_record: int) -> pd.DataFrame:
    days = [date(2026, 6, 20) - timedelta(days=n) for n in reversed(range(days_of_record))]
    ratio = np.array([0.9 if day <= WASHED else 1.0 for day in days])
    return pd.DataFrame(
        {
            "index": ratio,
            "used": True,
            "refused": "",
            "soiling_ratio": ratio,
            "soiling_ratio_low": ratio - 0.01,
            "soiling_ratio_high": ratio + 0.01,
        },
        index=pd.Index(days, dtype=object),
    )


def test_the_chart_shows_the_weeks_around_the_wash_and_says_what_it_shows() -> None:
    chart = before_after_chart(_daily(200), cleaned_on=WASHED)
    assert chart is not None
    assert chart.figure
    # 60 days before; the record ends 47 days after
    assert "60 usable days before, 47 after" in chart.summary
    assert "a year earlier" not in chart.summary
    assert [trace["name"] for trace in chart.figure["data"] if "name" in trace] == [
        "where it likely lies, 9 in 10",
        "a day, the season taken out",
        "what dirt leaves of it",
        "washed",
    ]
    assert chart.figure["data"][2]["x"][0] == (WASHED - timedelta(days=60)).isoformat()
    assert 'role="img"' in chart.svg
    assert ">washed</text>" in chart.svg


def test_where_a_year_exists_the_same_season_stands_beside() -> None:
    chart = before_after_chart(_daily(500), cleaned_on=WASHED)
    assert chart is not None
    assert chart.figure
    assert "Open dots are 121 days of the same season a year earlier" in chart.summary
    earlier = next(trace for trace in chart.figure["data"] if trace.get("name") == "a year earlier")
    assert earlier["x"][0] == (WASHED - timedelta(days=60)).isoformat(), "moved on by a year, to lie beside"


def test_recoveries_by_themselves_are_marked_apart_from_the_wash() -> None:
    chart = before_after_chart(
        _daily(200), cleaned_on=WASHED, recoveries=[WASHED + timedelta(days=20), date(2025, 1, 1)]
    )
    assert chart is not None
    assert chart.figure
    rain = next(trace for trace in chart.figure["data"] if trace.get("name") == "came clean by itself, as after rain")
    assert rain["x"] == ["2026-05-24", "2026-05-24", None]
    assert chart.svg.count("stroke-dasharray") == 2, "in the picture and in its legend"


def test_without_readings_around_the_wash_there_is_no_chart() -> None:
    assert before_after_chart(_daily(200), cleaned_on=date(2024, 1, 1)) is None
    empty = _daily(200)
    empty["index"] = np.nan
    assert before_after_chart(empty, cleaned_on=WASHED) is None


def test_no_style_and_no_script_is_in_the_drawing() -> None:
    chart = before_after_chart(_daily(500), cleaned_on=WASHED)
    assert chart is not None
    for forbidden in ("style=", "<style", "<script", "onload"):
        assert forbidden not in chart.svg
