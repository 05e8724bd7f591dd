"""What every chart is: pictures for a desk and for a phone, a figure to look closer at, its words, and its table."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from portal.charts.svg import DESK, PHONE, DayPlot, Sheet

MONTHLY = "%b %Y"
YEAR = timedelta(days=365)
"""What a chart shows of a longer record, its last year, and how far behind that the same days a year earlier lie."""


@dataclass(frozen=True, slots=True)
class ChartTable:
    """What a picture shows, for who would rather read it."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    of_words: bool = False
    """Its cells are words, not figures to be compared by their places."""


@dataclass(frozen=True, slots=True)
class Chart:
    """One chart: drawn for two widths, and what it says in a sentence and in a table.

    ``figure`` is plotly's, for a reader who looks closer; None where there is nothing more to see. ``whole`` is the
    same chart over the whole record, where this one shows its last part.
    """

    key: str
    title: str
    summary: str
    svg: str
    narrow: str
    figure: dict[str, Any] | None = None
    table: ChartTable | None = None
    whole: Chart | None = None


def drawn(key: str, title: str, summary: str, draw: Callable[[Sheet], DayPlot]) -> Chart:
    """The chart as ``draw`` draws it on either sheet."""
    svg, narrow = (draw(sheet).draw(title=title, key=f"{key}-{sheet.name}") for sheet in (DESK, PHONE))
    return Chart(key, title, summary, svg, narrow)


def colour(name: str) -> str:
    """A colour of the page's style sheet, as a figure names it: the script puts in what it is in light or dark."""
    return f"var(--chart-{name})"


def spelled(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def rounded(column: pd.Series[float]) -> list[float | None]:
    """Values for JSON: three decimals, None where missing."""
    return [round(value, 3) if np.isfinite(value) else None for value in column.to_list()]


def by_month(daily: pd.DataFrame) -> pd.DataFrame:
    """Means of a daily table's columns by month, the index as a table of a page says it: "Mar 2026"."""
    months = daily.groupby(pd.DatetimeIndex(daily.index).to_period("M")).mean(numeric_only=True)
    months.index = pd.Index([month.strftime(MONTHLY) for month in months.index], dtype=object)
    return months


def share(value: float) -> str:
    """A share in per cent, without the sign: the heading has it."""
    return f"{value * 100:.1f}" if np.isfinite(value) else "–"


def layout(low: float, high: float, *, tickformat: str, title: str) -> dict[str, Any]:
    """The frame every figure shares; ``title`` names the value axis with its unit."""
    axis = {"gridcolor": colour("grid"), "linecolor": colour("soft"), "zeroline": False, "automargin": True}
    return {
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"color": colour("ink"), "size": 14},
        "margin": {"l": 10, "r": 10, "t": 10, "b": 10},
        "dragmode": "pan",
        "hovermode": "closest",
        "hoverlabel": {"bgcolor": colour("sheet"), "font": {"color": colour("ink"), "size": 14}},
        "legend": {"orientation": "h", "y": -0.16, "yanchor": "top", "font": {"color": colour("ink")}},
        "xaxis": {**axis, "type": "date", "tickangle": 0, "nticks": 8},
        "yaxis": {**axis, "range": [low, high], "tickformat": tickformat, "title": {"text": title}},
    }
