"""The performance index of a site by day, with the fitted soiling line, cleanings and recoveries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from portal.charts.chart import YEAR, Chart, ChartTable, by_month, colour, drawn, layout, rounded, share, spelled
from portal.charts.svg import DayPlot, Extent, Sheet

DAY_MS = 86_400_000
FITTED = ["soiling_ratio", "soiling_ratio_low", "soiling_ratio_high"]
MUCH_LONGER = timedelta(days=60)
"""A record that is so much longer is shown whole only when that is asked for."""


@dataclass(frozen=True, slots=True)
class MarkedDay:
    """Something on a day that a chart marks: a cleaning, or a recovery found in the readings."""

    date: date
    word: str
    wash: bool


def performance_chart(daily: pd.DataFrame, events: Sequence[MarkedDay], *, key: str = "performance") -> Chart | None:
    """Draw an assessment's daily table: its last year with the year before behind it, and the whole of it.

    Parameters
    ----------
    daily : pd.DataFrame
        ``Assessment.daily``: ``index``, ``used``, ``refused``, ``soiling_ratio`` with ``_low`` and ``_high``, by date.
    events : sequence of MarkedDay
    key : str
        The chart's id in the page.

    Returns
    -------
    Chart or None
        None when the table has no day.
    """
    if daily.empty:
        return None
    first, last = (pd.Timestamp(daily.index[at]).date() for at in (0, -1))
    if last - first < YEAR + MUCH_LONGER:
        return replace(_chart(daily, daily.iloc[:0], events, key), figure=_figure(daily, events, first))
    begin = last - YEAR
    days = pd.DatetimeIndex(daily.index)
    year, before = daily.loc[days >= pd.Timestamp(begin)], daily.loc[days < pd.Timestamp(begin)]
    return replace(
        _chart(year, before, events, key),
        figure=_figure(daily, events, begin),
        whole=_chart(daily, daily.iloc[:0], events, f"{key}-whole"),
    )


def _chart(daily: pd.DataFrame, before: pd.DataFrame, events: Sequence[MarkedDay], key: str) -> Chart:
    days: list[date] = pd.DatetimeIndex(daily.index).date.tolist()
    events = [event for event in events if days[0] <= event.date <= days[-1]]
    low, high = _limits(daily)
    extent = Extent(days[0], days[-1], low, high)

    def draw(sheet: Sheet) -> DayPlot:
        return _drawing(daily, before, events, extent, sheet)

    chart = drawn(key, "Output of the panels, compared with clean ones", _summary(daily, events), draw)
    return replace(chart, table=_table(daily))


def _limits(daily: pd.DataFrame) -> tuple[float, float]:
    """A value axis that holds nearly all days and never makes a small loss look like a collapse."""
    values = daily["index"].to_numpy(dtype=float)
    values = values[np.isfinite(values)]
    low = float(np.quantile(values, 0.01)) if values.size else 0.85
    band_low = daily["soiling_ratio_low"].to_numpy(dtype=float)
    if np.isfinite(band_low).any():
        low = min(low, float(np.nanmin(band_low)))
    low = max(0.0, min(0.85, np.floor((low - 0.01) * 20) / 20))
    high = float(np.quantile(values, 0.99)) if values.size else 1.0
    return low, max(1.05, float(np.ceil((high + 0.01) * 20) / 20))


def _refused(daily: pd.DataFrame) -> pd.Series[str]:
    return daily.loc[~daily["used"].astype(bool), "refused"].replace("", "not used")


def refused_days(daily: pd.DataFrame) -> list[tuple[str, int]]:
    """Why days of an assessment's daily table were left out, and how many each: the commonest reason first."""
    return [(str(reason), int(count)) for reason, count in _refused(daily).value_counts().items()]


def _summary(daily: pd.DataFrame, events: Sequence[MarkedDay]) -> str:
    used = int(daily["used"].astype(bool).sum())
    first, last = pd.Timestamp(daily.index[0]), pd.Timestamp(daily.index[-1])
    washes = sum(event.wash for event in events)
    return (
        f"{spelled(first)} to {spelled(last)}: {used} of {len(daily)} days were fit to judge by. "
        f"Cleanings marked: {washes}; times that it came clean by itself: {len(events) - washes}."
    )


def _table(daily: pd.DataFrame) -> ChartTable:
    months = by_month(daily[FITTED].astype(float))
    used = daily["used"].astype(bool).groupby(pd.DatetimeIndex(daily.index).to_period("M")).sum().to_list()
    rows = (
        (
            str(month),
            str(int(days)),
            share(row.soiling_ratio),
            share(row.soiling_ratio_low),
            share(row.soiling_ratio_high),
        )
        for (month, row), days in zip(months.iterrows(), used, strict=True)
    )
    heads = ("Month", "Days used", "Output, % of clean", "likely from, %", "to, %")
    return ChartTable(heads, tuple(rows))


