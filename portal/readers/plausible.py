"""What figures of production can and cannot be: stand-ins for "no value", impossible ones, nights."""

from __future__ import annotations

import numpy as np

from portal.pv.arrays import Floats, Ints
from portal.pv.sun import DAY_S
from portal.readers.clock import utc_datetime
from portal.readers.reading import Gap
from portal.readers.series import LARGE_PERCENTILE, USUAL_PERCENTILE, Series

_STAND_INS = np.array(
    [
        *(-1.0, -9.0, -99.0, -999.0, -9999.0, -99_999.0, -999_999.0, -9_999_999.0, -1e6, -1e9),
        *(-32_768.0, -2_147_483_648.0, -888.0, -8888.0, -6999.0, -7999.0),
        *(9999.0, 99_999.0, 999_999.0, 9_999_999.0, 32_767.0, 65_535.0, 2_147_483_647.0, 4_294_967_295.0, 1e9, 1e6),
    ]
)
"""Figures that loggers write for "no value": rows of nines and eights, and the ends of whole numbers of 16 and 32 bits.
Common practice, no source."""
STAND_IN_BELOW = 0.2
STAND_IN_FAR_BELOW = 20.0
STAND_IN_ABOVE = 5.0
"""Sizes of a stand-in beside the column's large figures (ratio): one below zero is one where no other figure comes near
it, or far below all; one above zero, above all. Tuned on the made files of the tests: a fifth more or less changes
none."""
GAPS_KEPT = 1_000
"""Gaps that are kept with their times. A bound on memory, no source."""
LARGEST_W = 1e10
"""Power [W] of a plant; none on earth has more, so a figure beyond is no reading. Common practice, no source."""
NIGHT_USE = 0.03
"""An energy so little below zero, as a share of the peak, is the inverter's own use at night. Tuned on the made files
of the tests: a fifth more or less changes none."""
NET_READINGS = 0.01
NET_ENERGY = 0.02
"""Share of the readings, and of the energy, below zero from which on a file is the net of production and use. Tuned on
the made files of the tests: a fifth more or less changes none."""
FEWEST_FIGURES = 10
"""Readings from which stand-ins are told, and nights filled. Common practice, no source."""
FEWEST_POSITIVE = 50
"""Readings above zero among which one can be far above. Common practice, no source."""
FEW_FAR_ABOVE = 3
IN_SO_MANY = 2_000
"""Readings that may be far above the others: so many, or one in so many readings. Common practice, no source."""
FAR_ABOVE = 20.0
"""A lone figure of so many times (ratio) what the file's large ones are is a fault: clouds raise the light by a half at
most. Common practice, no source. Tuned on the made files of the tests: a fifth more or less changes none."""
NIGHTS_WITH = 0.05
"""Share of the night's readings that a file which leaves out the nights may have all the same. Tuned on the made files
of the tests: a fifth more or less changes none."""
NIGHT = (22, 3)
"""Hours of the local day, from and until which it is night wherever roofs are. Common practice, no source."""
DUSK = 0.2
"""Energy before and after a night that may be filled with zeros, as a share of the peak. Tuned on the made files of the
tests: a fifth more or less changes none."""
LONGEST_NIGHT_S = 20 * 3600
"""Seconds of the longest night that is filled: midwinter at 63° of latitude, by the sun's path (by definition)."""


def blank_stand_ins(column: Floats) -> int:
    """Blank the figures a logger writes for "no value" (−999, −1,000,000, 65,535 …); return how many.

    Such a figure counts as one only when it lies far outside what the rest of the column shows.

    Parameters
    ----------
    column
        Figures (n,), NaN where blank; it is changed.

    Returns
    -------
    int
        How many were blanked.

    Examples
    --------
    >>> column = np.array([*range(10), -999.0])
    >>> blank_stand_ins(column), column[-2:]
    (1, array([ 9., nan]))
    """
    finite = column[np.isfinite(column)]
    if len(finite) < FEWEST_FIGURES:
        return 0
    extreme = finite[np.isin(finite, _STAND_INS)]
    if not len(extreme):
        return 0
    found = 0
    for value in np.unique(extreme):
        others = finite[finite != value]
        if not len(others):
            continue
        scale = float(np.percentile(np.abs(others), LARGE_PERCENTILE))
        if (
            (value < 0 and -value > STAND_IN_BELOW * scale and others.min() > value * STAND_IN_BELOW)
            or (value > 0 and value > STAND_IN_ABOVE * max(float(others.max()), 1e-12))
            or (value < 0 and -value > STAND_IN_FAR_BELOW * scale)
        ):
            hit = column == value
            found += int(hit.sum())
            column[hit] = np.nan
    return found


