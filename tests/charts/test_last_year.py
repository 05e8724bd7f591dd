"""The small picture of a roof's last year: where its line stands, and what it marks."""

from __future__ import annotations

import re
from datetime import date, timedelta
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from portal.charts.last_year import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, last_year_chart

UNTIL = date(2026, 6, 15)


def table(ratio: np.ndarray) -> pd.DataFrame:
    days = [UNTIL - timedelta(days=len(ratio) - 1 - n) for n in range(len(ratio))]
    return pd.DataFrame({"soiling_ratio": ratio}, index=days)


def points(svg: str) -> list[tuple[float, float]]:
    found = re.search(r'points="([^"]+)"', svg)
    assert found
    return [(float(x), float(y)) for x, y in (pair.split(",") for pair in found[1].split())]


def test_the_line_runs_from_clean_at_the_top_down_to_the_loss() -> None:
    svg = last_year_chart(table(np.linspace(1.0, 0.9, 366)), [], until=UNTIL)
    ElementTree.fromstring(svg)
    (x0, y0), (x1, y1) = points(svg)[0], points(svg)[-1]
    assert (x0, y0) == (LEFT, TOP)
    assert x1 == pytest.approx(WIDTH - RIGHT, abs=2)
    # half-way between 100 % and the lower edge of 80 %
    assert y1 == pytest.approx((TOP + HEIGHT - BOTTOM) / 2, abs=0.5)
    assert "100%" in svg
    assert "80%" in svg


def test_washes_of_the_year_are_marked_and_older_ones_are_not() -> None:
    ratio = table(np.full(600, 0.95))
    washes = [UNTIL - timedelta(days=100), UNTIL - timedelta(days=500)]
    found = re.search(r'd="([^"]+)"', last_year_chart(ratio, washes, until=UNTIL))
    assert found
    assert found[1].count("M") == 1


def test_a_deep_loss_moves_the_lower_edge() -> None:
    svg = last_year_chart(table(np.linspace(1.0, 0.6, 366)), [], until=UNTIL)
    assert max(y for _, y in points(svg)) <= HEIGHT - BOTTOM
    assert "80%" not in svg


@pytest.mark.parametrize("ratio", [np.array([]), np.full(30, np.nan), np.array([0.9])])
def test_without_an_estimate_there_is_no_picture(ratio: np.ndarray) -> None:
    assert last_year_chart(table(ratio), [], until=UNTIL) == ""
