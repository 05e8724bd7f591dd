"""Readings in order of time, each with its instant, the time it covers and its energy."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from portal.pv.arrays import Floats, Ints
from portal.pv.sun import DAY_S
from portal.readers.clock import NO_INSTANT, StampClock
from portal.readers.mapping import Unit
from portal.readers.reading import Lump, Notice
from portal.readers.stamps import Stamps

WH_PER: dict[Unit, float] = {"Wh": 1.0, "kWh": 1e3, "MWh": 1e6, "W": 1.0, "kW": 1e3, "MW": 1e6}
NEARLY_A_DAY_S = DAY_S - 7200
"""Seconds from which on a step is a day: the day on which summer time begins has 23 hours, by definition, and one more
is left for jitter."""
NEAR_A_STEP = 0.1
"""Share of a usual interval length that the step between stamps may be off it. Tuned on the made files of the tests: a
fifth more or less changes none."""
STEPS_S = (60, 120, 180, 300, 360, 600, 720, 900, 1200, 1800, 3600, 7200, 10_800, 21_600, DAY_S)
LARGE_PERCENTILE = 99
"""Percentile [%] of a file's figures that stands for its large ones, where single ones may be wrong. Common practice,
no source."""
USUAL_PERCENTILE = 99.5
"""Percentile [%] of a file's readings that stands for its large ones: the few above it are slips of a meter. Tuned on
the made files of the tests."""
BEYOND = 1e15
"""No meter on earth has counted as many Wh; sums of larger figures would overflow. Common practice, no source."""


@dataclass(slots=True)
class Series:
    """Readings in order of time: UTC starts, the seconds each covers, energies [Wh] (NaN when blank), lines."""

    start_s: Ints
    length_s: Ints
    energy_wh: Floats
    place: Ints
    """Where each stands in the files."""
    step_s: int
    lumps: list[Lump] = field(default_factory=list)
    quality: NDArray[np.str_] | None = None
    notices: list[Notice] = field(default_factory=list)
    duplicates: int = 0
    conflicts: int = 0


SHUFFLED = 0.02
"""Share of the steps that go the other way from which on lines are in no order of time; parts one below another have
few. Common practice, no source."""


def common_step(times_s: Ints) -> int:
    """Return the seconds between most neighbouring stamps.

    Parameters
    ----------
    times_s
        Instants [s] (n,), in the order of the file.

    Returns
    -------
    int
        Seconds; a usual interval length where it is near one, 0 where there is none.

    Examples
    --------
    >>> common_step(np.array([0, 901, 1800, 2702]))
    900
    """
    if len(times_s) < 2:
        return 0
    gaps = np.diff(times_s)
    up, down = np.count_nonzero(gaps > 0), np.count_nonzero(gaps < 0)
    if min(up, down) > SHUFFLED * (up + down):
        gaps = np.diff(np.unique(times_s))
    gaps = np.abs(gaps[gaps != 0])
    if not len(gaps):
        return 0
    values, counts = np.unique(gaps, return_counts=True)
    best = int(values[counts.argmax()])
    if counts.max() * 2 < len(gaps):
        best = int(np.median(gaps))  # a logger that does not keep its grid
    for step in STEPS_S:
        if abs(best - step) <= NEAR_A_STEP * step:
            # 23 and 25 hours are days too.
            return step
    return best


def to_starts(
    stamps: Stamps, elapsed_s: Ints | None, clock: StampClock, step_s: int, instants: bool
) -> tuple[Ints, list[tuple[int, str]]]:
    """Return the UTC start of each reading and the positions without one (a stamp the wall clock skips).

    Parameters
    ----------
    stamps
        The stamps (n,).
    elapsed_s
        Seconds (n,) since the stamp's midnight, for counted intervals, else None.
    clock
        The clock they were written by.
    step_s
        Seconds between them.
    instants
        Whether readings hold at an instant, as a register's do, and not over an interval.

    Returns
    -------
    starts : ndarray
        UTC starts [s] (n,), ``NO_INSTANT`` where there is none.
    missing : list of tuple
        Positions of those readings, with the reason.
    """
    shift = step_s if clock.label == "end" and not instants else 0
    if elapsed_s is not None:
        midnights = clock.to_utc(stamps.naive_s, stamps.offset_s)
        starts = np.where(midnights == NO_INSTANT, NO_INSTANT, midnights + elapsed_s - shift)
    elif shift and clock.kind == "wall":
        # At a clock change an end stamp may be the wall time of the end, or the wall time of the start plus the
        # interval. The way that leaves fewer readings without an instant of their own is the file's.
        ends = clock.to_utc(stamps.naive_s)
        by_end = np.where(ends == NO_INSTANT, NO_INSTANT, ends - shift)
        by_start = clock.to_utc(stamps.naive_s - shift)
        starts = by_end if _distinct(by_end) >= _distinct(by_start) else by_start
    else:
        starts = clock.to_utc(stamps.naive_s, stamps.offset_s)
        starts = np.where(starts == NO_INSTANT, NO_INSTANT, starts - shift)
    missing = np.flatnonzero(starts == NO_INSTANT)
    return starts, [(int(i), SKIPPED) for i in missing]


SKIPPED = "the clock skips this hour when summer time begins, so the stamp does not exist"


def _distinct(instants: Ints) -> int:
    return len(np.unique(instants[instants != NO_INSTANT]))


@dataclass(frozen=True, slots=True)
class Ordered:
    """Readings in order of time, each instant once."""

    start_s: Ints
    columns: list[Floats]
    kept: Ints
    """Position of each reading in the file."""
    duplicates: int
    """Readings dropped because their instant occurs again."""
    conflicts: int
    """Those of them whose figures differ."""


def put_in_order(starts: Ints, columns: Sequence[Floats]) -> Ordered:
    """Sort by time and drop repeated readings; the later line of the file wins, but a blank never over a figure.

    Parameters
    ----------
    starts
        UTC starts [s] (n,) in the order of the file, ``NO_INSTANT`` where there is none.
    columns
        Figures (n,) of each column, NaN where blank. They are not changed.

    Returns
    -------
    Ordered
        The readings that have an instant.

    Examples
    --------
    >>> put_in_order(np.array([900, 0, 900]), [np.array([5.0, 1.0, np.nan])]).columns
    [array([1., 5.])]
    """
    order = np.arange(len(starts))
    if len(starts) > 1 and not (np.diff(starts) > 0).all():
        order = np.argsort(starts, kind="stable")
    order = order[starts[order] != NO_INSTANT]
    sorted_ = starts[order]
    last = np.ones(len(order), dtype=bool)
    last[:-1] = sorted_[1:] != sorted_[:-1]
    repeated = np.flatnonzero(~last)
    differs = np.zeros(len(repeated), dtype=bool)
    winners = []
    for column in columns:
        figures = column[order]
        if len(repeated):
            one, two = figures[repeated], figures[repeated + 1]
            differs |= (one != two) & ~(np.isnan(one) & np.isnan(two))
            # Over a run of repeated readings the last figure counts, whatever blanks follow it.
            for at in repeated[np.isnan(two)]:
                if np.isnan(figures[at + 1]):
                    figures[at + 1] = figures[at]
        winners.append(figures[last])
    return Ordered(sorted_[last], winners, order[last], len(repeated), int(differs.sum()))


def to_wh(columns: Sequence[Floats], unit: Unit) -> list[Floats]:
    """Return figures in Wh, or in W; one beyond all reason becomes infinite and is rejected later.

    Parameters
    ----------
    columns
        Figures (n,) of each column, NaN where blank.
    unit
        Their unit.

    Returns
    -------
    list of ndarray
        Figures [Wh] or [W] (n,).

    Examples
    --------
    >>> to_wh([np.array([1.5, 1e13])], "kWh")
    [array([1500.,   inf])]
    """
    with np.errstate(over="ignore"):
        scaled = [column * WH_PER[unit] for column in columns]
    return [np.where(np.abs(column) > BEYOND, np.inf, column) for column in scaled]


def as_series(starts: Ints, energy: Floats) -> pd.Series[float]:
    """Return energies indexed by tz-aware UTC starts.

    Parameters
    ----------
    starts
        UTC starts [s] (n,).
    energy
        Energies [Wh] (n,), NaN where missing.

    Returns
    -------
    Series
        The energies by their starts.
    """
    index = pd.DatetimeIndex(starts.astype("datetime64[s]")).tz_localize("UTC")
    return pd.Series(energy, index=index, name="energy_wh")


@dataclass(slots=True)
class MeterSeries:
    """One series of a meter file: UTC starts and durations [s], figures, lines, quality flags."""

    name: str
    direction: str
    unit: Unit
    register: bool
    start_s: array[int] = field(default_factory=lambda: array("q"))
    length_s: array[int] = field(default_factory=lambda: array("q"))
    figure: array[float] = field(default_factory=lambda: array("d"))
    place: array[int] = field(default_factory=lambda: array("q"))
    quality: list[str] = field(default_factory=list)
    typed: bool = True
    """Whether the file says what these figures are."""