def mend_negatives(series: Series) -> tuple[int, Ints, bool]:
    """Take the inverter's own small use at night as zero.

    Returns how many, the positions of really negative energies, and whether the series as a whole runs both ways
    (a net meter).

    Parameters
    ----------
    series
        Energies of intervals; small ones below zero are set to zero.

    Returns
    -------
    mended : int
        How many.
    really : ndarray
        Positions (m,) of the others below zero.
    both_ways : bool
        Whether the file is a net meter's.

    Examples
    --------
    >>> at = np.arange(4)
    >>> series = Series(900 * at, np.full(4, 900), np.array([-2.0, 900.0, 800.0, -1.0]), at, 900)
    >>> mended, really, both_ways = mend_negatives(series)
    >>> mended, really.tolist(), both_ways, series.energy_wh.tolist()
    (2, [], False, [0.0, 900.0, 800.0, 0.0])
    """
    energy = series.energy_wh
    negative = np.flatnonzero(energy < 0)
    if not len(negative):
        return 0, negative, False
    positive = energy[energy > 0]
    peak = float(np.percentile(positive, USUAL_PERCENTILE)) if len(positive) else 0.0
    slight = energy[negative] >= -NIGHT_USE * peak
    energy[negative[slight]] = 0.0
    really = negative[~slight]
    drawn = -float(energy[really].sum())
    both_ways = len(really) > NET_READINGS * len(energy) and drawn > NET_ENERGY * float(
        positive.sum() if len(positive) else 0.0
    )
    return int(slight.sum()), really, both_ways


def impossible(series: Series) -> Ints:
    """Return the positions of energies no plant delivers, and of lone ones far above all others.

    Parameters
    ----------
    series
        Energies of intervals.

    Returns
    -------
    ndarray
        Positions (m,).

    Examples
    --------
    >>> at = np.arange(3)
    >>> impossible(Series(900 * at, np.full(3, 900), np.array([250.0, 9e12, 310.0]), at, 900)).tolist()
    [1]
    """
    energy = series.energy_wh
    hours = series.length_s / 3600.0
    with np.errstate(over="ignore", invalid="ignore"):
        wild = np.abs(energy) > LARGEST_W * hours
        positive = energy[(energy > 0) & ~wild]
        if len(positive) >= FEWEST_POSITIVE:
            high = energy > FAR_ABOVE * float(np.percentile(positive, LARGE_PERCENTILE))
            if 0 < (high & ~wild).sum() <= max(FEW_FAR_ABOVE, len(energy) // IN_SO_MANY):
                wild |= high
    found: Ints = np.flatnonzero(wild)
    return found


def fill_nights(energy: Floats, local_s: Ints, minutes: int) -> int:
    """Set the missing nights of a daylight-only file to zero; return how many nights.

    A file is daylight-only when hardly any night of it has readings; a night counts as dark when the last reading
    before and the first after it are small.

    Parameters
    ----------
    energy
        Energies [Wh] (n,) on the grid, NaN where missing; it is changed.
    local_s
        Starts on the site's wall clock [s] (n,).
    minutes
        Length of the intervals.

    Returns
    -------
    int
        Nights that were filled.
    """
    known = np.flatnonzero(~np.isnan(energy))
    if len(known) < FEWEST_FIGURES:
        return 0
    hour = (local_s % DAY_S) // 3600
    night = (hour >= NIGHT[0]) | (hour < NIGHT[1])
    days = len(np.unique(local_s[known] // DAY_S))
    if days < 2 or np.count_nonzero(night[known]) > NIGHTS_WITH * days * (24 - NIGHT[0] + NIGHT[1]) * 60 / minutes:
        return 0
    peak = float(np.percentile(energy[known], USUAL_PERCENTILE))
    if peak <= 0:
        return 0
    small = DUSK * peak
    step = minutes * 60
    filled = 0
    holes = np.flatnonzero(np.diff(known) > 1)
    for hole in holes:
        a, b = int(known[hole]), int(known[hole + 1])
        if (b - a) * step > LONGEST_NIGHT_S or local_s[a] // DAY_S == local_s[b] // DAY_S:
            continue
        if energy[a] <= small and energy[b] <= small and local_s[b] // DAY_S - local_s[a] // DAY_S == 1:
            energy[a + 1 : b] = 0.0
            filled += 1
    return filled


def gaps(energy: Floats, starts: Ints, minutes: int) -> list[Gap]:
    """Return the runs of missing intervals.

    Parameters
    ----------
    energy
        Energies [Wh] (n,) on the grid, NaN where missing.
    starts
        UTC starts [s] (n,).
    minutes
        Length of the intervals.

    Returns
    -------
    list of Gap
        The first of them, in order.

    Examples
    --------
    >>> [(gap.start.hour, gap.end.hour) for gap in gaps(np.array([1, np.nan, 1]), np.array([0, 3600, 7200]), 60)]
    [(1, 2)]
    """
    missing = np.concatenate(([False], np.isnan(energy), [False]))
    edges = np.flatnonzero(np.diff(missing.astype(np.int8)))
    step = minutes * 60
    return [
        Gap(utc_datetime(int(starts[a])), utc_datetime(int(starts[b - 1]) + step))
        for a, b in zip(edges[::2][:GAPS_KEPT], edges[1::2][:GAPS_KEPT], strict=True)
    ]
