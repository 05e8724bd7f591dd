"""A cleaning's effect: the performance index before and after it, with bands, and the same days a year earlier."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from portal.charts.palette import PALETTE
from portal.charts.performance import Chart, layout, rounded, spelled
from portal.charts.svg import Drawing

DAYS_BEFORE, DAYS_AFTER = 60, 60
YEAR = timedelta(days=365)


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
    title = "Output before and after the wash, compared with clean panels"
    summary = _summary(near, earlier, cleaned_on)
    rains = [day for day in recoveries if near.index[0] <= day <= near.index[-1]]
    return Chart(
        key,
        title,
        summary,
        _svg(near, earlier, cleaned_on, rains, low, high).draw(title=title, description=summary, key=key),
        _figure(near, earlier, cleaned_on, rains, low, high),
    )


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


def _svg(
    near: pd.DataFrame, earlier: pd.Series[float], cleaned_on: date, rains: Sequence[date], low: float, high: float
) -> Drawing:
    days = list(near.index)
    last = max([*days, *earlier.index])
    drawing = Drawing(min([*days, *earlier.index]), last, low, high, lambda value: f"{value * 100:.0f} %")
    drawing.band(days, near["soiling_ratio_low"].to_list(), near["soiling_ratio_high"].to_list(), "band")
    drawing.rings(list(earlier.index), earlier.to_list(), "soft")
    drawing.dots(days, near["index"].to_list(), "day")
    drawing.line(days, near["soiling_ratio"].to_list(), "line")
    for day in rains:
        drawing.upright(day, "", "rain", dashes="4 4")
    drawing.upright(cleaned_on, "Washed", "wash")
    return drawing


def _figure(
    near: pd.DataFrame, earlier: pd.Series[float], cleaned_on: date, rains: Sequence[date], low: float, high: float
) -> dict[str, Any]:
    days = [day.isoformat() for day in near.index]
    edge = {"type": "scatter", "mode": "lines", "x": days, "line": {"width": 0, "color": PALETTE["band"]}}
    traces: list[dict[str, Any]] = [
        {**edge, "y": rounded(near["soiling_ratio_low"]), "hoverinfo": "skip", "showlegend": False},
        {
            **edge,
            "y": rounded(near["soiling_ratio_high"]),
            "fill": "tonexty",
            "fillcolor": PALETTE["band"],
            "hoverinfo": "skip",
            "name": "9 in 10 sure",
        },
    ]
    if len(earlier):
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "x": [day.isoformat() for day in earlier.index],
                "y": rounded(earlier),
                "marker": {"size": 6, "symbol": "circle-open", "color": PALETTE["soft"]},
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
            "marker": {"size": 6, "color": PALETTE["day"]},
            "name": "day",
            "hovertemplate": "%{x|%-d %b %Y}: %{y:.0%} of clean output<extra></extra>",
        },
        {
            "type": "scatter",
            "mode": "lines",
            "x": days,
            "y": rounded(near["soiling_ratio"]),
            "line": {"width": 2.5, "color": PALETTE["line"]},
            "name": "line through the days",
            "hovertemplate": "%{x|%-d %b %Y}: %{y:.1%}<extra>line through the days</extra>",
        },
        _upright([cleaned_on], low, high, "wash", "solid", "wash"),
    ]
    if rains:
        traces.append(_upright(rains, low, high, "rain", "dash", "cleaned by itself"))
    return {"data": traces, "layout": layout(low, high, tickformat=".0%")}


def _upright(days: Sequence[date], low: float, high: float, colour: str, dash: str, name: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": [x for day in days for x in (day.isoformat(), day.isoformat(), None)],
        "y": [y for _ in days for y in (low, high, None)],
        "line": {"width": 1.8, "color": PALETTE[colour], "dash": dash},
        "name": name,
        "hovertemplate": f"%{{x|%-d %b %Y}}: {name}<extra></extra>",
    }
