"""The printed table: figures, their bars, and in which class a bar is lost."""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.pv.fleet.scored import Scored

CALLED = ("string", "shade", "outage")
"""Faults that the assessment has a verdict for; the slow ones stand in rows of their own."""
AT = ("town", "town, no gauge", "alone", "facts wrong", "other alone")


@dataclass(frozen=True)
class Figure:
    """A row of the table: the mean of something over the roofs it is asked of."""

    name: str
    of: Callable[[Scored], bool]
    is_so: Callable[[Scored], float]
    bars: tuple[float, ...] = ()
    """For the columns ``AT``; towns of the other maker are held to those of towns."""
    at_least: bool = False
    """The figure should be no less than its bar, instead of no more."""
    unit: str = "%"


def _said(row: Scored) -> bool:
    return bool(np.isfinite(row.said))


def _is(*verdicts: str) -> Callable[[Scored], float]:
    return lambda row: float(row.verdict in verdicts)


FIGURES = (
    Figure("present loss, MAE", _said, lambda row: 100 * row.off, (1.0, 1.5, 1.6, 2.0, 1.4), unit="pp"),
    Figure("  bias", _said, lambda row: 100 * (row.said - row.true), unit="pp"),
    Figure("90 % interval covers", _said, lambda row: float(row.covered), (0.86,) * 5, at_least=True),
    Figure("  too low", _said, lambda row: float(row.true > row.high)),
    Figure("  too high", _said, lambda row: float(row.true < row.low)),
    Figure("  width", _said, lambda row: 100 * (row.high - row.low), unit="pp"),
    Figure("clean told soiling", lambda row: row.kind == "clean", _is("soiling"), (0.02, 0.02, 0.03, 0.04, 0.03)),
    Figure("fault told soiling", lambda row: bool(row.fault), _is("soiling"), (0.02, 0.02, 0.03, 0.04, 0.03)),
    Figure("soiled found", lambda row: row.kind == "soiled", _is("soiling"), (0.80, 0.58, 0.48, 0.42, 0.52), True),
    Figure(
        "soiled or clean told other fault",
        lambda row: row.kind in ("soiled", "clean"),
        _is("other fault"),
        (0.02, 0.02, 0.02, 0.04, 0.02),
    ),
    Figure("  soiled", lambda row: row.kind == "soiled", _is("other fault")),
    Figure("  clean", lambda row: row.kind == "clean", _is("other fault")),
    Figure("dirty by 4 % told clean", lambda row: row.dirty, _is("clean"), (0.07, 0.09, 0.10, 0.10, 0.10)),
    Figure(
        "real faults found",
        lambda row: row.fault in CALLED,
        _is("other fault"),
        (0.93, 0.93, 0.93, 0.88, 0.85),
        at_least=True,
    ),
    Figure("clean told clean", lambda row: row.kind == "clean", _is("clean"), (0.75, 0.75, 0.6, 0.6, 0.6), True),
    Figure("can't tell", lambda row: True, _is("not enough data")),
    Figure("slow failing told other fault", lambda row: row.fault == "degradation", _is("other fault")),
    Figure("changed meter told other fault", lambda row: row.fault == "meter", _is("other fault")),
)
GAIN_BARS = (0.40, 0.55, 0.60, 0.70, 0.50)
COVER_MOST = 0.96
LIKE = {"other town": "town", "other no gauge": "town, no gauge"}
ASIDE = ("stubborn dirt", "young record", "1 kWh meter", "daily totals", "20 % and more", "few clear days at the end")


def _bar(bars: Sequence[float], column: str) -> float | None:
    like = LIKE.get(column, column)
    return bars[AT.index(like)] if bars and like in AT else None


def _cell(figure: Figure, rows: Sequence[Scored], column: str) -> tuple[str, bool | None]:
    """A figure of a column as text, and whether its bar is held."""
    asked = [figure.is_so(row) for row in rows if figure.of(row)]
    if not asked:
        return "–", None
    value = float(np.mean(asked))
    text = f"{value:.2f}" if figure.unit == "pp" else f"{value:.0%} ({round(sum(asked))}/{len(asked)})"
    bar = _bar(figure.bars, column)
    if bar is None:
        return text, None
    held = value >= bar if figure.at_least else value <= bar
    if figure.name.startswith("90 %"):
        held = held and value <= COVER_MOST
    sign = "≥" if figure.at_least else "≤"
    told = f"{bar:.1f}" if figure.unit == "pp" else f"{bar:.0%}"
    return f"{text} {sign}{told} {'held' if held else 'MISSED'}", held


