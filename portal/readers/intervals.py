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

from datetime import UTC, date, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from portal.readers.clock import changes, utc_datetime, utc_offset_s
from portal.readers.lumps import LUMPS_KEPT, PIECE, lump_pieces
from portal.readers.reading import Lump, ReadError
from portal.readers.series import DAY_S, STEPS_S, Floats, Ints, Series

OUT_MINUTES = (5, 10, 15, 30, 60, 1440)


def local_lengths(starts: Ints, step: int) -> Ints:
    """Return the seconds each reading covers: ``step``, or the longer step of its stretch of the file."""
    lengths = np.full(len(starts), step, dtype=np.int64)
    if len(starts) < 3:
        return lengths
    gaps = np.diff(starts)
    change = np.flatnonzero(np.diff(gaps) != 0) + 1
    bounds = np.concatenate(([0], change, [len(gaps)]))
    for a, b in pairwise(bounds):
        gap = int(gaps[a])
        # A gap is one long step; a whole day of equal steps is another interval length.
        if gap != step and gap in STEPS_S and b - a >= max(6, DAY_S // gap // 2) and gap * (b - a) >= DAY_S // 2:
            lengths[a : b + 1] = gap
    return lengths


def out_minutes(step_s: int) -> int:
    """Return the interval length readings are kept at: the shortest one that is a multiple of the file's."""
    for minutes in OUT_MINUTES:
        if minutes * 60 >= step_s and (minutes * 60) % step_s == 0:
            return minutes
    for minutes in OUT_MINUTES:
        if minutes * 60 >= step_s:
            return minutes
    return 0


def on_grid(series: Series, zone: ZoneInfo, minutes: int) -> tuple[Ints, Floats]:
    """Share the readings out over a regular grid aligned to local midnight; return UTC starts and energies."""
    out = minutes * 60
    first, last = int(series.start_s[0]), int(series.start_s[-1] + series.length_s[-1])
    anchor = -utc_offset_s(zone, first) % out
    base = (first - anchor) // out * out + anchor
    if last - base > 80 * 366 * DAY_S:
        raise ReadError("The stamps of this file lie more than 80 years apart. Check the column with the dates.")
    count = -(-(last - base) // out)
    energy = np.full(count, np.nan)
    position = series.start_s - base
    slot = (position + out // 2) // out
    jitter = np.abs(position - slot * out)
    if (series.length_s == out).all() and int(jitter.max()) <= max(5, min(60, out // 20)):
        if not jitter.any() or len(np.unique(slot)) == len(slot):
            inside = slot < count
            energy[slot[inside]] = series.energy_wh[inside]
            return base + np.arange(count, dtype=np.int64) * out, energy
    elif (series.length_s <= out).all() and (out % series.length_s == 0).all():
        rest = position % series.length_s
        if not rest.any():
            return base + np.arange(count, dtype=np.int64) * out, _add_up(series, position // out, count, out)
    return base + np.arange(count, dtype=np.int64) * out, _share_out(series, base, count, out)


def _add_up(series: Series, slot: Ints, count: int, out: int) -> Floats:
    known = ~np.isnan(series.energy_wh)
    sums = np.bincount(slot[known], weights=series.energy_wh[known], minlength=count)
    covered = np.bincount(slot[known], weights=series.length_s[known].astype(np.float64), minlength=count)
    full = covered >= out - 0.5
    lump_pieces(series, slot, known & ~full[slot])
    return np.where(full, sums, np.nan)


def _share_out(series: Series, base: int, count: int, out: int) -> Floats:
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
    full = cover >= 0.98 * out
    for i in np.flatnonzero(~full & (np.abs(sums) > 1e-6))[:LUMPS_KEPT]:
        at = int(base + i * out)
        series.lumps.append(Lump(utc_datetime(at), utc_datetime(at + out), float(sums[i]), PIECE))
    return np.where(full, sums, np.nan)


def daily(days: Ints, energy: Floats, zone: ZoneInfo) -> pd.Series[float]:
    """Return daily totals (days since 1970, in order) indexed by the UTC instants of the local midnights."""
    full = np.arange(days[0], days[-1] + 1)
    values = np.full(len(full), np.nan)
    values[days - days[0]] = energy
    midnights = [_midnight(date.fromordinal(int(day) + 719_163), zone) for day in full]
    return pd.Series(values, index=pd.DatetimeIndex(midnights, tz="UTC"), name="energy_wh")


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)


def clock_changes(zone: ZoneInfo, first_s: int, last_s: int) -> tuple[datetime, ...]:
    """Return the instants between two others at which the zone's clock was changed."""
    return tuple(utc_datetime(at) for at, _, _ in changes(zone, first_s, last_s))