def with_jumps(fitted: pd.DataFrame, washes: Sequence[date]) -> pd.DataFrame:
    """The fitted line with each wash as a jump: its day stands twice, as it was before and as it was after.

    The table spreads a wash evenly over the days to the next one that tells; but a wash takes an hour, and dirt only
    gathers after it. So what rises from a wash on has risen on its day.
    """
    values = fitted[FITTED].to_numpy(dtype=float)
    days = list(fitted.index)
    order, twice = list(range(len(days))), values.copy()
    for day in sorted({day for day in washes if day in days}, reverse=True):
        at = days.index(day)
        if at == 0:
            continue
        top = at
        while top + 1 < len(days) and values[top + 1, 0] > values[top, 0]:
            top += 1
        twice[at : top + 1] = values[top]
        order.insert(at, at)
        twice = np.insert(twice, at, values[at - 1], axis=0)
    return pd.DataFrame(twice, index=pd.Index([days[at] for at in order], dtype=object), columns=FITTED)


def _drawing(
    daily: pd.DataFrame, before: pd.DataFrame, events: Sequence[MarkedDay], extent: Extent, sheet: Sheet
) -> DayPlot:
    drawing = DayPlot(extent, lambda value: f"{value * 100:.0f} %", "of clean output", sheet)
    days = pd.DatetimeIndex(daily.index).date.tolist()
    fitted = daily[FITTED].set_axis(pd.Index(days, dtype=object))
    fitted = with_jumps(fitted, [event.date for event in events if event.wash])
    steps = list(fitted.index)
    low, high = fitted["soiling_ratio_low"].to_list(), fitted["soiling_ratio_high"].to_list()
    drawing.band(steps, low, high, "band", name="where it likely lies, 9 in 10")
    refused = pd.DatetimeIndex(_refused(daily).index).date.tolist()
    drawing.ticks_below(refused, "refused", name="day left out")
    drawing.dots(days, daily["index"].to_list(), "day", name="a day, the season taken out")
    if len(before):
        later = [day + YEAR for day in pd.DatetimeIndex(before.index).date]
        ghost = [(day, value) for day, value in zip(later, before["soiling_ratio"], strict=True) if day >= extent.first]
        drawing.line([d for d, _ in ghost], [v for _, v in ghost], "soft", dashes="5 4", name="the year before")
    drawing.line(steps, fitted["soiling_ratio"].to_list(), "line", name="what dirt leaves of it")
    rains = [event.date for event in events if not event.wash]
    drawing.triangles(rains, "rain", name="came clean by itself, as after rain")
    for event in events:
        if event.wash:
            drawing.upright(event.date, "wash", name="washed")
    return drawing


def _figure(daily: pd.DataFrame, events: Sequence[MarkedDay], begin: date) -> dict[str, Any]:
    days: list[date] = pd.DatetimeIndex(daily.index).date.tolist()
    low, high = _limits(daily)
    extent = Extent(days[0], days[-1], low, high)
    frame = layout(low, high, tickformat=".0%", title="of clean output")
    frame["xaxis"]["range"] = [(begin - timedelta(days=4)).isoformat(), (days[-1] + timedelta(days=4)).isoformat()]
    events = [event for event in events if days[0] <= event.date <= days[-1]]
    traces = [*_fitted(daily, days[0]), *_refused_days(daily, extent), *_marked(events, extent)]
    return {"data": traces, "layout": frame}


def _fitted(daily: pd.DataFrame, first: date) -> list[dict[str, Any]]:
    start = {"x0": first.isoformat(), "dx": DAY_MS}  # a row a day, so the days need not be spelled out
    line: dict[str, Any] = {"type": "scatter", "mode": "lines", **start}
    return [
        {
            **line,
            "y": rounded(daily["soiling_ratio_low"]),
            "line": {"width": 0.8, "color": colour("edge")},
            "hoverinfo": "skip",
            "showlegend": False,
        },
        {
            **line,
            "y": rounded(daily["soiling_ratio_high"]),
            "line": {"width": 0.8, "color": colour("edge")},
            "fill": "tonexty",
            "fillcolor": colour("band"),
            "hoverinfo": "skip",
            "name": "where it likely lies, 9 in 10",
        },
        {
            "type": "scatter",
            "mode": "markers",
            **start,
            "y": rounded(daily["index"]),
            "marker": {"size": 4, "color": colour("day")},
            "name": "a day, the season taken out",
            "hovertemplate": "%{x|%-d %b %Y}: %{y:.0%} of clean output<extra>a day</extra>",
        },
        {
            **line,
            "y": rounded(daily["soiling_ratio"]),
            "line": {"width": 2.5, "color": colour("line")},
            "name": "what dirt leaves of it",
            "hovertemplate": "%{x|%-d %b %Y}: %{y:.1%}<extra>what dirt leaves of it</extra>",
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
            "marker": {"symbol": "line-ns-open", "size": 8, "color": colour("refused")},
            "name": "day left out",
            "legendgroup": "refused",
            "showlegend": number == 0,
            "hovertemplate": f"%{{x|%-d %b %Y}}: {reason}<extra>day left out</extra>",
        }
        for number, (reason, rows) in enumerate(refused.groupby(refused, sort=True))
    ]


def _marked(events: Sequence[MarkedDay], extent: Extent) -> list[dict[str, Any]]:
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
                "line": {"width": 2, "color": colour("wash")},
                "name": "washed",
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
                "marker": {"symbol": "triangle-up", "size": 11, "color": colour("rain")},
                "name": "came clean by itself, as after rain",
                "hovertemplate": "%{x|%-d %b %Y}: %{text}<extra></extra>",
            }
        )
    return traces