def lost_in(figure: Figure, rows: Sequence[Scored], column: str) -> str:
    """The classes of roofs that carry most of what a bar is missed by."""
    bar = _bar(figure.bars, column)
    assert bar is not None
    sign = -1 if figure.at_least else 1
    found = []
    for name in sorted({name for row in rows for name in row.classes}):
        asked = [figure.is_so(row) for row in rows if figure.of(row) and name in row.classes]
        if asked:
            over = sign * (np.mean(asked) - bar) * len(asked)
            if figure.unit == "pp":
                told = f"{np.mean(asked):.1f} of {len(asked)}"
            else:
                told = f"{round(sum(asked))}/{len(asked)}"
            found.append((float(over), f"{name} {told}"))
    return ", ".join(text for over, text in sorted(found, reverse=True)[:4] if over > 0) or "no class in particular"


def gain_line(rows: Sequence[Scored], column: str) -> str:
    """Gains of known washes beside the guess that a wash gains nothing."""
    gains = [gain for row in rows for gain in row.gains]
    if not gains:
        return "–"
    off = np.mean([abs(gain.said - gain.true) for gain in gains])
    zero = np.mean([abs(gain.true) for gain in gains])
    held = np.mean([gain.low <= gain.true <= gain.high for gain in gains])
    bar = _bar(GAIN_BARS, column)
    told = f"{off / zero:.2f} ({100 * off:.2f} of {100 * zero:.2f} pp, {len(gains)}) covers {held:.0%}"
    return told if bar is None else f"{told} ≤{bar:.2f} {'held' if off / zero <= bar else 'MISSED'}"


def usual(row: Scored) -> bool:
    """Whether nothing sets a roof apart but its climate and a fault that has a verdict."""
    return not set(row.classes) & set(ASIDE[:-1]) and row.fault not in ("degradation", "meter")


def print_table(found: dict[str, list[Scored]]) -> None:
    """Print each column's figures with bars, the classes apart, and where a bar is lost."""
    for column, rows in found.items():
        print(f"\n=== {column}: {len(rows)} roofs")
        for figure in FIGURES:
            text, held = _cell(figure, rows, column)
            where = f"   lost in: {lost_in(figure, rows, column)}" if held is False else ""
            print(f"  {figure.name:34s} {text}{where}")
        print(f"  {'gain MAE against always zero':34s} {gain_line(rows, column)}")
        for name in ASIDE:
            asked = [row for row in rows if name in row.classes and _said(row)]
            if asked:
                print(
                    f"  covers, {name:26s} {np.mean([row.covered for row in asked]):.0%} of {len(asked)}, "
                    f"MAE {100 * np.mean([row.off for row in asked]):.2f}, "
                    f"bias {100 * np.mean([row.said - row.true for row in asked]):+.2f}"
                )
    print("\nAll roofs; bold: a bar missed")
    print_summary(found)
    print("\nUsual roofs only: none of stubborn dirt, young, coarse, daily, 20 % and more, slow failing, meter changed")
    print_summary({column: [row for row in rows if usual(row)] for column, rows in found.items()})


def print_summary(found: dict[str, list[Scored]]) -> None:
    """One line a figure, one column a fleet."""
    print(f"\n| | {' | '.join(found)} |")
    print("|---" * (len(found) + 1) + "|")
    print(f"| roofs | {' | '.join(str(len(rows)) for rows in found.values())} |")
    for figure in FIGURES:
        cells = []
        for column, rows in found.items():
            text, held = _cell(figure, rows, column)
            cells.append(f"**{text.split(' ')[0]}**" if held is False else text.split(" ")[0])
        print(f"| {figure.name.strip()} | {' | '.join(cells)} |")
    cells = []
    for column, rows in found.items():
        text = gain_line(rows, column)
        cells.append(f"**{text.split(' ')[0]}**" if "MISSED" in text else text.split(" ")[0])
    print(f"| gain MAE / always zero | {' | '.join(cells)} |")


def write_rows(found: dict[str, list[Scored]], path: Path) -> None:
    """Every roof of every column, one a line."""
    names = ("key", "kind", "fault", "true", "said", "low", "high", "verdict", "cause", "clear_days_last_30")
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("column", *names, "classes"))
        for column, rows in found.items():
            for row in rows:
                writer.writerow((column, *(getattr(row, name) for name in names), "; ".join(row.classes)))
