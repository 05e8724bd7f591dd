"""The year ahead of a roof: its output if nobody washes and if it is washed on a day, with what rain may have done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

from portal.charts.chart import Chart, ChartTable, drawn, share, spelled
from portal.charts.svg import DayPlot, Extent, Sheet
from portal.pv.fan import Ahead, Fan

RAIN_AT = {"desk": (2, 4, 6, 9, 12, 18), "phone": (3, 6, 12, 18)}
"""Points of the fan over which the chance of rain is written, by sheet: it soon says no more [15 days]."""
LEAST_DEPTH = 0.08
"""Depth of the picture at least, or a clean roof's year would look dramatic [fraction of clean yield]. No source."""
SPOKEN_OF = 90
"""Days after the wash of which the sentence tells: by the year's end rain and new dirt have evened both. No source."""
TABLE_EVERY = 2
"""Points of the fan between two rows of its table [15 days]."""


def fan_chart(fan: Fan, *, key: str = "ahead") -> Chart:
    """Draw the year ahead as a fan.

    Parameters
    ----------
    fan : Fan
        Losses of the middle future and the 9 in 10 around it, unwashed and washed.
    key : str
        The chart's id in the page.

    Returns
    -------
    Chart
    """
    wash_on = fan.as_of + timedelta(days=fan.washed_after)
    deepest = max(LEAST_DEPTH, *(one.high for one in (*fan.unwashed, *fan.washed)))
    extent = Extent(fan.as_of, _day(fan, fan.unwashed[-1]), max(0.0, 1 - deepest * 1.08), 1.0)

    def draw(sheet: Sheet) -> DayPlot:
        drawing = DayPlot(extent, lambda value: f"{value * 100:.0f} %", "of clean output", sheet)
        low, middle, high = _ratios(fan.unwashed)
        days = [_day(fan, one) for one in fan.unwashed]
        drawing.band(days, low, high, "band", name="where it likely lies, 9 in 10")
        drawing.line(days, middle, "line", name="if nobody washes")
        low, middle, high = _ratios(fan.washed)
        days = [_day(fan, one) for one in fan.washed]
        drawing.line(days, low, "wash", dashes="2 4")
        drawing.line(days, high, "wash", dashes="2 4")
        drawing.line(
            days, middle, "wash", name=f"if washed on {spelled(wash_on)}" if fan.washed_after else "if washed now"
        )
        chances = [
            (_day(fan, fan.unwashed[at]), f"{round(fan.rained[at] * 10)}/10")
            for at in RAIN_AT[sheet.name]
            if at < len(fan.unwashed)
        ]
        drawing.words_above(chances, "rain", sample="3/10", name="futures in which rain took half of the dirt by then")
        return drawing

    title = "The year ahead"
    (least, most), (least_washed, most_washed), day = _later(fan)
    if fan.washed_after:
        summary = (
            f"If nobody washes, the panels will likely make {least:.0f} to {most:.0f} % of what clean ones would by "
            f"{spelled(day)}. If they are washed on {spelled(wash_on)}, {least_washed:.0f} to {most_washed:.0f} %."
        )
    else:
        summary = (
            f"If nobody washes, the panels will likely make {least:.0f} to {most:.0f} % of what clean ones would by "
            f"{spelled(day)}. If they are washed now, {least_washed:.0f} to {most_washed:.0f} %."
        )
    return replace(drawn(key, title, summary, draw), table=_table(fan, wash_on))


def _day(fan: Fan, point: Ahead) -> date:
    return fan.as_of + timedelta(days=point.days)


def _later(fan: Fan) -> tuple[tuple[float, float], tuple[float, float], date]:
    """What is likely made [% of clean yield] unwashed and washed, three months after the wash, and on which day."""
    clean = min(fan.washed, key=lambda one: abs(one.days - fan.washed_after - SPOKEN_OF))
    dirty = min(fan.unwashed, key=lambda one: abs(one.days - clean.days))
    unwashed, washed = (((1 - one.high) * 100, (1 - one.low) * 100) for one in (dirty, clean))
    return unwashed, washed, _day(fan, clean)


def _ratios(points: Sequence[Ahead]) -> tuple[list[float], list[float], list[float]]:
    return [1 - one.high for one in points], [1 - one.middle for one in points], [1 - one.low for one in points]


def _table(fan: Fan, wash_on: date) -> ChartTable:
    washed = {one.days: one for one in fan.washed}
    rows = []
    for one, chance in list(zip(fan.unwashed, fan.rained, strict=True))[::TABLE_EVERY]:
        clean = washed.get(one.days)
        unwashed = (share(1 - one.middle), share(1 - one.high), share(1 - one.low))
        rows.append(
            (spelled(_day(fan, one)), *unwashed, share(1 - clean.middle) if clean else "–", str(round(chance * 10)))
        )
    washing = f"If washed on {spelled(wash_on)}, %" if fan.washed_after else "If washed now, %"
    heads = ("Day", "If nobody washes, %", "likely from, %", "to, %", washing, "Rain took half of the dirt, of 10")
    return ChartTable(heads, tuple(rows))
