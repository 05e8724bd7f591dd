"""The performance index of a site by day, with the fitted soiling line, cleanings and recoveries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from portal.charts.palette import PALETTE
from portal.charts.svg import Drawing

DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Extent:
    """The days that a chart shows, and the lowest and the highest share of clean output."""

    days: list[date]
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Event:
    """Something on a day that a chart marks: a cleaning, or a recovery found in the readings."""

    date: date
    word: str
    wash: bool


@dataclass(frozen=True, slots=True)
class Chart:
    """One chart in its two shapes, and what it says in a sentence."""

    key: str
    title: str
    summary: str
    svg: str
    figure: dict[str, Any]


def performance_chart(daily: pd.DataFrame, events: Sequence[Event], *, key: str = "performance") -> Chart | None:
    """Draw an assessment's daily table.

    Parameters
    ----------
    daily : pd.DataFrame
        ``Assessment.daily``: ``index``, ``used``, ``refused``, ``soiling_ratio`` with ``_low`` and ``_high``, by date.
    events : sequence of Event
    key : str
        The chart's id in the page.

    Returns
    -------
    Chart or None
        None when the table has no day.
    """
    if daily.empty:
        return None
    days: list[date] = pd.DatetimeIndex(daily.index).date.tolist()
    events = [event for event in events if days[0] <= event.date <= days[-1]]
    extent = Extent(days, *_limits(daily))
    title = "Output of the panels, compared with clean ones"
    summary = _summary(daily, events)
    return Chart(
        key,
        title,
        summary,
        _svg(daily, events, extent, title=title, summary=summary, key=key),
        _figure(daily, events, extent),
    )


def _limits(daily: pd.DataFrame) -> tuple[float, float]:
    """A value axis that holds nearly all days and never makes a small loss look like a collapse."""
    values = daily["index"].to_numpy(dtype=float)
    values = values[np.isfinite(values)]
    low = float(np.quantile(values, 0.01)) if values.size else 0.8
    band_low = daily["soiling_ratio_low"].to_numpy(dtype=float)
    if np.isfinite(band_low).any():
        low = min(low, float(np.nanmin(band_low)))
    low = max(0.0, min(0.8, np.floor((low - 0.02) * 20) / 20))
    high = float(np.quantile(values, 0.99)) if values.size else 1.0
    return low, max(1.1, float(np.ceil((high + 0.01) * 20) / 20))


def _refused(daily: pd.DataFrame) -> pd.Series[str]:
    return daily.loc[~daily["used"].astype(bool), "refused"].replace("", "not used")


def refused_days(daily: pd.DataFrame) -> list[tuple[str, int]]:
    """Why days of an assessment's daily table were left out, and how many each: the commonest reason first."""
    return [(str(reason), int(count)) for reason, count in _refused(daily).value_counts().items()]


def _summary(daily: pd.DataFrame, events: Sequence[Event]) -> str:
    used = int(daily["used"].astype(bool).sum())
    first, last = pd.Timestamp(daily.index[0]), pd.Timestamp(daily.index[-1])
    washes = sum(event.wash for event in events)
    ratio = daily["soiling_ratio"].dropna()
    text = (
        f"{spelled(first)} to {spelled(last)}: {used} of {len(daily)} days were fit to judge by. "
        f"Cleanings marked: {washes}; times that it came clean by itself: {len(events) - washes}."
    )
    if len(ratio):
        text += (
            f" The line ends at {ratio.iloc[-1]:.0%} of a clean roof's output"
            f" (likely {daily['soiling_ratio_low'].dropna().iloc[-1]:.0%}"
            f" to {daily['soiling_ratio_high'].dropna().iloc[-1]:.0%}), an estimate."
        ).replace("%", " %")
    return text


def _svg(daily: pd.DataFrame, events: Sequence[Event], extent: Extent, *, title: str, summary: str, key: str) -> str:
    days = extent.days
    drawing = Drawing(days[0], days[-1], extent.low, extent.high, lambda value: f"{value * 100:.0f} %")
    drawing.band(days, daily["soiling_ratio_low"].to_list(), daily["soiling_ratio_high"].to_list(), "band")
    drawing.ticks_below(pd.DatetimeIndex(_refused(daily).index).date.tolist(), "refused")
    drawing.dots(days, daily["index"].to_list(), "day")
    drawing.line(days, daily["soiling_ratio"].to_list(), "line")
    drawing.arrows_above([event.date for event in events if not event.wash], "rain")
    for event in events:
        if event.wash:
            drawing.upright(event.date, "Cleaned", "wash")
    return drawing.draw(title=title, description=summary, key=key)


def _figure(daily: pd.DataFrame, events: Sequence[Event], extent: Extent) -> dict[str, Any]:
    days = extent.days
    frame = layout(extent.low, extent.high, tickformat=".0%")
    frame["xaxis"]["range"] = [(days[0] - timedelta(days=4)).isoformat(), (days[-1] + timedelta(days=4)).isoformat()]
    traces = [*_fitted(daily, days[0]), *_refused_days(daily, extent), *_marked(events, extent)]
    return {"data": traces, "layout": frame}


