"""A roof's life: each mark on its day, told by its shape, and all of them in the table."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from datetime import date

import pytest

from portal.charts.life import FEWEST_MARKS, MARGIN, LifeRow, Mark, MarkShape, life_chart
from portal.charts.svg import DESK

SVG = "{http://www.w3.org/2000/svg}"
UNTIL = date(2026, 1, 1)
WASHED = ((date(2025, 1, 1), "gain 5 %"), (UNTIL, "gain 3 %"))
ROWS = [
    LifeRow("Readings", [Mark(date(2024, 1, 1), "all days", until=UNTIL)]),
    LifeRow("Washes", [Mark(day, gain, MarkShape.DROP, "wash") for day, gain in WASHED]),
    LifeRow("Findings", []),
]


def test_marks_lie_on_their_days() -> None:
    """By hand: 366 of the 731 days from 1 January 2024 to 1 January 2026 have gone by on 1 January 2025."""
    chart = life_chart(ROWS, until=UNTIL)
    assert chart
    moved = [element.get("transform") or "" for element in ET.fromstring(chart.svg).iter(f"{SVG}path")]
    at = [float(found[1]) for one in moved if (found := re.match(r"translate\(([\d.]+) ", one))]
    wide = DESK.width - 2 * MARGIN
    assert at == pytest.approx([MARGIN + wide * 366 / 731, MARGIN + wide], abs=0.06)


def test_the_table_has_all_of_them_the_newest_first_and_empty_rows_are_left_out() -> None:
    chart = life_chart(ROWS, until=UNTIL)
    assert chart
    assert chart.table
    assert chart.table.rows == (
        ("1 January 2026", "Washes", "gain 3 %"),
        ("1 January 2025", "Washes", "gain 5 %"),
        ("1 January 2024", "Readings", "all days"),
    )
    assert "Findings" not in chart.svg
    assert chart.narrow.count("<path") == chart.svg.count("<path") - 4, "a phone has fewer months under the line"


def test_two_marks_are_no_life() -> None:
    assert FEWEST_MARKS == 3
    assert life_chart(ROWS[1:], until=UNTIL) is None
    assert life_chart([], until=UNTIL) is None


def test_shapes_differ_without_their_colours() -> None:
    assert len({shape.value for shape in MarkShape}) == len(MarkShape)
