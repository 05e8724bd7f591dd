"""A small chart drawn by the server: one time axis, one value axis, marks. No styles, so that it passes any policy.

Colours stand as presentation attributes for mail and print; the page's style sheet overrides them by class.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from html import escape
from math import isfinite

from portal.charts.palette import PALETTE

WIDTH, HEIGHT = 720, 320
LEFT, RIGHT, TOP, BOTTOM = 56, 12, 14, 30
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass
class Drawing:
    """A frame with a day axis and a value axis, to which marks are added from the back to the front."""

    first: date
    last: date
    low: float
    high: float
    label: Callable[[float], str]
    marks: list[str] = field(default_factory=list)

    def x(self, day: date) -> float:
        """Pixel of the middle of a day."""
        span = max(1, (self.last - self.first).days)
        return LEFT + (WIDTH - LEFT - RIGHT) * (day - self.first).days / span

    def y(self, value: float) -> float:
        """Pixel of a value, held inside the frame."""
        share = (value - self.low) / (self.high - self.low)
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * min(1.0, max(0.0, share))

    def _runs(self, days: Sequence[date], *columns: Sequence[float]) -> list[list[tuple[float, ...]]]:
        """Stretches without a gap, as pixel x and one pixel y a column, a point a pixel where days are closer."""
        runs: list[list[tuple[float, ...]]] = [[]]
        for day, *values in zip(days, *columns, strict=True):
            if all(isfinite(value) for value in values):
                point = (self.x(day), *(self.y(value) for value in values))
                if len(runs[-1]) > 1 and point[0] - runs[-1][-2][0] < 1:
                    runs[-1][-1] = point
                else:
                    runs[-1].append(point)
            elif runs[-1]:
                runs.append([])
        return [run for run in runs if run]

    def band(self, days: Sequence[date], low: Sequence[float], high: Sequence[float], colour: str) -> None:
        for run in self._runs(days, low, high):
            upper = [f"{x:.1f},{top:.1f}" for x, _, top in run]
            lower = [f"{x:.1f},{bottom:.1f}" for x, bottom, _ in reversed(run)]
            self.marks.append(f'<polygon {fill(colour)} points="{" ".join(upper + lower)}"/>')

    def line(self, days: Sequence[date], values: Sequence[float], colour: str) -> None:
        for run in self._runs(days, values):
            points = " ".join(f"{x:.1f},{y:.1f}" for x, y in run)
            self.marks.append(f'<polyline fill="none" stroke-width="2" {stroke(colour)} points="{points}"/>')

    def dots(self, days: Sequence[date], values: Sequence[float], colour: str) -> None:
        spots = "".join(
            f"M{self.x(day):.1f} {self.y(value):.1f}h0"
            for day, value in zip(days, values, strict=True)
            if isfinite(value)
        )
        if spots:
            # Round line ends without a length are dots: one element for all days.
            self.marks.append(
                f'<path fill="none" stroke-width="3.4" stroke-linecap="round" {stroke(colour)} d="{spots}"/>'
            )

    def rings(self, days: Sequence[date], values: Sequence[float], colour: str) -> None:
        """Open dots, told from full ones without colour."""
        spots = "".join(
            f"M{self.x(day) - 2.2:.1f} {self.y(value):.1f}a2.2 2.2 0 1 0 4.4 0a2.2 2.2 0 1 0 -4.4 0"
            for day, value in zip(days, values, strict=True)
            if isfinite(value)
        )
        if spots:
            self.marks.append(f'<path fill="none" stroke-width="1" {stroke(colour)} d="{spots}"/>')

    def ticks_below(self, days: Sequence[date], colour: str) -> None:
        """Short strokes along the bottom."""
        if days:
            path = "".join(f"M{self.x(day):.1f} {HEIGHT - BOTTOM}v-6" for day in days)
            self.marks.append(f'<path fill="none" stroke-width="1.2" {stroke(colour)} d="{path}"/>')

    def arrows_above(self, days: Sequence[date], colour: str) -> None:
        """Small triangles along the top that point up."""
        if days:
            path = "".join(f"M{self.x(day) - 5:.1f} {TOP + 11}h10l-5 -9z" for day in days)
            self.marks.append(f'<path {fill(colour)} d="{path}"/>')

    def bars(self, days: Sequence[date], values: Sequence[float], colour: str, *, days_wide: float) -> None:
        wide = max(1.0, self.x(self.first + timedelta(days=1)) - self.x(self.first)) * days_wide * 0.8
        path = "".join(
            f"M{self.x(day) - wide / 2:.1f} {HEIGHT - BOTTOM}V{self.y(value):.1f}h{wide:.1f}V{HEIGHT - BOTTOM}z"
            for day, value in zip(days, values, strict=True)
            if isfinite(value) and value > 0
        )
        if path:
            self.marks.append(f'<path {fill(colour)} d="{path}"/>')

    def upright(self, day: date, word: str, colour: str, *, dashes: str = "") -> None:
        """A vertical line with a word beside its top."""
        x = self.x(day)
        dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
        self.marks.append(
            f'<line {stroke(colour)} stroke-width="1.6"{dashed} x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" '
            f'y2="{HEIGHT - BOTTOM}"/>'
        )
        if word:
            anchor, aside = ("end", -4) if x > WIDTH - 90 else ("start", 4)
            self.marks.append(
                f'<text {fill(colour)} font-size="12" text-anchor="{anchor}" x="{x + aside:.1f}" y="{TOP + 24}">'
                f"{escape(word)}</text>"
            )

    def draw(self, *, title: str, description: str, key: str) -> str:
        """The whole picture, named and described for those who cannot see it."""
        grid = []
        for value in value_steps(self.low, self.high):
            y = self.y(value)
            grid.append(
                f'<line {stroke("grid")} x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
                f'<text {fill("soft")} font-size="13" text-anchor="end" x="{LEFT - 6}" y="{y + 4:.1f}">'
                f"{escape(self.label(value))}</text>"
            )
        for day, word in month_steps(self.first, self.last):
            x = self.x(day)
            grid.append(
                f'<line {stroke("soft")} x1="{x:.1f}" x2="{x:.1f}" y1="{HEIGHT - BOTTOM}" y2="{HEIGHT - BOTTOM + 5}"/>'
                f'<text {fill("soft")} font-size="13" text-anchor="middle" x="{x:.1f}" y="{HEIGHT - 8}">{word}</text>'
            )
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
            f'aria-labelledby="{key}-title {key}-desc" font-family="sans-serif">'
            f'<title id="{key}-title">{escape(title)}</title><desc id="{key}-desc">{escape(description)}</desc>'
            f"{''.join(grid)}{''.join(self.marks)}</svg>"
        )


def fill(colour: str) -> str:
    return f'class="fill-{colour}" fill="{PALETTE[colour]}"'


def stroke(colour: str) -> str:
    return f'class="stroke-{colour}" stroke="{PALETTE[colour]}"'


def value_steps(low: float, high: float) -> list[float]:
    """Round values for three to six grid lines between low and high."""
    rough = (high - low) / 5
    size = 10.0 ** _floor_log10(rough)
    step = next(size * factor for factor in (1, 2, 2.5, 5, 10) if size * factor >= rough)
    first = -(-low // step)
    count = int((high - first * step) / step + 1e-9) + 1
    return [(first + number) * step for number in range(count)]


def _floor_log10(value: float) -> int:
    return int(f"{value:e}".split("e")[1])


def month_steps(first: date, last: date) -> list[tuple[date, str]]:
    """Firsts of months, as many as fit, the year in the first one and in each January."""
    months = (last.year - first.year) * 12 + last.month - first.month
    step = next((size for size in (1, 2, 3, 6) if months / size <= 9), 12)
    ticks: list[tuple[date, str]] = []
    for number in range(months + 1):
        year, month = divmod(first.year * 12 + first.month - 1 + number, 12)
        day = date(year, month + 1, 1)
        if day >= first and month % step == 0:
            named = f"{MONTHS[month]} {year}" if month == 0 or not ticks else MONTHS[month]
            ticks.append((day, named))
    return ticks
