"""The picture of the year ahead: where its lines stand, and that its table tells the same."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from xml.etree import ElementTree

from portal.charts.fan import fan_chart
from portal.pv.fan import Ahead, Fan

FAN = Fan(
    date(2026, 6, 15),
    30,
    tuple(Ahead(days, 0.02, 0.04 + days / 10_000, 0.10) for days in range(0, 361, 15)),
    (Ahead(30, 0.0, 0.0, 0.0), *(Ahead(days, 0.0, 0.01, 0.03) for days in range(45, 361, 15))),
    tuple(days / 360 for days in range(0, 361, 15)),
)


def test_both_pictures_are_whole_with_legend_unit_and_chances_of_rain() -> None:
    chart = fan_chart(FAN)
    for svg in (chart.svg, chart.narrow):
        ElementTree.fromstring(svg)
        for word in ("if nobody washes", "if washed on 15 July 2026", "9 in 10", "of clean output", ">5/10<"):
            assert word in svg


def test_a_washed_roof_stands_above_an_unwashed_one() -> None:
    lines = re.findall(r'<polyline[^>]*stroke-width="2.2"[^>]*points="([^"]+)"', fan_chart(FAN).svg)
    unwashed, washed = ([float(pair.split(",")[1]) for pair in line.split()] for line in lines)
    assert max(washed) < min(unwashed), "higher up has the smaller y"


def test_the_table_and_the_sentence_tell_the_same() -> None:
    chart = fan_chart(FAN)
    assert chart.table is not None
    assert chart.table.rows[0] == ("15 June 2026", "96.0", "90.0", "98.0", "–", "0")
    assert chart.table.rows[-1] == ("10 June 2027", "92.4", "90.0", "98.0", "99.0", "10")
    assert "90 to 98 % of what clean ones would by 13 October 2026" in chart.summary, "three months after the wash"
    assert "If they are washed on 15 July 2026, 97 to 100 %." in chart.summary


def test_a_wash_on_the_day_of_the_assessment_is_one_now() -> None:
    washed = (Ahead(0, 0.0, 0.0, 0.0), *FAN.washed[1:])
    chart = fan_chart(replace(FAN, washed_after=0, washed=washed))
    assert "by 13 September 2026. If they are washed now, 97 to 100 %." in chart.summary
    assert "if washed now" in chart.svg
    assert chart.table is not None
    assert "If washed now, %" in chart.table.heads


def test_a_clean_roofs_year_does_not_look_dramatic() -> None:
    clean = Fan(FAN.as_of, 0, (Ahead(0, 0, 0, 0.001), Ahead(360, 0, 0.001, 0.002)), (Ahead(0, 0, 0, 0),), (0.0, 1.0))
    assert "92 %" in fan_chart(clean).svg
