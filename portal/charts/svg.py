"""A small chart drawn by the server: one time axis, one value axis, marks, and a legend under them.

No styles, so that it passes any policy. Colours stand as presentation attributes for mail and print; the page's style
sheet overrides them by class. A picture is drawn for the width it is seen at: letters keep their size, not the drawing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from html import escape
from math import isfinite

from portal.charts.palette import PALETTE

MONTH_NAMES = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
SWATCH = 26
"""Width of the sample beside a word of the legend [px]."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """The paper of a picture: its size and that of its letters [px], where it is mostly seen."""

    name: str
    width: int
    plot_height: int
    letters: int
    left: int
    """Room for the labels of the value axis."""
    ticks: int
    """Names of months that fit under it."""
    columns: int
    """Of the legend."""

    @property
    def line(self) -> float:
        """Height of a line of words."""
        return self.letters * 1.55


DESK = Sheet("desk", width=760, plot_height=250, letters=14, left=56, ticks=9, columns=2)
PHONE = Sheet("phone", width=330, plot_height=210, letters=13, left=48, ticks=5, columns=1)
"""On a phone of 390 px a panel leaves 322 to 350: a letter stays above 12."""
RIGHT = 8
LEAST_STEP = 1.5
"""Pixels between two points of a line, at least: more of them are not seen, and weigh [px]."""


@dataclass(frozen=True, slots=True)
class Extent:
    """The days that a chart shows, and its lowest and highest value."""

    first: date
    last: date
    low: float
    high: float


@dataclass
class DayPlot:
    """A frame with a day axis and a value axis, to which marks are added from the back to the front.

    ``unit`` names the value axis. A mark with a ``name`` stands in the legend.
    """

    extent: Extent
    label: Callable[[float], str]
    unit: str
    sheet: Sheet = DESK
    marks: list[str] = field(default_factory=list)
    named: list[tuple[str, str]] = field(default_factory=list)

    @property
    def top(self) -> float:
        """Under the value axis's name and the row of signs."""
        return self.sheet.line + 18

    @property
    def bottom(self) -> float:
        return self.top + self.sheet.plot_height

    def x(self, day: date) -> float:
        """Pixel of the middle of a day."""
        return self._xs([day])[0]

    def y(self, value: float) -> float:
        """Pixel of a value, held inside the frame."""
        return self._ys([value])[0]

    def _xs(self, days: Sequence[date]) -> list[float]:
        first = self.extent.first.toordinal()
        span = max(1, self.extent.last.toordinal() - first)
        left, wide = self.sheet.left, self.sheet.width - self.sheet.left - RIGHT
        return [left + wide * (day.toordinal() - first) / span for day in days]

    def _ys(self, values: Sequence[float]) -> list[float]:
        """Pixel of each value, NaN where there is none."""
        low, high, bottom, height = self.extent.low, self.extent.high, self.bottom, self.sheet.plot_height
        parts = [(value - low) / (high - low) for value in values]
        return [bottom - height * (0.0 if part < 0.0 else 1.0 if part > 1.0 else part) for part in parts]

    def _points(self, days: Sequence[date], values: Sequence[float]) -> list[tuple[float, float]]:
        """Where the days that have a value stand."""
        placed = zip(values, self._xs(days), self._ys(values), strict=True)
        return [(x, y) for value, x, y in placed if isfinite(value)]

    def _runs(self, days: Sequence[date], *columns: Sequence[float]) -> list[list[tuple[float, ...]]]:
        """Stretches without a gap, as pixel x and one pixel y a column, fewer where days are closer."""
        runs: list[list[tuple[float, ...]]] = [[]]
        points = zip(self._xs(days), *(self._ys(column) for column in columns), strict=True)
        for point, *values in zip(points, *columns, strict=True):
            if all(map(isfinite, values)):
                if len(runs[-1]) > 1 and point[0] - runs[-1][-2][0] < LEAST_STEP:
                    runs[-1][-1] = point
                else:
                    runs[-1].append(point)
            elif runs[-1]:
                runs.append([])
        return [run for run in runs if run]

    def _name(self, sample: str, name: str) -> None:
        if name and (sample, name) not in self.named:
            self.named.append((sample, name))

    def band(
        self, days: Sequence[date], low: Sequence[float], high: Sequence[float], colour: str, *, name: str = ""
    ) -> None:
        """An interval: its ground, and thin edges that are seen in light and in dark."""
        look = (
            f'class="fill-{colour} stroke-edge" fill="{PALETTE[colour]}" stroke="{PALETTE["edge"]}" stroke-width=".8"'
        )
        for run in self._runs(days, low, high):
            upper = [f"{x:.1f},{top:.1f}" for x, _, top in run]
            lower = [f"{x:.1f},{bottom:.1f}" for x, bottom, _ in reversed(run)]
            self.marks.append(f'<polygon {look} points="{" ".join(upper + lower)}"/>')
            self._name(f'<path {look} d="M0-5H22V5H0z"/>', name)

    def line(
        self, days: Sequence[date], values: Sequence[float], colour: str, *, dashes: str = "", name: str = ""
    ) -> None:
        look = f'fill="none" stroke-width="{1.6 if dashes else 2.2}" {stroke(colour)}'
        look += f' stroke-dasharray="{dashes}"' if dashes else ""
        for run in self._runs(days, values):
            points = " ".join(f"{x:.1f},{y:.1f}" for x, y in run)
            self.marks.append(f'<polyline {look} points="{points}"/>')
            self._name(f'<path {look} d="M0 0H22"/>', name)

    def dots(self, days: Sequence[date], values: Sequence[float], colour: str, *, name: str = "") -> None:
        spots = "".join(f"M{x:.0f} {y:.0f}h0" for x, y in self._points(days, values))
        if spots:
            # Round line ends without a length are dots: one element for all days.
            look = f'fill="none" stroke-width="3.4" stroke-linecap="round" {stroke(colour)}'
            self.marks.append(f'<path {look} d="{spots}"/>')
            self._name(f'<path {look} d="M5 0h0m6-2h0m6 3h0"/>', name)

    def rings(self, days: Sequence[date], values: Sequence[float], colour: str, *, name: str = "") -> None:
        """Open dots, told from full ones without colour."""
        ring = "a2.2 2.2 0 1 0 4.4 0a2.2 2.2 0 1 0 -4.4 0"
        spots = "".join(f"M{x - 2.2:.1f} {y:.1f}{ring}" for x, y in self._points(days, values))
        if spots:
            look = f'fill="none" stroke-width="1" {stroke(colour)}'
            self.marks.append(f'<path {look} d="{spots}"/>')
            self._name(f'<path {look} d="M2 0{ring}M11 0{ring}"/>', name)

    def ticks_below(self, days: Sequence[date], colour: str, *, name: str = "") -> None:
        """Short strokes along the bottom."""
        if days:
            look = f'fill="none" stroke-width="1.2" {stroke(colour)}'
            path = "".join(f"M{x:.1f} {self.bottom:.0f}v-6" for x in self._xs(days))
            self.marks.append(f'<path {look} d="{path}"/>')
            self._name(f'<path {look} d="M6 4v-7m5 7v-7m5 7v-7"/>', name)

    def triangles(self, days: Sequence[date], colour: str, *, name: str = "") -> None:
        """Small triangles above the plot that point up."""
        if days:
            path = "".join(f"M{x - 5:.1f} {self.top - 4:.1f}h10l-5 -9z" for x in self._xs(days))
            self.marks.append(f'<path {fill(colour)} d="{path}"/>')
            self._name(f'<path {fill(colour)} d="M6 5h10l-5-9z"/>', name)

    def bars(
        self, days: Sequence[date], values: Sequence[float], colour: str, *, days_wide: float, name: str = ""
    ) -> None:
        wide = max(1.0, self.x(self.extent.first + timedelta(days=1)) - self.x(self.extent.first)) * days_wide * 0.8
        bottom = f"{self.bottom:.0f}"
        path = "".join(
            f"M{x:.1f} {bottom}V{y:.1f}h{wide:.1f}V{bottom}z"
            for value, x, y in zip(values, self._xs(days), self._ys(values), strict=True)
            if isfinite(value) and value > 0
        )
        if path:
            self.marks.append(f'<path {fill(colour)} d="{path}"/>')
            self._name(f'<path {fill(colour)} d="M2 6V-2h5V6zM9 6V-6h5V6zM16 6V0h5v6z"/>', name)

    def upright(self, day: date, colour: str, *, dashes: str = "", name: str = "") -> None:
        """A vertical line from a drop above the plot to its bottom."""
        x = self.x(day)
        look = f'{stroke(colour)} stroke-width="1.8"' + (f' stroke-dasharray="{dashes}"' if dashes else "")
        self.marks.append(
            f'<path {look} d="M{x:.1f} {self.top:.1f}V{self.bottom:.0f}"/>'
            f'<path {fill(colour)} d="M{x:.1f} {self.top - 13:.1f}l4 7a4.6 4.6 0 1 1-8 0z"/>'
        )
        drop = f'<path {fill(colour)} d="M11-8l4 7a4.6 4.6 0 1 1-8 0z"/>'
        self._name(drop if not dashes else f'<path {look} d="M11-7V7"/>{drop}', name)

    def words_above(self, words: Sequence[tuple[date, str]], colour: str, *, sample: str, name: str) -> None:
        """Short words above the plot, each over its day; ``sample`` is one of them, for the legend."""
        look = f'{fill(colour)} font-size="{self.sheet.letters}"'
        for day, word in words:
            self.marks.append(
                f'<text {look} text-anchor="middle" x="{self.x(day):.1f}" y="{self.top - 5:.1f}">{escape(word)}</text>'
                f'<path {stroke("grid")} d="M{self.x(day):.1f} {self.top:.1f}V{self.bottom:.0f}"/>'
            )
        self._name(f'<text {look} x="-2" y="{self.sheet.letters * 0.36:.1f}">{escape(sample)}</text>', name)

    def draw(self, *, title: str, key: str) -> str:
        """The whole picture, named for those who cannot see it; what it shows is said beside it."""
        sheet = self.sheet
        words = f'font-size="{sheet.letters}"'
        grid = [f'<text {fill("soft")} {words} x="2" y="{sheet.letters}">{escape(self.unit)}</text>']
        for value in value_steps(self.extent.low, self.extent.high):
            y = self.y(value)
            grid.append(
                f'<path {stroke("grid")} d="M{sheet.left} {y:.1f}H{sheet.width - RIGHT}"/>'
                f'<text {fill("soft")} {words} text-anchor="end" x="{sheet.left - 6}" y="{y + 4.5:.1f}">'
                f"{escape(self.label(value))}</text>"
            )
        grid.append(month_axis(self.extent.first, self.extent.last, sheet, self.x, below=self.bottom))
        foot, names = legend(self.named[::-1], sheet, self.bottom + sheet.line + 12)
        return picture(sheet.width, foot, "".join([*grid, *self.marks, names]), title=title, key=key)


