"""The worst roofs of a fleet as pictures: truth and estimate through the record."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path

import numpy as np

from fixtures.weather import Floats
from tests.pv.fleet.scored import Scored

WIDTH, HEIGHT, LEFT, BOTTOM = 900, 220, 50, 24
WORST = 10


def draw_worst(rows: Sequence[Scored], folder: Path) -> Path:
    """Write the ten roofs whose present loss is farthest off, one picture each and a page with all; the page's path."""
    folder.mkdir(parents=True, exist_ok=True)
    told = [row for row in rows if np.isfinite(row.said)]
    pictures = []
    for rank, row in enumerate(sorted(told, key=lambda row: -row.off)[:WORST], start=1):
        picture = drawn(row)
        (folder / f"{rank:02d}.svg").write_text(picture)
        pictures.append(picture)
    page = folder / "worst.html"
    page.write_text("<!doctype html><meta charset=utf-8><title>Worst roofs</title>" + "".join(pictures))
    return page


def drawn(row: Scored) -> str:
    """Truth (black) and estimate with its 90 % band (brown) of one roof."""
    lines = (row.true_line, row.said_line, row.high_line, np.array([row.high, row.true]))
    top = max(0.05, *(float(np.nanmax(line, initial=0.0)) for line in lines))
    n = len(row.true_line)

    def points(line: Floats) -> list[str]:
        at = np.flatnonzero(np.isfinite(line))
        x = LEFT + (WIDTH - LEFT - 20) * at / max(1, n - 1)
        y = HEIGHT - BOTTOM - (HEIGHT - BOTTOM - 30) * np.maximum(line[at], 0.0) / top
        return [f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True)]

    band = " ".join(points(row.low_line) + points(row.high_line)[::-1])
    title = (
        f"{row.key} · {', '.join(row.classes)} · true {row.true:.1%}, said {row.said:.1%} ({row.low:.1%} to "
        f"{row.high:.1%}), {row.verdict} {row.cause}, {row.clear_days_last_30} clear of the last 30 days"
    )
    marks = [
        f'<text x="4" y="16" font-size="13">{escape(title)}</text>',
        f'<polygon points="{band}" fill="#f0dcb4"/>',
        f'<polyline points="{" ".join(points(row.said_line))}" fill="none" stroke="#7a4a00" stroke-width="1.5"/>',
        f'<polyline points="{" ".join(points(row.true_line))}" fill="none" stroke="#000" stroke-width="1.5"/>',
    ]
    for value in np.linspace(0, top, 4):
        y = HEIGHT - BOTTOM - (HEIGHT - BOTTOM - 30) * value / top
        marks.append(f'<text x="4" y="{y:.0f}" font-size="12">{value:.1%}</text>')
    for at in range(0, n, max(1, n // 6)):
        x = LEFT + (WIDTH - LEFT - 20) * at / max(1, n - 1)
        marks.append(f'<text x="{x:.0f}" y="{HEIGHT - 6}" font-size="12">{row.days[at]:%Y-%m}</text>')
    size = f'width="{WIDTH}" height="{HEIGHT}" viewBox="0 0 {WIDTH} {HEIGHT}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size} font-family="sans-serif">{"".join(marks)}</svg>'
