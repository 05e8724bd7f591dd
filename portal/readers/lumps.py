"""Energy that flowed over a known span in an unknown way."""

from __future__ import annotations

import numpy as np

from portal.pv.arrays import Bools, Ints
from portal.pv.sun import DAY_S
from portal.readers.clock import utc_datetime
from portal.readers.place import file_and_line
from portal.readers.reading import Lump
from portal.readers.series import USUAL_PERCENTILE, Series

LUMPS_KEPT = 5_000
"""Lumps that are kept of a file. A bound on memory, no source."""
FEWEST_AROUND_LUMPS = 20
"""Readings among which a lump can be told. Common practice, no source."""
USUAL_MAX = 1.15
"""The file's largest usual reading as a ratio to its 99.5th percentile. Tuned on the made files of the tests: a fifth
more or less changes none."""
LEAST_LUMP = 0.02
"""Share of the usual maximum below which a reading after a gap is not looked at. Tuned on the made files of the tests:
a fifth more or less changes none."""
PEER_DAYS = 15
"""Days before and after within which the same time of day is compared. Tuned on the made files of the tests: a fifth
more or less changes none."""
FEWEST_PEERS = 8
"""Readings it takes to compare with. Common practice, no source."""
ABOVE_PEERS = 1.3
ABOVE_NEXT = 1.5
"""A lump is so many times (ratio) its largest peer, and the reading after it. Tuned on the made files of the tests: a
fifth more or less changes none."""
FULL_POWER = 1.5
"""More than so many times (ratio) the gap at full power is no energy at all. Tuned on the made files of the tests: a
fifth more or less changes none."""
LONGEST_DAY_S = 14 * 3600
"""Seconds of zeros before a lump that may belong to it: one day's light. Common practice, no source."""


def set_lumps(series: Series, mask: Bools, reason: str) -> None:
    """Turn the readings under ``mask`` into lumps, neighbours of one day together.

    Parameters
    ----------
    series
        Energies of intervals; it is changed.
    mask
        Mask (n,) of the readings.
    reason
        Why nothing is known of their course.
    """
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


def lump_pieces(series: Series, loose: Bools) -> None:
    """Keep the energy of intervals only part of which is there.

    Parameters
    ----------
    series
        Energies of intervals; their lumps are added to it.
    loose
        Mask (n,) of readings whose interval of the grid is not whole.
    """
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

    Parameters
    ----------
    series
        Energies of intervals; it is changed.
    """
    energy, start, length = series.energy_wh, series.start_s, series.length_s
    known = np.flatnonzero(~np.isnan(energy))
    if len(known) < FEWEST_AROUND_LUMPS:
        return
    positive = energy[known][energy[known] > 0]
    if not len(positive):
        return
    usual_max = float(np.percentile(positive, USUAL_PERCENTILE)) * USUAL_MAX
    before = known[:-1]
    after = known[1:]
    gap = start[after] - (start[before] + length[before])
    follows_gap = gap >= length[after]
    follows_zeros = (energy[before] == 0) & (energy[after] > usual_max)
    big = energy[after] > LEAST_LUMP * usual_max
    candidates = (follows_gap | follows_zeros) & big
    for previous, i in zip(before[candidates], after[candidates], strict=True):
        gap_before = _stamps_missing(start, length, previous, i)
        # More than the gap could hold at full power is no energy at all; it is rejected later.
        steps = (start[i] + length[i] - start[previous] - length[previous]) / length[i]
        most = FULL_POWER * usual_max * max(steps, LONGEST_DAY_S / length[i] if not gap_before else 1)
        if energy[i] > most or not _stands_out(series, int(i), usual_max):
            continue
        begin = int(start[previous] + length[previous])
        first_zero = int(previous)
        if not gap_before:
            while first_zero > 0 and energy[first_zero] == 0 and start[i] - start[first_zero] < LONGEST_DAY_S:
                first_zero -= 1
            begin = int(start[first_zero + 1])
            energy[first_zero + 1 : i] = np.nan
        end = int(start[i] + length[i])
        series.lumps.append(
            Lump(
                utc_datetime(begin),
                utc_datetime(end),
                float(energy[i]),
                CATCH_UP,
                file_and_line(int(series.place[i]))[1],
            )
        )
        energy[i] = np.nan


CATCH_UP = "catch-up after a gap"
ESTIMATED = "estimated by the meter operator"


def _stands_out(series: Series, i: int, usual_max: float) -> bool:
    """Say whether a reading is far above those of its time of day, and above what follows."""
    energy, start, length = series.energy_wh, series.start_s, series.length_s
    lo, hi = np.searchsorted(start, (start[i] - PEER_DAYS * DAY_S, start[i] + PEER_DAYS * DAY_S))
    apart = (start[lo:hi] % DAY_S - start[i] % DAY_S + DAY_S // 2) % DAY_S - DAY_S // 2
    peers = energy[lo:hi][(np.abs(apart) <= length[i]) & (np.abs(np.arange(lo, hi) - i) > 1)]
    peers = peers[~np.isnan(peers)]
    following = energy[i + 1 : i + 3]
    following = following[~np.isnan(following)]
    above = ABOVE_PEERS * float(peers.max()) if len(peers) >= FEWEST_PEERS else usual_max
    return bool(energy[i] > above and energy[i] > ABOVE_NEXT * (float(following.max()) if len(following) else 0.0))


def _stamps_missing(start: Ints, length: Ints, previous: int, i: int) -> bool:
    """Say whether stamps are missing between two readings."""
    return bool(start[i] - (start[previous] + length[previous]) >= length[i])
