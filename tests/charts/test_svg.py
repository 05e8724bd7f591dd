"""The axes of the small drawings."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from portal.charts.palette import PALETTE
from portal.charts.svg import month_steps, value_steps

STATIC = Path(__file__).resolve().parents[2] / "portal" / "static"


@given(st.floats(0, 1e4), st.floats(1e-3, 1e5))
def test_grid_lines_lie_inside_and_are_few(low: float, span: float) -> None:
    steps = value_steps(low, low + span)
    assert 2 <= len(steps) <= 6
    assert all(low - span * 1e-6 <= value <= low + span * (1 + 1e-6) for value in steps)


def test_grid_lines_are_round_numbers() -> None:
    assert value_steps(0.8, 1.1) == pytest.approx([0.8, 0.9, 1.0, 1.1])
    assert value_steps(0, 60) == pytest.approx([0, 20, 40, 60])


def test_months_are_named_once_a_year_and_are_few() -> None:
    assert month_steps(date(2026, 1, 15), date(2026, 4, 20)) == [
        (date(2026, 2, 1), "Feb 2026"),
        (date(2026, 3, 1), "Mar"),
        (date(2026, 4, 1), "Apr"),
    ]
    for years in range(1, 9):
        assert len(month_steps(date(2020, 1, 1), date(2020 + years, 1, 1))) <= 10


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 definition."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _contrast(one: str, other: str) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _palettes() -> list[dict[str, str]]:
    """The light and the dark palette as the style sheet has them."""
    sheet = (STATIC / "css" / "charts.css").read_text()
    blocks = re.findall(r"\{[^{}]*--chart-ink:[^{}]*\}", sheet)
    return [dict(re.findall(r"--chart-([a-z]+): (#[0-9a-f]{6})", block)) for block in blocks[:2]]


def test_the_style_sheet_and_the_pictures_agree_on_the_colours() -> None:
    light, dark = _palettes()
    assert light == PALETTE
    assert dark.keys() == PALETTE.keys()
    sheet = (STATIC / "css" / "charts.css").read_text()
    for name in PALETTE:  # or a picture would keep the colours of a light page on a dark one
        assert f".fill-{name} {{ fill: var(--chart-{name}); }}" in sheet or name in ("grid", "edge")
        assert f".stroke-{name} {{ stroke: var(--chart-{name}); }}" in sheet or name in ("sheet", "band", "lost")


@pytest.mark.parametrize("name", ["day", "line", "wash", "rain", "expected", "refused", "edge", "fault"])
def test_marks_stand_out_from_the_sheet(name: str) -> None:
    """3 to 1 or more for graphics: WCAG 2.2, success criterion 1.4.11."""
    for palette in _palettes():
        assert _contrast(palette[name], palette["sheet"]) >= 3


def test_an_interval_is_seen_on_the_sheet_and_the_marks_on_it_too() -> None:
    """Its edge reaches 3 to 1 (above); that its ground reaches 1.5 to 1 is our own bar, no source."""
    for palette in _palettes():
        assert _contrast(palette["band"], palette["sheet"]) >= 1.5
        for name in ("day", "line", "soft", "wash", "expected", "fault"):
            assert _contrast(palette[name], palette["band"]) >= 3


@pytest.mark.parametrize("name", ["ink", "soft"])
def test_words_can_be_read_on_the_sheet(name: str) -> None:
    """4.5 to 1 or more for text: WCAG 2.2, success criterion 1.4.3."""
    for palette in _palettes():
        assert _contrast(palette[name], palette["sheet"]) >= 4.5


def test_of_many_years_a_phone_shows_no_more_than_fit_and_the_years_alone() -> None:
    assert [word for _, word in month_steps(date(2020, 8, 8), date(2026, 11, 26), most=5)] == ["2022", "2024", "2026"]
    assert [word for _, word in month_steps(date(2022, 8, 8), date(2026, 11, 26), most=5)] == [
        "2023",
        "2024",
        "2025",
        "2026",
    ]
    assert len(month_steps(date(1980, 1, 1), date(2026, 1, 1), most=5)) <= 6
