"""Stamped figures to one regular grid of interval energies.

The rules, in the order they are applied:

* A register's energy is the difference between two readings of it; it may roll over or start again.
* An average power is held from its stamp to the next.
* Stamps a few seconds off the grid are set on it. Intervals that really lie off it are shared out over the grid in
  proportion to time, so that no energy is lost. Finer intervals than 5 minutes are added up.
* Where the interval length changes inside the file, the longer one is used for all of it.
* A reading after a gap that holds the gap's energy too becomes a ``Lump``.
"""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from portal.pv.arrays import Floats, Ints
from portal.pv.sun import DAY_S
from portal.readers.clock import changes, utc_datetime, utc_offset_s
from portal.readers.lumps import LUMPS_KEPT, PIECE, lump_pieces
from portal.readers.reading import Lump, ReadError
from portal.readers.series import STEPS_S, Series

OUT_MINUTES = (5, 10, 15, 30, 60, 1440)
"""Minutes of the intervals that readings are kept at. Common practice of meters, no source."""
COVERED = 0.98
"""Share of an interval that readings off the grid must cover for it to be whole: seconds are lost to jitter. Tuned on
the made files of the tests: a fifth less changes none, a fifth more is more than the whole."""
STRETCH = 6
"""Equal steps in a row, or half a day of them, that make another interval length and not a gap. Tuned on the made files
of the tests: a fifth more or less changes none."""
LATE_S = (5, 60)
LATE_PARTS = 20
"""Seconds by which a stamp may miss its place on the grid, at least and at most; between them one in so many parts of
an interval. Common practice, no source."""
JITTER = 0.25
"""Share of an interval by which stamps of a logger that does not keep its grid may lie apart: each reading runs until
the next. Tuned on the made files of the tests: a fifth more or less changes none."""
MOST_YEARS = 80
"""Years that the stamps of a file may lie apart. Common practice, no source."""


