"""The last year of a roof in a picture as small as a stamp: its output compared with clean, and its washes."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from html import escape
from math import isfinite

import pandas as pd

from portal.charts.chart import YEAR
from portal.charts.svg import fill, stroke

WIDTH, HEIGHT = 260, 76
LEFT, RIGHT, TOP, BOTTOM = 40, 6, 6, 6
LEAST_SHOWN = 0.8
"""The lower edge; a roof that lost more moves it down. Alike for all, so that roofs are compared at a glance [1]."""
POINT_EVERY_DAYS = 3
"""One point in so many days: the picture is narrower than the year is long [days]."""


def lowest_of(roofs: Sequence[pd.DataFrame], *, until: date) -> float:
    """The lower edge that pictures of several roofs share.

    Parameters
    ----------
    roofs : sequence of pd.DataFrame
        ``Assessment.daily`` of each.
    until : date
        The last day shown.

    Returns
    -------
    float
        :data:`LEAST_SHOWN`, or the lowest soiling ratio of them all [1].
    """
    return min([LEAST_SHOWN, *(ratio for daily in roofs for _, ratio in _known(daily, until))])


def _known(daily: pd.DataFrame, until: date) -> list[tuple[date, float]]:
    """Days of the year before one with their ratio, as many as are seen."""
    return [
        (day, float(ratio))
        for day, ratio in zip(daily.index, daily["soiling_ratio"], strict=True)
        if until - YEAR <= day <= until and isfinite(ratio)
    ][::POINT_EVERY_DAYS]


def last_year_chart(daily: pd.DataFrame, washes: Sequence[date], *, until: date, lowest: float | None = None) -> str:
    """Draw the soiling ratio of the year before a day.

    Parameters
    ----------
    daily : pd.DataFrame
        ``Assessment.daily``: ``soiling_ratio`` by date, NaN where it is not known.
    washes : sequence of date
        Days on which the panels were washed.
    until : date
        The last day shown.
    lowest : float or None
        The lower edge, which pictures beside each other share [1]; None for this roof's own.

    Returns
    -------
    str
        The drawing, or nothing where the year holds no estimate.
    """
    first = until - YEAR
    known = _known(daily, until)
    if len(known) < 2:
        return ""
    low = lowest_of([daily], until=until) if lowest is None else lowest

    def x(day: date) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (day - first) / YEAR

    def y(ratio: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * (1 - ratio) / (1 - low)

    points = " ".join(f"{x(day):.1f},{y(min(1.0, ratio)):.1f}" for day, ratio in known)
    strokes = "".join(f"M{x(day):.1f} {TOP}V{HEIGHT - BOTTOM}" for day in washes if first <= day <= until)
    grid = "".join(
        f'<line {stroke("grid")} x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(ratio):.1f}" y2="{y(ratio):.1f}"/>'
        f'<text {fill("soft")} font-size="11" text-anchor="end" x="{LEFT - 5}" y="{y(ratio) + 4:.1f}">'
        f"{ratio:.0%}</text>"
        for ratio in (1.0, low)
    )
    title = f"Output compared with clean: {known[0][1]:.0%} a year ago, {known[-1][1]:.0%} now"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" font-family="sans-serif">'
        f"<title>{escape(title)}</title>{grid}"
        + (f'<path fill="none" stroke-width="2" {stroke("wash")} d="{strokes}"/>' if strokes else "")
        + f'<polyline fill="none" stroke-width="2" {stroke("line")} points="{points}"/></svg>'
    )
