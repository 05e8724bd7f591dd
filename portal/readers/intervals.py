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

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from portal.readers.clock import NO_INSTANT, Clock, changes, utc_datetime
from portal.readers.mapping import Unit
from portal.readers.reading import Lump, Notice, ReadError
from portal.readers.stamps import Stamps
from portal.readers.table import LINE_MASK

WH_PER: dict[Unit, float] = {"Wh": 1.0, "kWh": 1e3, "MWh": 1e6, "W": 1.0, "kW": 1e3, "MW": 1e6}
OUT_MINUTES = (5, 10, 15, 30, 60, 1440)
DAY_S = 86_400
_STEPS_S = (60, 120, 180, 300, 360, 600, 720, 900, 1200, 1800, 3600, 7200, 10_800, 21_600, DAY_S)
LUMPS_KEPT = 5_000
BEYOND = 1e15
"""No meter on earth has counted as many Wh; sums of larger figures would overflow."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(slots=True)
class Series:
    """Readings in order of time: UTC starts, the seconds each covers, energies [Wh] (NaN when blank), lines."""

    start_s: Ints
    length_s: Ints
    energy_wh: Floats
    line: Ints
    step_s: int
    lumps: list[Lump] = field(default_factory=list)
    quality: NDArray[np.str_] | None = None
    notices: list[Notice] = field(default_factory=list)
    duplicates: int = 0
    conflicts: int = 0


def common_step(times_s: Ints) -> int:
    """Return the seconds between most neighbouring stamps."""
    if len(times_s) < 2:
        return 0
    gaps = np.abs(np.diff(times_s))
    gaps = gaps[gaps > 0]
    if not len(gaps):
        return 0
    values, counts = np.unique(gaps, return_counts=True)
    best = int(values[counts.argmax()])
    if counts.max() * 2 < len(gaps):
        best = int(np.median(gaps))  # a logger that does not keep its grid
    for step in _STEPS_S:
        if abs(best - step) <= 0.1 * step:
            # 23 and 25 hours are days too.
            return step
    return best


def to_starts(
    stamps: Stamps, elapsed_s: Ints | None, clock: Clock, step_s: int, instants: bool
) -> tuple[Ints, list[tuple[int, str]]]:
    """Return the UTC start of each reading and the positions without one (a stamp the wall clock skips)."""
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


def put_in_order(starts: Ints, values: Sequence[Floats]) -> tuple[Ints, list[Floats], Ints, int, int]:
    """Sort by time and drop repeated readings; the later line of the file wins.

    Returns starts, values, each one's position in the file, the number of repeated readings and of those that differ.
    """
    order = np.arange(len(starts))
    if len(starts) > 1 and not (np.diff(starts) > 0).all():
        order = np.argsort(starts, kind="stable")
    real = starts[order] != NO_INSTANT
    order = order[real]
    sorted_ = starts[order]
    last = np.ones(len(order), dtype=bool)
    if len(order) > 1:
        last[:-1] = sorted_[1:] != sorted_[:-1]
    duplicates = int((~last).sum())
    conflicts = 0
    if duplicates:
        at = np.flatnonzero(~last)
        differs = np.zeros(len(at), dtype=bool)
        for column in values:
            one, two = column[order[at]], column[order[at + 1]]
            differs |= (one != two) & ~(np.isnan(one) & np.isnan(two))
            # A blank never wins over a figure.
            blank_wins = np.isnan(two) & ~np.isnan(one)
            column[order[at[blank_wins] + 1]] = one[blank_wins]
        conflicts = int(differs.sum())
    keep = order[last]
    return starts[keep], [column[keep] for column in values], keep, duplicates, conflicts


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
        if gap != step and gap in _STEPS_S and b - a >= max(6, DAY_S // gap // 2) and gap * (b - a) >= DAY_S // 2:
            lengths[a : b + 1] = gap
    return lengths


def register_to_energy(readings: Floats, starts: Ints, step: int) -> tuple[Floats, int, int]:
    """Difference a running register [Wh].

    Returns energies (one fewer than readings), and the rollovers and restarts met. A register that falls starts again
    from zero, unless it stood just under a power of ten: then it rolled over.
    """
    energy = np.diff(readings)
    lengths = np.diff(starts)
    falls = np.flatnonzero(energy < 0)
    rises = energy[energy > 0]
    usual = float(np.percentile(rises, 99.5)) if len(rises) else 0.0
    finest = float(rises.min()) if len(rises) else 0.0
    rolled = restarted = 0
    for i in falls:
        before, after = float(readings[i]), float(readings[i + 1])
        steps = max(1.0, lengths[i] / step)
        most = 3 * usual * steps
        size = 10.0 ** np.ceil(np.log10(before)) if before > 1 else 0.0
        # What a rollover brings is like what came just before and after it. A counter that starts again each
        # midnight at 9.3 kWh brings nothing in the dark.
        beside = max([float(e) for e in energy[max(0, i - 2) : i + 3] if e >= 0], default=0.0)
        brought = size - before + after
        if size and before > 0.9 * size and brought <= min(most, (4 * beside + 2 * finest) * steps):
            energy[i] = brought
            rolled += 1
        elif before - after <= 0.02 * usual * steps:
            continue  # the inverter's own use at night
        elif 0 <= after <= most and after < 0.5 * before:
            energy[i] = after
            restarted += 1
        else:
            energy[i] = np.nan
            restarted += 1
    return energy, rolled, restarted


def bridge(series: Series) -> None:
    """Deal with register differences over more than one step: nothing in between is known but the sum.

    A register that did not move says that nothing was produced; such a span is filled with zeros.
    """
    step = series.step_s
    long_ = np.flatnonzero(series.length_s > int(1.6 * step))
    if not len(long_):
        return
    usual = series.energy_wh[(series.length_s <= int(1.6 * step)) & (series.energy_wh > 0)]
    peak = float(np.percentile(usual, 99)) if len(usual) else 0.0
    quiet = np.zeros(len(series.start_s), dtype=bool)
    for i in long_:
        energy, start = float(series.energy_wh[i]), int(series.start_s[i])
        if np.isnan(energy):
            continue
        if abs(energy) <= 0.02 * peak:
            quiet[i] = True
            continue
        end = start + int(series.length_s[i])
        series.lumps.append(
            Lump(utc_datetime(start), utc_datetime(end), energy, CATCH_UP, int(series.line[i]) & LINE_MASK)
        )
        series.energy_wh[i] = np.nan
        series.length_s[i] = step
    starts, lengths, lines = [series.start_s[~quiet]], [series.length_s[~quiet]], [series.line[~quiet]]
    energies = [series.energy_wh[~quiet]]
    for i in np.flatnonzero(quiet):
        begin, end = int(series.start_s[i]), int(series.start_s[i] + series.length_s[i])
        at = np.arange(begin, end, step, dtype=np.int64)
        starts.append(at)
        lengths.append(np.minimum(step, end - at))
        energies.append(np.zeros(len(at)))
        lines.append(np.full(len(at), series.line[i]))
    order = np.argsort(np.concatenate(starts), kind="stable")
    series.start_s, series.length_s = np.concatenate(starts)[order], np.concatenate(lengths)[order]
    series.energy_wh, series.line = np.concatenate(energies)[order], np.concatenate(lines)[order]


def set_lumps(series: Series, mask: NDArray[np.bool_], reason: str) -> None:
    """Turn the readings under ``mask`` into lumps, neighbours of one day together."""
    at = np.flatnonzero(mask & ~np.isnan(series.energy_wh))
    if not len(at):
        return
    ends = series.start_s[at] + series.length_s[at]
    apart = (series.start_s[at[1:]] != ends[:-1]) | (
        series.start_s[at[1:]] // DAY_S != series.start_s[at[:-1]] // DAY_S
    )
    for run in np.split(np.arange(len(at)), np.flatnonzero(apart) + 1):
        energy = float(series.energy_wh[at[run]].sum())
        if energy > 0:
            begin, end = int(series.start_s[at[run[0]]]), int(ends[run[-1]])
            line = int(series.line[at[run[0]]]) & LINE_MASK
            series.lumps.append(Lump(utc_datetime(begin), utc_datetime(end), energy, reason, line))
    series.energy_wh[at] = np.nan


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
    anchor = -_offset_at(zone, first) % out
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
    _lump_pieces(series, slot, known & ~full[slot])
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


PIECE = "part of an interval"


def _lump_pieces(series: Series, slot: Ints, loose: NDArray[np.bool_]) -> None:
    """Keep the energy of intervals only part of which is there."""
    at = np.flatnonzero(loose & (series.energy_wh > 0))
    for i in at[:LUMPS_KEPT]:
        start = int(series.start_s[i])
        series.lumps.append(
            Lump(
                utc_datetime(start),
                utc_datetime(start + int(series.length_s[i])),
                float(series.energy_wh[i]),
                PIECE,
                int(series.line[i]) & LINE_MASK,
            )
        )


def _offset_at(zone: ZoneInfo, utc_s: int) -> int:
    delta = utc_datetime(utc_s).astimezone(zone).utcoffset()
    return int(delta.total_seconds()) if delta is not None else 0


def daily(days: Ints, energy: Floats, zone: ZoneInfo) -> pd.Series[float]:
    """Return daily totals (days since 1970, in order) indexed by the UTC instants of the local midnights."""
    full = np.arange(days[0], days[-1] + 1)
    values = np.full(len(full), np.nan)
    values[days - days[0]] = energy
    midnights = [_midnight(date.fromordinal(int(day) + 719_163), zone) for day in full]
    return pd.Series(values, index=pd.DatetimeIndex(midnights, tz="UTC"), name="energy_wh")


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)


def catch_up_lumps(series: Series) -> None:
    """Turn readings that hold the energy of the gap before them into lumps.

    After a gap (or blank cells, or zeros written while the line was down) one reading may bring everything the meter
    has counted since. It is told by its size: more than the same time of day has shown within 15 days, and far
    above what follows.
    """
    energy, start, length = series.energy_wh, series.start_s, series.length_s
    known = np.flatnonzero(~np.isnan(energy))
    if len(known) < 20:
        return
    positive = energy[known][energy[known] > 0]
    if not len(positive):
        return
    usual_max = float(np.percentile(positive, 99.5)) * 1.15
    before = known[:-1]
    after = known[1:]
    gap = start[after] - (start[before] + length[before])
    follows_gap = gap >= length[after]
    follows_zeros = (energy[before] == 0) & (energy[after] > usual_max)
    big = energy[after] > 0.02 * usual_max
    slot = start % DAY_S
    for previous, i in zip(
        before[(follows_gap | follows_zeros) & big], after[(follows_gap | follows_zeros) & big], strict=True
    ):
        span = 15 * DAY_S
        lo, hi = np.searchsorted(start, (start[i] - span, start[i] + span))
        near = np.abs((slot[lo:hi] - slot[i] + DAY_S // 2) % DAY_S - DAY_S // 2) <= length[i]
        peers = energy[lo:hi][near]
        away = np.abs(np.arange(lo, hi)[near] - i) > 1
        peers = peers[away & ~np.isnan(peers)]
        following = energy[i + 1 : i + 3]
        following = following[~np.isnan(following)]
        next_ = float(following.max()) if len(following) else 0.0
        value = float(energy[i])
        gap_before = follows_gap_at(start, length, previous, i)
        if len(peers) >= 8:
            lump = value > 1.3 * float(peers.max()) and value > 1.5 * next_
        else:
            lump = value > usual_max and value > 1.5 * next_
        # More than the gap could hold at full power is no energy at all; it is rejected later.
        steps = (start[i] + length[i] - start[previous] - length[previous]) / length[i]
        if not lump or value > 1.5 * usual_max * max(steps, 14 * 3600 / length[i] if not gap_before else 1):
            continue
        begin = int(start[previous] + length[previous])
        first_zero = int(previous)
        if not gap_before:
            while first_zero > 0 and energy[first_zero] == 0 and start[i] - start[first_zero] < 14 * 3600:
                first_zero -= 1
            begin = int(start[first_zero + 1])
            energy[first_zero + 1 : i] = np.nan
        end = int(start[i] + length[i])
        series.lumps.append(
            Lump(utc_datetime(begin), utc_datetime(end), value, CATCH_UP, int(series.line[i]) & LINE_MASK)
        )
        energy[i] = np.nan


CATCH_UP = "catch-up after a gap"
ESTIMATED = "estimated by the meter operator"


def follows_gap_at(start: Ints, length: Ints, previous: int, i: int) -> bool:
    """Say whether stamps are missing between two readings."""
    return bool(start[i] - (start[previous] + length[previous]) >= length[i])


def clock_changes(zone: ZoneInfo, first_s: int, last_s: int) -> tuple[datetime, ...]:
    """Return the instants between two others at which the zone's clock was changed."""
    return tuple(utc_datetime(at) for at, _, _ in changes(zone, first_s, last_s))


def to_wh(columns: Sequence[Floats], unit: Unit) -> list[Floats]:
    """Return figures in Wh, or in W; one beyond all reason becomes infinite and is rejected later."""
    with np.errstate(over="ignore"):
        scaled = [column * WH_PER[unit] for column in columns]
    return [np.where(np.abs(column) > BEYOND, np.inf, column) for column in scaled]


def as_series(starts: Ints, energy: Floats) -> pd.Series[float]:
    """Return energies indexed by tz-aware UTC starts."""
    index = pd.DatetimeIndex(starts.astype("datetime64[s]")).tz_localize("UTC")
    return pd.Series(energy, index=index, name="energy_wh")