def local_lengths(starts: Ints, step: int) -> Ints:
    """Return the seconds each reading covers: ``step``, or the longer step of its stretch of the file.

    Parameters
    ----------
    starts
        UTC starts [s] (n,), in order.
    step
        Seconds between most readings.

    Returns
    -------
    ndarray
        Seconds (n,).

    Examples
    --------
    >>> starts = np.concatenate([900 * np.arange(48), 43_200 + 3600 * np.arange(24)])
    >>> local_lengths(starts, 900)[[0, 60]].tolist()
    [900, 3600]
    """
    lengths = np.full(len(starts), step, dtype=np.int64)
    if len(starts) < 3:
        return lengths
    gaps = np.diff(starts)
    change = np.flatnonzero(np.diff(gaps) != 0) + 1
    bounds = np.concatenate(([0], change, [len(gaps)]))
    for a, b in pairwise(bounds):
        gap = int(gaps[a])
        # A gap is one long step; a whole day of equal steps is another interval length.
        if gap != step and gap in STEPS_S and b - a >= max(STRETCH, DAY_S // gap // 2) and gap * (b - a) >= DAY_S // 2:
            lengths[a : b + 1] = gap
    return lengths


def out_minutes(step_s: int) -> int:
    """Return the interval length readings are kept at: the shortest one that is a multiple of the file's.

    Parameters
    ----------
    step_s
        Seconds between readings.

    Returns
    -------
    int
        Minutes, 0 when none is as long.

    Examples
    --------
    >>> out_minutes(60), out_minutes(900), out_minutes(7200)
    (5, 15, 1440)
    """
    for minutes in OUT_MINUTES:
        if minutes * 60 >= step_s and (minutes * 60) % step_s == 0:
            return minutes
    for minutes in OUT_MINUTES:
        if minutes * 60 >= step_s:
            return minutes
    return 0


def on_grid(series: Series, zone: ZoneInfo, minutes: int) -> tuple[Ints, Floats]:
    """Share the readings out over a regular grid aligned to local midnight; return UTC starts and energies.

    Parameters
    ----------
    series
        Energies of intervals, in order.
    zone
        The site's zone.
    minutes
        Length of the grid's intervals.

    Returns
    -------
    starts : ndarray
        UTC starts [s] (m,).
    energy : ndarray
        Energies [Wh] (m,), NaN where missing or only in part covered.

    Raises
    ------
    ReadError
        When the stamps lie further apart than any file's.
    """
    out = minutes * 60
    first, last = int(series.start_s[0]), int(series.start_s[-1] + series.length_s[-1])
    anchor = -utc_offset_s(zone, first) % out
    base = (first - anchor) // out * out + anchor
    refuse_far_apart(last - base)
    count = -(-(last - base) // out)
    energy = np.full(count, np.nan)
    position = series.start_s - base
    slot = (position + out // 2) // out
    jitter = np.abs(position - slot * out)
    if (series.length_s == out).all() and int(jitter.max()) <= max(LATE_S[0], min(LATE_S[1], out // LATE_PARTS)):
        if not jitter.any() or len(np.unique(slot)) == len(slot):
            inside = slot < count
            energy[slot[inside]] = series.energy_wh[inside]
            return base + np.arange(count, dtype=np.int64) * out, energy
    elif (series.length_s <= out).all() and (out % series.length_s == 0).all():
        rest = position % series.length_s
        if not rest.any():
            return base + np.arange(count, dtype=np.int64) * out, _add_up(series, position // out, count, out)
    gap = np.diff(series.start_s, append=last)
    series.length_s = np.where(np.abs(gap - series.length_s) <= JITTER * series.length_s, gap, series.length_s)
    return base + np.arange(count, dtype=np.int64) * out, share_out(series, base, count, out)


def refuse_far_apart(span_s: int) -> None:
    """Refuse stamps that lie further apart than any file's.

    Parameters
    ----------
    span_s
        Seconds from the first to the last.

    Raises
    ------
    ReadError
        When there are more of them than in 80 years.
    """
    if span_s > MOST_YEARS * 366 * DAY_S:
        raise ReadError("The stamps of this file lie more than 80 years apart. Check the column with the dates.")


def _add_up(series: Series, slot: Ints, count: int, out: int) -> Floats:
    known = ~np.isnan(series.energy_wh)
    sums = np.bincount(slot[known], weights=series.energy_wh[known], minlength=count)
    covered = np.bincount(slot[known], weights=series.length_s[known].astype(np.float64), minlength=count)
    full = covered >= out - 0.5
    lump_pieces(series, known & ~full[slot])
    return np.where(full, sums, np.nan)


def share_out(series: Series, base: int, count: int, out: int) -> Floats:
    """Share energies out over a grid in proportion to time; what covers an interval only in part becomes a lump.

    Parameters
    ----------
    series
        Energies of intervals, in order; lumps are added to it.
    base
        UTC start [s] of the grid.
    count, out
        Intervals of the grid, and the seconds of each.

    Returns
    -------
    ndarray
        Energies [Wh] (count,), NaN where an interval is not wholly covered.
    """
    known = ~np.isnan(series.energy_wh)
    start = (series.start_s[known] - base).astype(np.float64)
    end = start + series.length_s[known]
    end[:-1] = np.minimum(end[:-1], start[1:])
    energy = series.energy_wh[known]
    edges = np.arange(count + 1, dtype=np.float64) * out
    if not len(start):
        return np.full(count, np.nan)
    points = np.column_stack((start, end)).ravel()
    total = np.concatenate(([0.0], np.cumsum(energy)))
    energy_at = np.column_stack((total[:-1], total[1:])).ravel()
    covered = np.concatenate(([0.0], np.cumsum(end - start)))
    covered_at = np.column_stack((covered[:-1], covered[1:])).ravel()
    sums = np.diff(np.interp(edges, points, energy_at))
    cover = np.diff(np.interp(edges, points, covered_at))
    full = cover >= COVERED * out
    for i in np.flatnonzero(~full & (np.abs(sums) > 1e-6))[:LUMPS_KEPT]:
        at = int(base + i * out)
        series.lumps.append(Lump(utc_datetime(at), utc_datetime(at + out), float(sums[i]), PIECE))
    return np.where(full, sums, np.nan)


def clock_changes(zone: ZoneInfo, first_s: int, last_s: int) -> tuple[datetime, ...]:
    """Return the instants between two others at which the zone's clock was changed.

    Parameters
    ----------
    zone
        The zone.
    first_s, last_s
        UTC seconds between which changes are sought.

    Returns
    -------
    tuple of datetime
        The instants, aware, in UTC.
    """
    return tuple(utc_datetime(at) for at, _, _ in changes(zone, first_s, last_s))
