"""What a site produced a day, by week, beside what clean panels would make under a cloudless sky."""

from __future__ import annotations

import numpy as np
import pandas as pd

from portal.charts.palette import PALETTE
from portal.charts.performance import Chart, layout, spelled
from portal.charts.svg import Drawing


def production_chart(daily: pd.DataFrame, *, key: str = "production") -> Chart | None:
    """Draw weekly means of an assessment's daily table (``energy_wh``, ``expected_wh``); None without a reading."""
    weeks = weekly_kwh_per_day(daily)
    if weeks.empty:
        return None
    mondays = [pd.Timestamp(day).date() for day in weeks.index]
    made, sky = weeks["energy_kwh"].to_list(), weeks["expected_kwh"].to_list()
    high = max(1.0, float(np.nanmax(weeks.to_numpy())) * 1.08)
    title = "Production a day, by week, and a cloudless day of clean panels"
    year = weeks.iloc[-52:].mean()
    summary = (
        f"Week by week from {spelled(mondays[0])} to {spelled(mondays[-1])}. "
        f"Over the last {min(len(weeks), 52)} weeks with readings the system made {year['energy_kwh']:,.1f} kWh a day; "
        f"clean panels under a sky without a cloud would make {year['expected_kwh']:,.1f} kWh (computed). "
        "Clouds take most of the difference. The line is computed from the facts of the site; very clear or "
        "cold weeks can pass it."
    )
    drawing = Drawing(mondays[0], mondays[-1], 0.0, high, lambda value: f"{value:,.0f}")
    drawing.bars(mondays, made, "day", days_wide=7)
    drawing.line(mondays, sky, "expected")
    start = {"x": [day.isoformat() for day in mondays]}
    figure = {
        "data": [
            {
                "type": "bar",
                **start,
                "y": [round(value, 1) for value in made],
                "marker": {"color": PALETTE["day"]},
                "name": "produced",
                "hovertemplate": "week of %{x|%-d %b %Y}: %{y:,.1f} kWh a day<extra>produced</extra>",
            },
            {
                "type": "scatter",
                "mode": "lines",
                **start,
                "y": [round(value, 1) for value in sky],
                "line": {"width": 2.5, "color": PALETTE["expected"]},
                "name": "clean panels, no cloud",
                "hovertemplate": "week of %{x|%-d %b %Y}: %{y:,.1f} kWh a day<extra>no cloud</extra>",
            },
        ],
        "layout": layout(0.0, round(high, 1), tickformat=",.0f", ticksuffix=" kWh"),
    }
    return Chart(key, title, summary, drawing.draw(title=title, description=summary, key=key), figure)


def weekly_kwh_per_day(daily: pd.DataFrame) -> pd.DataFrame:
    """Means [kWh a day] over the days of each week that have readings, index the Mondays.

    Columns ``energy_kwh`` and ``expected_kwh``. Days without readings count on neither side, so that a gap does not
    look like a loss.
    """
    known = daily.loc[daily["energy_wh"].notna() & daily["expected_wh"].notna(), ["energy_wh", "expected_wh"]]
    index = pd.DatetimeIndex(known.index)
    mondays = index - pd.to_timedelta(index.day_of_week, unit="D")
    return (known / 1000).rename(columns=lambda name: name.replace("_wh", "_kwh")).groupby(mondays).mean()