def month_axis(
    first: date, last: date, sheet: Sheet, x: Callable[[date], float], *, below: float, top: float | None = None
) -> str:
    """Names of months under a picture that ends at ``below``, with a tick each, or a line from ``top`` on."""
    marks = []
    for day, word in month_steps(first, last, most=sheet.ticks):
        at, room = x(day), len(word) * sheet.letters * 0.3
        mark = (
            f'{stroke("soft")} d="M{at:.1f} {below:.0f}v5"'
            if top is None
            else (f'{stroke("grid")} d="M{at:.1f} {top:.0f}V{below:.0f}"')
        )
        marks.append(
            f'<path {mark}/><text {fill("soft")} font-size="{sheet.letters}" text-anchor="middle" '
            f'x="{min(max(at, room), sheet.width - room):.1f}" y="{below + 5 + sheet.letters:.1f}">{word}</text>'
        )
    return "".join(marks)


def legend(named: Sequence[tuple[str, str]], sheet: Sheet, begin: float) -> tuple[float, str]:
    """Where a picture ends, and its marks with their names from ``begin`` on, in places wide enough for any language.

    A mark is drawn around the middle of :data:`SWATCH` by what comes with its name.
    """
    across = (sheet.width - 8) / sheet.columns
    placed = []
    for number, (sample, name) in enumerate(named):
        row, column = divmod(number, sheet.columns)
        x, y = 4 + across * column, begin + (row + 0.5) * sheet.line
        placed.append(
            f'<g transform="translate({x:.0f} {y:.1f})">{sample}<text {fill("ink")} '
            f'font-size="{sheet.letters}" x="{SWATCH + 4}" y="{sheet.letters * 0.36:.1f}">{escape(name)}</text></g>'
        )
    rows = -(-len(named) // sheet.columns)
    return begin + rows * sheet.line + 2, "".join(placed)


def picture(width: float, height: float, marks: str, *, title: str, key: str) -> str:
    """Marks as a picture with a name."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}" '
        f'height="{height:.0f}" role="img" aria-labelledby="{key}-title" font-family="sans-serif">'
        f'<title id="{key}-title">{escape(title)}</title>{marks}</svg>'
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


def month_steps(first: date, last: date, *, most: int = 9) -> list[tuple[date, str]]:
    """Firsts of months, as many as fit, the year in the first and in each January; of many years the years alone."""
    months = (last.year - first.year) * 12 + last.month - first.month
    step = next(size for size in (1, 2, 3, 6, 12, 24, 60, 120, 600) if months / size <= most or size == 600)
    ticks: list[tuple[date, str]] = []
    for number in range(months + 1):
        since_zero = first.year * 12 + first.month - 1 + number
        year, month = divmod(since_zero, 12)
        day = date(year, month + 1, 1)
        if day < first or since_zero % step:
            continue
        named = f"{MONTH_NAMES[month]} {year}" if month == 0 or not ticks else MONTH_NAMES[month]
        ticks.append((day, str(year) if step >= 12 else named))
    return ticks
