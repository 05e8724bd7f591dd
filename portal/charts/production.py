"""What a site produced a day, by week, beside what clean panels would make under a cloudless sky."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from portal.charts.chart import Chart, ChartTable, by_month, colour, drawn, layout, spelled
from portal.charts.svg import DayPlot, Extent, Sheet

WEEKS_SHOWN = 52
WEEK = timedelta(days=7)


def production_chart(daily: pd.DataFrame, *, key: str = "production") -> Chart | None:
    """Draw weekly means of an assessment's daily table: its last year, the year before behind it, and all of it.

    Parameters
    ----------
    daily : pd.DataFrame
        ``Assessment.daily``: ``energy_wh`` and ``expected_wh`` by date.
    key : str
        The chart's id in the page.

    Returns
    -------
    Chart or None
        None without a reading.
    """
    weeks = weekly_kwh_per_day(daily)
    if weeks.empty:
        return None
    figure = _figure(weeks)
    shown, before = weeks.iloc[-WEEKS_SHOWN:], weeks.iloc[:-WEEKS_SHOWN]
    chart = replace(_chart(shown, before, key), figure=figure, table=_table(daily))
    return replace(chart, whole=_chart(weeks, weeks.iloc[:0], f"{key}-whole")) if len(before) else chart


def _chart(weeks: pd.DataFrame, before: pd.DataFrame, key: str) -> Chart:
    year = weeks.iloc[-WEEKS_SHOWN:].mean()
    mondays = _mondays(weeks)
    summary = (
        f"Week by week from {spelled(mondays[0])} to {spelled(mondays[-1])}. "
        f"Over the last {min(len(weeks), WEEKS_SHOWN)} weeks with readings the system made {year['energy_kwh']:,.1f} "
        f"kWh a day; clean panels under a sky without a cloud would make {year['expected_kwh']:,.1f} kWh (computed). "
        "Clouds, dirt and faults make the difference. The line is computed from the facts of the site; very clear or "
        "cold weeks can pass it."
    )
    extent = Extent(mondays[0], mondays[-1] + WEEK, 0.0, _highest(weeks))

    def draw(sheet: Sheet) -> DayPlot:
        drawing = DayPlot(extent, lambda value: f"{value:,.0f}", "kWh a day", sheet)
        drawing.bars(mondays, weeks["energy_kwh"].to_list(), "day", days_wide=7, name="produced")
        if len(before):
            later = [day + timedelta(days=364) for day in _mondays(before)]
            ghost = [(d, v) for d, v in zip(later, before["energy_kwh"], strict=True) if d >= mondays[0]]
            drawing.line([d for d, _ in ghost], [v for _, v in ghost], "soft", dashes="5 4", name="the year before")
        drawing.line(mondays, weeks["expected_kwh"].to_list(), "expected", name="clean panels, no cloud")
        return drawing

    return drawn(key, "Production a day, by week, and a cloudless day of clean panels", summary, draw)


def _highest(weeks: pd.DataFrame) -> float:
    return max(1.0, float(np.nanmax(weeks.to_numpy())) * 1.08)


def _mondays(weeks: pd.DataFrame) -> list[date]:
    return [pd.Timestamp(day).date() for day in weeks.index]


def _table(daily: pd.DataFrame) -> ChartTable:
    months = by_month(daily.loc[daily["energy_wh"].notna(), ["energy_wh", "expected_wh"]] / 1000)
    rows = ((str(month), f"{row.energy_wh:,.1f}", f"{row.expected_wh:,.1f}") for month, row in months.iterrows())
    return ChartTable(("Month", "Produced, kWh a day", "Clean panels, no cloud, kWh a day"), tuple(rows))


def _figure(weeks: pd.DataFrame) -> dict[str, Any]:
    mondays = _mondays(weeks)
    start = {"x": [day.isoformat() for day in mondays]}
    frame = layout(0.0, round(_highest(weeks), 1), tickformat=",.0f", title="kWh a day")
    frame["xaxis"]["range"] = [
        (mondays[-WEEKS_SHOWN:][0] - WEEK).isoformat(),
        (mondays[-1] + WEEK).isoformat(),
    ]
    return {
        "data": [
            {
                "type": "bar",
                **start,
                "y": [round(value, 1) for value in weeks["energy_kwh"]],
                "marker": {"color": colour("day")},
                "name": "produced",
                "hovertemplate": "week of %{x|%-d %b %Y}: %{y:,.1f} kWh a day<extra>produced</extra>",
            },
            {
                "type": "scatter",
                "mode": "lines",
                **start,
                "y": [round(value, 1) for value in weeks["expected_kwh"]],
                "line": {"width": 2.5, "color": colour("expected")},
                "name": "clean panels, no cloud",
                "hovertemplate": "week of %{x|%-d %b %Y}: %{y:,.1f} kWh a day<extra>no cloud</extra>",
            },
        ],
        "layout": frame,
    }


def weekly_kwh_per_day(daily: pd.DataFrame) -> pd.DataFrame:
    """Means [kWh a day] over the days of each week that have readings, index the Mondays.

    Columns ``energy_kwh`` and ``expected_kwh``. Days without readings count on neither side, so that a gap does not
    look like a loss.
    """
    known = daily.loc[daily["energy_wh"].notna() & daily["expected_wh"].notna(), ["energy_wh", "expected_wh"]]
    index = pd.DatetimeIndex(known.index)
    mondays = index - pd.to_timedelta(index.day_of_week, unit="D")
    return (known / 1000).rename(columns=lambda name: name.replace("_wh", "_kwh")).groupby(mondays).mean()
