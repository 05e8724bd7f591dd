"""The gain that leads promised against the gain that was measured after the wash."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from portal.charts.chart import Chart, ChartTable, colour, layout, share
from portal.charts.svg import fill, picture, stroke, value_steps

SIZE, LEFT, BOTTOM, MARGIN = 340, 52, 44, 14
"""Square and narrow, so that it is the same on a phone and on a desk."""


@dataclass(frozen=True, slots=True)
class Promise:
    """One washed lead: the loss it promised to undo and the gain measured, as fractions with 90 % intervals."""

    word: str
    promised: float
    promised_low: float
    promised_high: float
    measured: float
    measured_low: float
    measured_high: float

    @property
    def kept(self) -> bool:
        """Whether the two intervals meet."""
        return self.measured_low <= self.promised_high and self.promised_low <= self.measured_high


def promise_chart(promises: Sequence[Promise], *, key: str = "promise") -> Chart | None:
    """Draw promised against measured gains with their intervals, and the line on which both are equal.

    None when there is nothing to compare.
    """
    if not promises:
        return None
    low = min(0.0, *(min(one.promised_low, one.measured_low) for one in promises))
    high = max(max(one.promised_high, one.measured_high) for one in promises)
    low, high = low - 0.005, max(high + 0.01, 0.05)
    kept = sum(one.kept for one in promises)
    title = "Promised and measured gain of each wash"
    summary = (
        f"Washes measured: {len(promises)}; in {kept} of them the measured gain agrees with "
        "what was promised (their ranges meet). On the dashed line both are equal; below it the wash gained less."
    )
    drawn_once = _svg(promises, low, high, title, key)
    heads = ("Wash", "Promised, %", "likely from, %", "to, %", "Measured, %", "likely from, %", "to, %")
    rows = tuple(
        (
            one.word,
            *(share(end) for end in (one.promised, one.promised_low, one.promised_high)),
            *(share(end) for end in (one.measured, one.measured_low, one.measured_high)),
        )
        for one in promises
    )
    return Chart(key, title, summary, drawn_once, "", _figure(promises, low, high), ChartTable(heads, rows))


def _svg(promises: Sequence[Promise], low: float, high: float, title: str, key: str) -> str:
    def x(value: float) -> float:
        return LEFT + (SIZE - LEFT - MARGIN) * (value - low) / (high - low)

    def y(value: float) -> float:
        return SIZE - BOTTOM - (SIZE - BOTTOM - MARGIN) * (value - low) / (high - low)

    marks = []
    for value in value_steps(low, high):
        label = escape(f"{value * 100:.3g} %")
        marks.append(
            f'<line {stroke("grid")} x1="{LEFT}" x2="{SIZE - MARGIN}" y1="{y(value):.1f}" y2="{y(value):.1f}"/>'
            f'<text {fill("soft")} font-size="13" text-anchor="end" x="{LEFT - 6}" y="{y(value) + 4:.1f}">'
            f"{label}</text>"
            f'<text {fill("soft")} font-size="13" text-anchor="middle" x="{x(value):.1f}" y="{SIZE - BOTTOM + 18}">'
            f"{label}</text>"
        )
    marks.append(
        f'<line {stroke("soft")} stroke-dasharray="4 4" x1="{x(low):.1f}" y1="{y(low):.1f}" x2="{x(high):.1f}" '
        f'y2="{y(high):.1f}"/>'
    )
    for one in promises:
        marks.append(
            f'<path fill="none" stroke-width="1.2" {stroke("wash")} d="M{x(one.promised_low):.1f} '
            f"{y(one.measured):.1f}H{x(one.promised_high):.1f}M{x(one.promised):.1f} {y(one.measured_low):.1f}"
            f'V{y(one.measured_high):.1f}"/><circle {fill("wash")} r="4" cx="{x(one.promised):.1f}" '
            f'cy="{y(one.measured):.1f}"/>'
        )
    middle = (SIZE + LEFT) / 2
    marks.append(
        f'<text {fill("ink")} font-size="13" text-anchor="middle" x="{middle:.0f}" y="{SIZE - 8}">promised</text>'
        f'<text {fill("ink")} font-size="13" x="{LEFT + 4}" y="{MARGIN + 4}">measured</text>'
    )
    return picture(SIZE, SIZE, "".join(marks), title=title, key=key)


def _figure(promises: Sequence[Promise], low: float, high: float) -> dict[str, Any]:
    frame = layout(low, high, tickformat=".0%", title="measured")
    frame["xaxis"] = {**frame["yaxis"], "title": {"text": "promised"}}

    def away(values: Sequence[float], ends: Sequence[float]) -> list[float]:
        return [round(abs(end - value), 4) for value, end in zip(values, ends, strict=True)]

    promised, measured = [one.promised for one in promises], [one.measured for one in promises]
    bars: dict[str, Any] = {"type": "data", "symmetric": False, "color": colour("wash"), "thickness": 1}
    return {
        "data": [
            {
                "type": "scatter",
                "mode": "lines",
                "x": [low, high],
                "y": [low, high],
                "line": {"color": colour("soft"), "dash": "dash"},
                "name": "both equal",
                "hoverinfo": "skip",
            },
            {
                "type": "scatter",
                "mode": "markers",
                "x": [round(value, 4) for value in promised],
                "y": [round(value, 4) for value in measured],
                "text": [one.word for one in promises],
                "error_x": {
                    **bars,
                    "array": away(promised, [one.promised_high for one in promises]),
                    "arrayminus": away(promised, [one.promised_low for one in promises]),
                },
                "error_y": {
                    **bars,
                    "array": away(measured, [one.measured_high for one in promises]),
                    "arrayminus": away(measured, [one.measured_low for one in promises]),
                },
                "marker": {"size": 9, "color": colour("wash")},
                "name": "a wash, with both ranges",
                "hovertemplate": "%{text}<br>promised %{x:.1%}, measured %{y:.1%}<extra></extra>",
            },
        ],
        "layout": frame,
    }
