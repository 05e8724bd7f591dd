"""The calendar of a year's days: a mark a day, the kinds told apart by shape, and all of them counted."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from datetime import date, timedelta

import pandas as pd

from portal.charts.year import year_chart

SVG = "{http://www.w3.org/2000/svg}"
REASONS = ["", "", "", "clouds all day", "no readings", "stuck values", "a gap", "an outage"]
"""Repeated: three of eight days are used."""


def daily(days: int) -> pd.DataFrame:
    refused = [REASONS[number % len(REASONS)] for number in range(days)]
    dates = [date(2025, 1, 1) + timedelta(days=number) for number in range(days)]
    return pd.DataFrame({"used": [not one for one in refused], "refused": refused}, index=dates)


def test_each_day_of_the_last_year_has_one_mark() -> None:
    chart = year_chart(daily(800))
    assert chart
    for picture in (chart.svg, chart.narrow):
        root = ET.fromstring(picture)
        spots = [element.get("d") or "" for element in root if element.tag == f"{SVG}path" and element.get("fill")]
        assert sum(one.count("M") for one in spots) == 365
        assert len(set(re.findall(r"M[\d.]+ [\d.]+", "".join(spots)))) == 365, "no two in one place"


def test_kinds_are_counted_in_the_table_and_named_in_the_picture() -> None:
    chart = year_chart(daily(80))
    assert chart
    assert chart.table
    # by hand: 80 days are ten rounds of eight
    counted = {row[0]: row[1] for row in chart.table.rows}
    assert counted == {"fit to judge by": "30"} | dict.fromkeys(REASONS[3:], "10")
    assert chart.summary.startswith("30 of 80 days")
    words = {element.text for element in ET.fromstring(chart.svg).iter(f"{SVG}text")}
    assert {"fit to judge by", "something else"} <= words
    assert len(words & set(REASONS[3:])) == 3, "as many as have a sign of their own"


def test_no_days_make_no_calendar() -> None:
    assert year_chart(daily(0)) is None
