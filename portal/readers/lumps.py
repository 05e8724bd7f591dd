"""Energy that flowed over a known span in an unknown way."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from portal.readers.clock import utc_datetime
from portal.readers.place import file_and_line
from portal.readers.reading import Lump
from portal.readers.series import DAY_S, Ints, Series

LUMPS_KEPT = 5_000


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
            line = file_and_line(int(series.place[at[run[0]]]))[1]
            series.lumps.append(Lump(utc_datetime(begin), utc_datetime(end), energy, reason, line))
    series.energy_wh[at] = np.nan


PIECE = "part of an interval"


def lump_pieces(series: Series, slot: Ints, loose: NDArray[np.bool_]) -> None:
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
                file_and_line(int(series.place[i]))[1],
            )
        )


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
            Lump(utc_datetime(begin), utc_datetime(end), value, CATCH_UP, file_and_line(int(series.place[i]))[1])
        )
        energy[i] = np.nan


CATCH_UP = "catch-up after a gap"
ESTIMATED = "estimated by the meter operator"


def follows_gap_at(start: Ints, length: Ints, previous: int, i: int) -> bool:
    """Say whether stamps are missing between two readings."""
    return bool(start[i] - (start[previous] + length[previous]) >= length[i])
