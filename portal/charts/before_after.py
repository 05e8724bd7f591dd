"""A cleaning's effect: the performance index before and after it, with bands, and the same days a year earlier."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from portal.charts.chart import YEAR, Chart, ChartTable, colour, drawn, layout, rounded, share, spelled
from portal.charts.performance import FITTED, with_jumps
from portal.charts.svg import DayPlot, Extent, Sheet

DAYS_BEFORE, DAYS_AFTER = 60, 60


def before_after_chart(
    daily: pd.DataFrame, *, cleaned_on: date, recoveries: Sequence[date] = (), key: str = "before-after"
) -> Chart | None:
    """Draw the weeks around a cleaning.

    Parameters
    ----------
    daily : pd.DataFrame
        ``Assessment.daily``: ``index``, ``used``, ``soiling_ratio`` with ``_low`` and ``_high``, by date.
    cleaned_on : date
    recoveries : sequence of date
        Other falls of the loss found in the data.
    key : str
        The chart's id in the page.

    Returns
    -------
    Chart or None
        None when no day around the cleaning has readings.
    """
    first, last = cleaned_on - timedelta(days=DAYS_BEFORE), cleaned_on + timedelta(days=DAYS_AFTER)
    near = daily.loc[[first <= day <= last for day in daily.index]]
    if near.empty or not np.isfinite(near["index"].to_numpy(dtype=float)).any():
        return None
    earlier = daily.loc[[first <= day + YEAR <= last for day in daily.index], "index"]
    earlier.index = pd.Index([day + YEAR for day in earlier.index], dtype=object)
    if not np.isfinite(earlier.to_numpy(dtype=float)).any():
        earlier = earlier.iloc[:0]
    values = np.concatenate([near["index"].to_numpy(dtype=float), earlier.to_numpy(dtype=float)])
    values = values[np.isfinite(values)]
    low = max(0.0, min(0.85, float(np.floor((np.quantile(values, 0.02) - 0.02) * 20) / 20)))
    high = max(1.05, float(np.ceil((np.quantile(values, 0.98) + 0.01) * 20) / 20))
    rains = [day for day in recoveries if near.index[0] <= day <= near.index[-1]]
    extent = Extent(min([*near.index, *earlier.index]), max([*near.index, *earlier.index]), low, high)

    def draw(sheet: Sheet) -> DayPlot:
        return _drawing(near, earlier, cleaned_on, rains, extent, sheet)

    title = "Output before and after the wash, compared with clean panels"
    chart = drawn(key, title, _summary(near, earlier, cleaned_on), draw)
    figure = _figure(near, earlier, cleaned_on, rains, low, high)
    return replace(chart, figure=figure, table=_table(near))


def _table(near: pd.DataFrame) -> ChartTable:
    """Week by week, since a wash lies within its month."""
    days = pd.DatetimeIndex(near.index)
    weeks = near[FITTED].astype(float).groupby(days - pd.to_timedelta(days.day_of_week, unit="D")).mean()
    mondays = [spelled(day) for day in pd.DatetimeIndex(weeks.index).date]
    rows = (
        (monday, *(share(float(row[column])) for column in FITTED))
        for monday, (_, row) in zip(mondays, weeks.iterrows(), strict=True)
    )
    return ChartTable(("Week from", "Output, % of clean", "likely from, %", "to, %"), tuple(rows))


def _summary(near: pd.DataFrame, earlier: pd.Series[float], cleaned_on: date) -> str:
    good = near.loc[near["used"].astype(bool), "index"].dropna()
    before = int(sum(day < cleaned_on for day in good.index))
    after = int(sum(day > cleaned_on for day in good.index))
    text = (
        f"Washed on {spelled(cleaned_on)}. Each dot is a day's output as a share of what clean panels "
        f"would make: {before} usable days before, {after} after. The line follows the dots, and the truth "
        "lies in its band 9 times in 10."
    )
    if len(earlier):
        text += f" Open dots are {int(earlier.notna().sum())} days of the same season a year earlier."
    return text


def _drawing(
    near: pd.DataFrame, earlier: pd.Series[float], cleaned_on: date, rains: Sequence[date], extent: Extent, sheet: Sheet
) -> DayPlot:
    drawing = DayPlot(extent, lambda value: f"{value * 100:.0f} %", "of clean output", sheet)
    fitted = with_jumps(near[FITTED], [cleaned_on])
    steps, days = list(fitted.index), list(near.index)
    low, high = fitted["soiling_ratio_low"].to_list(), fitted["soiling_ratio_high"].to_list()
    drawing.band(steps, low, high, "band", name="where it likely lies, 9 in 10")
    drawing.rings(list(earlier.index), earlier.to_list(), "soft", name="a year earlier")
    drawing.dots(days, near["index"].to_list(), "day", name="a day, the season taken out")
    drawing.line(steps, fitted["soiling_ratio"].to_list(), "line", name="what dirt leaves of it")
    for day in rains:
        drawing.upright(day, "rain", dashes="4 4", name="came clean by itself, as after rain")
    drawing.upright(cleaned_on, "wash", name="washed")
    return drawing


def _figure(
    near: pd.DataFrame, earlier: pd.Series[float], cleaned_on: date, rains: Sequence[date], low: float, high: float
) -> dict[str, Any]:
    days = [day.isoformat() for day in near.index]
    edge = {"type": "scatter", "mode": "lines", "x": days, "line": {"width": 0.8, "color": colour("edge")}}
    traces: list[dict[str, Any]] = [
        {**edge, "y": rounded(near["soiling_ratio_low"]), "hoverinfo": "skip", "showlegend": False},
        {
            **edge,
            "y": rounded(near["soiling_ratio_high"]),
            "fill": "tonexty",
            "fillcolor": colour("band"),
            "hoverinfo": "skip",
            "name": "where it likely lies, 9 in 10",
        },
    ]
    if len(earlier):
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "x": [day.isoformat() for day in earlier.index],
                "y": rounded(earlier),
                "marker": {"size": 6, "symbol": "circle-open", "color": colour("soft")},
                "name": "a year earlier",
                "hovertemplate": "%{y:.0%} of clean output<extra>same day a year earlier</extra>",
            }
        )
    traces += [
        {
            "type": "scatter",
            "mode": "markers",
            "x": days,
            "y": rounded(near["index"]),
            "marker": {"size": 6, "color": colour("day")},
            "name": "a day, the season taken out",
            "hovertemplate": "%{x|%-d %b %Y}: %{y:.0%} of clean output<extra></extra>",
        },
        {
            "type": "scatter",
            "mode": "lines",
            "x": days,
            "y": rounded(near["soiling_ratio"]),
            "line": {"width": 2.5, "color": colour("line")},
            "name": "what dirt leaves of it",
            "hovertemplate": "%{x|%-d %b %Y}: %{y:.1%}<extra>what dirt leaves of it</extra>",
        },
        _upright([cleaned_on], low, high, "wash", "solid", "washed"),
    ]
    if rains:
        traces.append(_upright(rains, low, high, "rain", "dash", "came clean by itself, as after rain"))
    return {"data": traces, "layout": layout(low, high, tickformat=".0%", title="of clean output")}


def _upright(days: Sequence[date], low: float, high: float, mark: str, dash: str, name: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": [x for day in days for x in (day.isoformat(), day.isoformat(), None)],
        "y": [y for _ in days for y in (low, high, None)],
        "line": {"width": 1.8, "color": colour(mark), "dash": dash},
        "name": name,
        "hovertemplate": f"%{{x|%-d %b %Y}}: {name}<extra></extra>",
    }
