"""The performance chart says what the daily table says, in a picture that any policy lets through."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from datetime import date

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

from portal.charts.performance import MarkedDay, performance_chart, refused_days, with_jumps

SVG = "{http://www.w3.org/2000/svg}"


def daily(days: int = 100) -> pd.DataFrame:
    """A roof that loses 0.1 pp a day and is washed on day 60; every tenth day is refused for clouds."""
    start = date(2026, 1, 1).toordinal()
    ratio = np.array([1 - 0.001 * (n if n < 60 else n - 60) for n in range(days)])
    used = np.array([n % 10 != 0 for n in range(days)])
    return pd.DataFrame(
        {
            "energy_wh": 20_000.0,
            "expected_wh": 25_000.0,
            "index": np.where(used, ratio, np.nan),
            "used": used,
            "refused": np.where(used, "", "clouds all day"),
            "soiling_ratio": ratio,
            "soiling_ratio_low": ratio - 0.01,
            "soiling_ratio_high": ratio + 0.01,
        },
        index=[date.fromordinal(start + n) for n in range(days)],
    )


WASHED = MarkedDay(date(2026, 3, 2), "cleaned, gain 6 % (5 to 7 %)", wash=True)
RAINED = MarkedDay(date(2026, 2, 1), "recovered by itself", wash=False)


def test_the_figure_is_one_that_plotly_accepts() -> None:
    chart = performance_chart(daily(), [WASHED, RAINED])
    assert chart
    go.Figure(chart.figure)  # raises on any key or value outside of plotly's schema


def test_the_figure_holds_the_days_of_the_table() -> None:
    table = daily()
    chart = performance_chart(table, [WASHED])
    assert chart
    assert chart.figure
    traces = {trace.get("name"): trace for trace in chart.figure["data"]}
    assert traces["a day, the season taken out"]["x0"] == "2026-01-01"
    assert traces["a day, the season taken out"]["dx"] == 24 * 3600 * 1000
    assert traces["a day, the season taken out"]["y"][0] is None
    assert traces["a day, the season taken out"]["y"][5] == pytest.approx(0.995)
    assert traces["what dirt leaves of it"]["y"][59] == pytest.approx(0.941)
    assert traces["day left out"]["x"] == [day.isoformat() for n, day in enumerate(table.index) if n % 10 == 0]
    assert "clouds all day" in traces["day left out"]["hovertemplate"]
    assert traces["washed"]["x"][:2] == ["2026-03-02", "2026-03-02"]


@pytest.mark.parametrize("shape", ["svg", "narrow"])
def test_both_pictures_have_a_name_of_their_own_and_no_style(shape: str) -> None:
    chart = performance_chart(daily(), [WASHED, RAINED])
    assert chart
    root = ET.fromstring(getattr(chart, shape))
    assert root.get("role") == "img"
    named = {element.get("id") for element in root if element.tag == f"{SVG}title"}
    assert named == set((root.get("aria-labelledby") or "").split())
    assert named != {f"performance-{'phone' if shape == 'svg' else 'desk'}-title"}
    for element in root.iter():
        assert "style" not in element.attrib
        assert not any(name.startswith("on") for name in element.attrib)
        assert element.tag not in (f"{SVG}style", f"{SVG}script")


def test_a_point_lies_where_its_day_and_value_say() -> None:
    """By hand: the axis runs from 85 % at the bottom to 105 % at the top, 250 px above; day 0 is at x = 56."""
    chart = performance_chart(daily(), [])
    assert chart
    root = ET.fromstring(chart.svg)
    bottom = 14 * 1.55 + 18 + 250  # a line of letters for the axis' title, room for marks, the field itself
    line = next(e for e in root.iter(f"{SVG}polyline") if e.get("class") == "stroke-line")
    first, second = (point.split(",") for point in (line.get("points") or "").split()[:2])
    assert float(first[0]) == pytest.approx(56)
    assert float(first[1]) == pytest.approx(bottom - 250 * (1.0 - 0.85) / 0.2, abs=0.06)
    assert float(second[0]) == pytest.approx(56 + (760 - 56 - 8) / 99, abs=0.06)


def test_gaps_in_the_line_stay_gaps() -> None:
    table = daily()
    table.loc[table.index[40:50], ["soiling_ratio", "soiling_ratio_low", "soiling_ratio_high"]] = np.nan
    chart = performance_chart(table, [])
    assert chart
    lines = [e for e in ET.fromstring(chart.svg).iter(f"{SVG}polyline") if e.get("class") == "stroke-line"]
    assert len(lines) == 2


def test_the_summary_tells_the_picture_in_a_sentence() -> None:
    chart = performance_chart(daily(), [WASHED, RAINED])
    assert chart
    assert "90 of 100 days were fit to judge by" in chart.summary
    assert "Cleanings marked: 1; times that it came clean by itself: 1" in chart.summary
    assert "dirt" not in chart.summary  # how much is lost, the page's one answer says


def test_what_came_from_outside_cannot_break_out_of_the_picture() -> None:
    table = daily()
    table.loc[~table["used"], "refused"] = '</script><script>alert("x")</script>'
    chart = performance_chart(table, [MarkedDay(date(2026, 3, 2), "<b>x", wash=True)])
    assert chart
    assert "<script" not in chart.svg
    assert "<b>" not in chart.svg


def test_no_days_make_no_chart() -> None:
    assert performance_chart(daily(0), []) is None


def test_a_table_without_any_judged_day_still_draws() -> None:
    table = daily(20)
    for column in ("index", "soiling_ratio", "soiling_ratio_low", "soiling_ratio_high"):
        table[column] = np.nan
    table["used"] = False
    table["refused"] = "too few readings"
    chart = performance_chart(table, [])
    assert chart
    go.Figure(chart.figure)
    assert "0 of 20 days" in chart.summary


def test_days_left_out_are_counted_by_reason_for_those_who_cannot_point_at_them() -> None:
    days = pd.date_range("2026-01-01", periods=5).date
    refused = ["too cloudy", "", "no readings", "too cloudy", ""]
    daily = pd.DataFrame({"used": [not reason for reason in refused], "refused": refused}, index=days)
    assert refused_days(daily) == [("too cloudy", 2), ("no readings", 1)]


def test_a_wash_is_a_jump_on_its_day() -> None:
    """The table spreads a wash over three days; drawn, the day of the wash stands twice and all of it is done."""
    table = daily()[["soiling_ratio", "soiling_ratio_low", "soiling_ratio_high"]]
    table.iloc[60:63] = [[ratio, ratio - 0.01, ratio + 0.01] for ratio in (0.96, 0.98, 0.997)]
    line = with_jumps(table, [WASHED.date])
    assert line.loc[line.index == WASHED.date, "soiling_ratio"].to_list() == pytest.approx([0.941, 0.997])
    assert line["soiling_ratio"].iloc[60:65].to_list() == pytest.approx([0.941, 0.997, 0.997, 0.997, 0.997])
    assert line["soiling_ratio_low"].iloc[62] == pytest.approx(0.987)
    assert len(line) == len(table) + 1
    assert with_jumps(table, [table.index[0], date(2020, 1, 1)]).equals(table)


def test_a_long_record_shows_its_last_year_with_the_one_before_behind_it_and_the_whole_when_asked() -> None:
    chart = performance_chart(daily(900), [WASHED])
    assert chart
    assert chart.whole
    shown = {element.text for element in ET.fromstring(chart.svg).iter(f"{SVG}text")}
    assert "the year before" in shown
    assert "the year before" not in chart.whole.svg
    assert chart.summary.startswith("19 June 2027 to 18 June 2028: ")  # 900 days from 1 January 2026; 365 back
    assert chart.whole.summary.startswith("1 January 2026 to 18 June 2028: ")
    assert chart.figure
    assert len(chart.figure["data"][0]["y"]) == 900, "who looks closer has all of it"
    assert performance_chart(daily(400), []).whole is None  # type: ignore[union-attr]


def test_the_table_tells_each_month_as_the_line_does() -> None:
    chart = performance_chart(daily(), [])
    assert chart
    assert chart.table
    # February 2026 is days 31 to 58 of the table: 1 − 0.001 · 44.5 in the middle; days 40 and 50 are left out
    assert chart.table.rows[1] == ("Feb 2026", "26", "95.5", "94.5", "96.5")


LETTERS_AT_LEAST = 12
"""Pixels of a letter on a phone, by the brief of the house."""
PANEL_ON_A_PHONE = 322
"""Pixels that a panel leaves for a picture where the screen is 390 wide."""


def test_letters_of_the_narrow_picture_can_be_read_on_a_phone() -> None:
    chart = performance_chart(daily(), [WASHED, RAINED])
    assert chart
    root = ET.fromstring(chart.narrow)
    shown = PANEL_ON_A_PHONE / float(root.get("width") or 0)
    sizes = [float(element.get("font-size") or 0) for element in root.iter(f"{SVG}text")]
    assert min(sizes) * shown >= LETTERS_AT_LEAST
