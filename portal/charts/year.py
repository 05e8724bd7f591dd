"""A year's days, one mark each: which were fit to judge by, and why the others were not."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date

import pandas as pd

from portal.charts.chart import YEAR, Chart, ChartTable
from portal.charts.performance import refused_days
from portal.charts.svg import DESK, MONTH_NAMES, PHONE, Sheet, fill, legend, picture, stroke


def _block(x: float, y: float, wide: float, high: float) -> str:
    return f"M{x - wide / 2:.1f} {y - high / 2:.1f}h{wide:.1f}v{high:.1f}h{-wide:.1f}z"


def _diamond(x: float, y: float, size: float) -> str:
    half = size * 0.4
    return f"M{x:.1f} {y - half:.1f}l{half:.1f} {half:.1f}l{-half:.1f} {half:.1f}l{-half:.1f} {-half:.1f}z"


DayMark = tuple[str, Callable[[float, float, float], str]]
SIGN_USED: DayMark = ("wash", lambda x, y, size: _block(x, y, size * 0.84, size * 0.84))
SIGNS_LEFT_OUT: tuple[DayMark, ...] = (
    ("refused", lambda x, y, size: _block(x, y, size * 0.34, size * 0.34)),
    ("line", lambda x, y, size: _block(x, y, size * 0.8, size * 0.22)),
    ("expected", lambda x, y, size: _block(x, y, size * 0.22, size * 0.8)),
)
"""Of the commonest reasons, told apart without colour."""
SIGN_OTHER: DayMark = ("fault", _diamond)


def year_chart(daily: pd.DataFrame, *, key: str = "year") -> Chart | None:
    """Draw the last year of an assessment's daily table, a row a month and a mark a day.

    Parameters
    ----------
    daily : pd.DataFrame
        ``Assessment.daily``: ``used`` and ``refused`` by date.
    key : str
        The chart's id in the page.

    Returns
    -------
    Chart or None
        None when the table has no day.
    """
    if daily.empty:
        return None
    dates = pd.DatetimeIndex(daily.index).date
    year = daily.loc[[day > dates[-1] - YEAR for day in dates]]
    reasons = refused_days(year)
    signs = {"": SIGN_USED} | {
        reason: SIGNS_LEFT_OUT[number] if number < len(SIGNS_LEFT_OUT) else SIGN_OTHER
        for number, (reason, _) in enumerate(reasons)
    }
    of_day = {
        day: "" if used else str(reason) or "not used"
        for day, used, reason in zip(
            pd.DatetimeIndex(year.index).date, year["used"].astype(bool), year["refused"], strict=True
        )
    }
    used_days = sum(not reason for reason in of_day.values())
    title = "Which days of the last year could be judged"
    summary = f"{used_days} of {len(year)} days were fit to judge by: the full squares. The others were left out."
    svg, narrow = (_drawn(of_day, signs, sheet, title, f"{key}-{sheet.name}") for sheet in (DESK, PHONE))
    rows = (("fit to judge by", str(used_days)), *((reason, str(count)) for reason, count in reasons))
    return Chart(key, title, summary, svg, narrow, table=ChartTable(("What became of a day", "Days"), rows))


def _drawn(of_day: Mapping[date, str], signs: Mapping[str, DayMark], sheet: Sheet, title: str, key: str) -> str:
    left = sheet.letters * 2.6
    across = (sheet.width - left - 4) / 31
    size = min(across, 17.0)
    tall = max(size + 3, sheet.letters + 3)
    months = sorted({(day.year, day.month) for day in of_day})
    top = sheet.line
    marks = [
        f'<text {fill("soft")} font-size="{sheet.letters}" text-anchor="middle" '
        f'x="{left + across * (number - 0.5):.1f}" y="{sheet.letters}">{number}</text>'
        for number in (1, 10, 20, 30)
    ]
    for row, (_, month) in enumerate(months):
        y = top + tall * (row + 0.5)
        marks.append(
            f'<path {stroke("grid")} d="M{left:.1f} {y:.1f}H{sheet.width - 4}"/>'
            f'<text {fill("soft")} font-size="{sheet.letters}" x="0" y="{y + 4.5:.1f}">{MONTH_NAMES[month - 1]}</text>'
        )
    named = []
    for reason, (colour, shape) in signs.items():
        spots = "".join(
            shape(left + across * (day.day - 0.5), top + tall * (months.index((day.year, day.month)) + 0.5), size)
            for day, of in of_day.items()
            if of == reason
        )
        marks.append(f'<path {fill(colour)} d="{spots}"/>')
        name = reason or "fit to judge by"
        if (colour, shape) == SIGN_OTHER:
            name = "something else"
        sample = (f'<path {fill(colour)} d="{shape(11, 0, 14)}"/>', name)
        if sample not in named:
            named.append(sample)
    foot, names = legend(named, sheet, top + tall * len(months) + 8)
    return picture(sheet.width, foot, "".join([*marks, names]), title=title, key=key)