def _fitted(daily: pd.DataFrame, first: date) -> list[dict[str, Any]]:
    start = {"x0": first.isoformat(), "dx": DAY_MS}  # a row a day, so the days need not be spelled out
    line: dict[str, Any] = {"type": "scatter", "mode": "lines", **start}
    return [
        {
            **line,
            "y": rounded(daily["soiling_ratio_low"]),
            "line": {"width": 0, "color": PALETTE["band"]},
            "hoverinfo": "skip",
            "showlegend": False,
        },
        {
            **line,
            "y": rounded(daily["soiling_ratio_high"]),
            "line": {"width": 0, "color": PALETTE["band"]},
            "fill": "tonexty",
            "fillcolor": PALETTE["band"],
            "hoverinfo": "skip",
            "name": "9 in 10 sure",
        },
        {
            "type": "scatter",
            "mode": "markers",
            **start,
            "y": rounded(daily["index"]),
            "marker": {"size": 4, "color": PALETTE["day"]},
            "name": "day used",
            "hovertemplate": "%{x|%-d %b %Y}: %{y:.0%} of clean output<extra>day used</extra>",
        },
        {
            **line,
            "y": rounded(daily["soiling_ratio"]),
            "line": {"width": 2.5, "color": PALETTE["line"]},
            "name": "line through the days",
            "hovertemplate": "%{x|%-d %b %Y}: %{y:.1%}<extra>line through the days</extra>",
        },
    ]


def _refused_days(daily: pd.DataFrame, extent: Extent) -> list[dict[str, Any]]:
    refused = _refused(daily)
    low, high = extent.low, extent.high
    return [
        {
            "type": "scatter",
            "mode": "markers",
            "x": pd.DatetimeIndex(rows.index).strftime("%Y-%m-%d").tolist(),
            "y": [round(low + (high - low) * 0.012, 4)] * len(rows),
            "marker": {"symbol": "line-ns-open", "size": 8, "color": PALETTE["refused"]},
            "name": "day left out",
            "legendgroup": "refused",
            "showlegend": number == 0,
            "hovertemplate": f"%{{x|%-d %b %Y}}: {reason}<extra>day left out</extra>",
        }
        for number, (reason, rows) in enumerate(refused.groupby(refused, sort=True))
    ]


def _marked(events: Sequence[Event], extent: Extent) -> list[dict[str, Any]]:
    low, high = extent.low, extent.high
    traces: list[dict[str, Any]] = []
    washes = [event for event in events if event.wash]
    if washes:
        traces.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": [x for event in washes for x in (event.date.isoformat(), event.date.isoformat(), None)],
                "y": [y for _ in washes for y in (low, high, None)],
                "text": [word for event in washes for word in (event.word, event.word, "")],
                "line": {"width": 2, "color": PALETTE["wash"]},
                "name": "cleaning",
                "hovertemplate": "%{x|%-d %b %Y}: %{text}<extra></extra>",
            }
        )
    others = [event for event in events if not event.wash]
    if others:
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "x": [event.date.isoformat() for event in others],
                "y": [round(high - (high - low) * 0.03, 4)] * len(others),
                "text": [event.word for event in others],
                "marker": {"symbol": "triangle-up", "size": 11, "color": PALETTE["rain"]},
                "name": "cleaned by itself, as after rain",
                "hovertemplate": "%{x|%-d %b %Y}: %{text}<extra></extra>",
            }
        )
    return traces


def spelled(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def rounded(column: pd.Series[float]) -> list[float | None]:
    """Values for JSON: three decimals, None where missing."""
    return [round(value, 3) if np.isfinite(value) else None for value in column.to_list()]


def layout(low: float, high: float, *, tickformat: str, ticksuffix: str = "") -> dict[str, Any]:
    """The frame every chart shares."""
    axis = {"gridcolor": PALETTE["grid"], "linecolor": PALETTE["soft"], "zeroline": False, "automargin": True}
    return {
        "paper_bgcolor": PALETTE["sheet"],
        "plot_bgcolor": PALETTE["sheet"],
        "font": {"color": PALETTE["ink"], "size": 13},
        "margin": {"l": 10, "r": 10, "t": 10, "b": 10},
        "height": 360,
        "dragmode": "pan",
        "hovermode": "closest",
        "hoverlabel": {"bgcolor": PALETTE["sheet"], "font": {"color": PALETTE["ink"], "size": 14}},
        "legend": {"orientation": "h", "y": -0.14, "yanchor": "top", "font": {"color": PALETTE["ink"]}},
        "xaxis": {**axis, "type": "date", "tickangle": 0, "nticks": 8},
        "yaxis": {**axis, "range": [low, high], "tickformat": tickformat, "ticksuffix": ticksuffix},
    }
