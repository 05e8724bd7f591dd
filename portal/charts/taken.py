"""What dirt took: what a roof made beside what it would have made clean under the same sky."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd

from portal.charts.chart import MONTHLY, YEAR, Chart, ChartTable, drawn, spelled
from portal.charts.svg import DayPlot, Extent, Sheet

RIBBON_FROM_DAYS = 60
"""Days below which there is no ribbon to look at. No source."""


@dataclass(frozen=True, slots=True)
class Taken:
    """Energy that dirt took over the days shown [kWh], with the ends of its 90 % interval.

    The ends are those of each day added up, as if all days erred alike: the interval is wider than it need be.
    """

    since: date
    until: date
    days: int
    kwh: float
    kwh_low: float
    kwh_high: float


@dataclass(frozen=True, slots=True)
class Ribbon:
    """The chart, and what it comes to."""

    chart: Chart
    taken: Taken


def taken_ribbon(daily: pd.DataFrame, *, key: str = "taken") -> Ribbon | None:
    """Draw the last year of an assessment's daily table as made, and as it would have been clean.

    Parameters
    ----------
    daily : pd.DataFrame
        ``Assessment.daily``: ``energy_wh``, ``soiling_ratio`` with ``_low`` and ``_high``, by date.
    key : str
        The chart's id in the page.

    Returns
    -------
    Ribbon or None
        None with fewer than :data:`RIBBON_FROM_DAYS` days that have both.
    """
    days = pd.DatetimeIndex(daily.index)
    year = daily.loc[days > days[-1] - YEAR] if len(days) else daily
    known = year.loc[year["energy_wh"].notna() & (year["soiling_ratio"] > 0) & (year["soiling_ratio_low"] > 0)]
    if len(known) < RIBBON_FROM_DAYS:
        return None
    made = known["energy_wh"].astype(float) / 1000
    lost, least, most = (
        made * (1 / known[column].astype(float) - 1)
        for column in ("soiling_ratio", "soiling_ratio_high", "soiling_ratio_low")
    )
    first, last = (pd.Timestamp(known.index[at]).date() for at in (0, -1))
    taken = Taken(first, last, len(known), float(lost.sum()), max(0.0, float(least.sum())), float(most.sum()))
    energy = pd.DataFrame({"made": made, "clean": made + lost, "lost": lost})
    return Ribbon(replace(_chart(energy, taken, key), table=_table(energy)), taken)


def _chart(energy: pd.DataFrame, taken: Taken, key: str) -> Chart:
    index = pd.DatetimeIndex(energy.index)
    weeks = energy.groupby(index - pd.to_timedelta(index.day_of_week, unit="D")).mean()
    middles = [pd.Timestamp(day).date() + timedelta(days=3) for day in weeks.index]
    extent = Extent(middles[0], middles[-1], 0.0, max(1.0, float(np.nanmax(weeks["clean"])) * 1.06))
    made, clean = weeks["made"].to_list(), weeks["clean"].to_list()

    def draw(sheet: Sheet) -> DayPlot:
        drawing = DayPlot(extent, lambda value: f"{value:,.0f}", "kWh a day", sheet)
        drawing.line(middles, made, "line", name="produced")
        drawing.band(middles, made, clean, "lost", name="what dirt took")
        drawing.line(middles, clean, "wash", name="the same days with clean panels")
        return drawing

    summary = (
        f"{spelled(taken.since)} to {spelled(taken.until)}, week by week: the lower line is what the panels made, the "
        "upper one what they would have made clean under the same sky. The ribbon between them is what dirt took."
    )
    return drawn(key, "What dirt took, week by week", summary, draw)


def _table(energy: pd.DataFrame) -> ChartTable:
    months = energy.groupby(pd.DatetimeIndex(energy.index).strftime(MONTHLY), sort=False).sum()
    rows = (
        (str(month), *(f"{row[column]:,.0f}" for column in ("made", "clean", "lost")))
        for month, row in months.iterrows()
    )
    return ChartTable(("Month", "Produced, kWh", "With clean panels, kWh", "Taken by dirt, kWh"), tuple(rows))
