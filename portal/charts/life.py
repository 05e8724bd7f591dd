"""A roof's life as one line: a row for each kind of thing that is known of it, under one axis of days."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from html import escape

from portal.charts.chart import Chart, ChartTable, spelled
from portal.charts.svg import DESK, PHONE, Sheet, fill, month_axis, picture, stroke

ROW, FOOT, MARGIN = 42, 24, 10
"""Heights of a row and of the axis, and what stands free at either side [px]."""
FEWEST_MARKS = 3
"""Marks below which there is no life to look at. No source."""


class MarkShape(StrEnum):
    """What a mark looks like, told without its colour; each is about twelve pixels wide around its day."""

    DROP = "M0-7l4 7a4.6 4.6 0 1 1-8 0z"
    RAIN = "M-6 5h12l-6-11z"
    DIAMOND = "M0-6l6 6-6 6-6-6z"
    DOT = "M-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0z"
    CROSS = "M-6-3l3-3 3 3 3-3 3 3-3 3 3 3-3 3-3-3-3 3-3-3 3-3z"


@dataclass(frozen=True, slots=True)
class Mark:
    """Something on a day, or from a day to another, with the words for who reads it in the table."""

    day: date
    words: str
    shape: MarkShape = MarkShape.DOT
    colour: str = "day"
    until: date | None = None


@dataclass(frozen=True, slots=True)
class LifeRow:
    """One kind of thing, such as washes; its name in the reader's language."""

    name: str
    marks: Sequence[Mark]


def life_chart(rows: Sequence[LifeRow], *, until: date, key: str = "life") -> Chart | None:
    """Draw what is known of a roof.

    Parameters
    ----------
    rows : sequence of LifeRow
        From the top; those without a mark are left out.
    until : date
        The day on which the line ends.
    key : str
        The chart's id in the page.

    Returns
    -------
    Chart or None
        None with fewer than :data:`FEWEST_MARKS` marks.
    """
    rows = [row for row in rows if row.marks]
    told = sorted(((mark, row.name) for row in rows for mark in row.marks), key=lambda one: one[0].day, reverse=True)
    if len(told) < FEWEST_MARKS:
        return None
    first = told[-1][0].day
    title = "The life of this roof"
    summary = f"{spelled(first)} to {spelled(until)}, a row for each kind of thing; the table has all of them."
    svg, narrow = (_drawn(rows, first, until, sheet, title, f"{key}-{sheet.name}") for sheet in (DESK, PHONE))
    lines = tuple((spelled(mark.day), name, mark.words) for mark, name in told)
    return Chart(key, title, summary, svg, narrow, table=ChartTable(("Day", "Kind", "What"), lines, of_words=True))


def _drawn(rows: Sequence[LifeRow], first: date, until: date, sheet: Sheet, title: str, key: str) -> str:
    span = max(1, (until - first).days)

    def x(day: date) -> float:
        return MARGIN + (sheet.width - 2 * MARGIN) * min(1.0, max(0.0, (day - first).days / span))

    bottom = ROW * len(rows)
    marks = [month_axis(first, until, sheet, x, below=bottom, top=0)]
    for number, row in enumerate(rows):
        middle = ROW * number + 30
        marks.append(
            f'<text {fill("ink")} font-size="{sheet.letters}" x="2" y="{ROW * number + 15}">{escape(row.name)}</text>'
            f'<path {stroke("grid")} d="M{MARGIN} {middle}H{sheet.width - MARGIN}"/>'
        )
        marks += [_mark(mark, x(mark.day), x(mark.until) if mark.until else None, middle) for mark in row.marks]
    return picture(sheet.width, bottom + FOOT, "".join(marks), title=title, key=key)


def _mark(mark: Mark, x: float, end: float | None, y: float) -> str:
    if end is not None:
        return f'<path {fill(mark.colour)} d="M{x:.1f} {y - 5}H{max(end, x + 4):.1f}V{y + 5}H{x:.1f}z"/>'
    return f'<path {fill(mark.colour)} transform="translate({x:.1f} {y})" d="{mark.shape.value}"/>'
