"""The first days of a file, drawn small: a person sees at once when hours, units or columns are wrong."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from html import escape
from zoneinfo import ZoneInfo

from portal.charts.chart import spelled
from portal.charts.svg import fill, stroke, value_steps

WIDTH, HEIGHT = 440, 210  # on a phone of 390 px a panel leaves 340 to it: its letters are 12 px high
LEFT, RIGHT, TOP, BOTTOM = 50, 8, 24, 46


def first_days(start: datetime, minutes: int, energy_wh: Sequence[float | None], *, tz: str) -> str:
    """Draw mean power [kW] by local clock (daily totals: energy [kWh]); ``start`` is tz-aware."""
    zone = ZoneInfo(tz)
    daily = minutes == 1440
    scale = 1000.0 if daily else 1000.0 * minutes / 60
    values = [None if energy is None else energy / scale for energy in energy_wh]
    unit = "kWh a day" if daily else "kW"
    top = max([value for value in values if value is not None], default=0.0) * 1.08 or 1.0
    low = min(0.0, *(value for value in values if value is not None), 0.0)
    wide = (WIDTH - LEFT - RIGHT) / max(1, len(values))

    def y(value: float) -> float:
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * (value - low) / (top - low)

    marks = []
    for value in value_steps(low, top):
        marks.append(
            f'<line {stroke("grid")} x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(value):.1f}" y2="{y(value):.1f}"/>'
            f'<text {fill("soft")} font-size="16" text-anchor="end" x="{LEFT - 6}" y="{y(value) + 4:.1f}">'
            f"{value:g}</text>"
        )
    marks.append(f'<text {fill("soft")} font-size="16" x="{LEFT}" y="14">{unit}</text>')
    every, dated = max(1, len(values) // 6), False
    for number in range(len(values)):
        moment = (start + timedelta(minutes=minutes * number)).astimezone(zone)
        x = LEFT + wide * number
        if daily:
            if number % every == 0:
                marks.append(_tick(x + wide / 2, f"{moment.day} {moment:%b}", HEIGHT - 26))
        elif moment.minute == 0 and moment.hour % 6 == 0:
            marks.append(f'<path {stroke("grid")} d="M{x:.1f} {HEIGHT - BOTTOM}v5"/>')
            if moment.hour == 12:
                marks.append(_tick(x, "12:00", HEIGHT - 26))
                # the year once: on each day it would run into the next
                named = f"{moment.day} {moment:%b}" if dated else f"{moment.day} {moment:%b %Y}"
                marks.append(_tick(x, named, HEIGHT - 6))
                dated = True
    path, drawing = "", False
    for number, known in enumerate(values):
        if known is None:
            drawing = False
            continue
        path += f"{'L' if drawing else 'M'}{LEFT + wide * number:.1f} {y(known):.1f}h{wide:.1f}"
        drawing = True
    marks.append(f'<path fill="none" stroke-width="2" {stroke("expected")} d="{path}"/>')
    total = sum(energy for energy in energy_wh if energy is not None) / 1000
    begins = start.astimezone(zone)
    words = (
        f"{spelled(begins)} and on: {total:,.1f} kWh in all, highest {max(top / 1.08, 0):,.2f} {unit}, clock of {tz}."
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        'aria-labelledby="first-title first-desc" font-family="sans-serif">'
        f'<title id="first-title">The first days as read</title><desc id="first-desc">{escape(words)}</desc>'
        f"{''.join(marks)}</svg>"
    )


def _tick(x: float, word: str, height: float) -> str:
    return (
        f'<text {fill("soft")} font-size="16" text-anchor="middle" x="{x:.1f}" y="{height:.1f}">{escape(word)}</text>'
    )
