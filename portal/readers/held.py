"""Power that is logged only when it changes: each figure holds until the next."""

from __future__ import annotations

import numpy as np

from portal.pv.arrays import Floats, Ints
from portal.readers.intervals import refuse_far_apart, share_out
from portal.readers.reading import Notice
from portal.readers.series import Series

FEWEST_LOGGED = 50
"""Readings from which the way of logging is told. Common practice, no source."""
USUAL = 0.6
"""Share of the steps between stamps that may be the usual one; a logger that keeps a grid has more, also with gaps.
Tuned on the made files of the tests: a fifth more changes none, a fifth less misses one that logs on change."""
SHORT, LONG = 5, 95
"""Percentiles [%] of the steps that are the short and the long ones. Common practice, no source."""
UNEVEN = 3.0
"""How much longer (ratio) long steps are than short ones; a logger whose grid only jitters has far less. Tuned on the
made files of the tests: a fifth more or less changes none."""
MOST_REPEATED = 0.02
"""Share of the figures that may be the same as the one before where only changes are logged. Tuned on the made files
of the tests: a fifth more or less changes none."""
SIGN_OF_LIFE = 0.9
"""Share of the longest usual step from which on a repeated figure is a sign of life. Tuned on the made files of the
tests: a tenth more or less changes none."""
HELD_S = 3 * 3600
"""Seconds for which a power is held at most: no sky leaves one unchanged for longer. Common practice, no source."""
NIGHT_S = 20 * 3600
"""Seconds for which no power is held: the longest night, midwinter at 63° of latitude, by definition of the sun's
path."""
GRID_S = 900
"""Seconds of the intervals that held figures are added up to. Common practice of meters, no source."""


def logged_on_change(starts: Ints, figures: Floats) -> bool:
    """Say whether stamps are uneven and figures never repeat, as where only changes are logged.

    Parameters
    ----------
    starts
        UTC starts [s] (n,), in order.
    figures
        Powers [W] (n,), NaN where blank.

    Returns
    -------
    bool
        True for a log of changes.

    Examples
    --------
    >>> stamps = np.cumsum(np.tile([60, 240, 420, 900, 1500, 120], 10))
    >>> logged_on_change(stamps, np.arange(60.0)), logged_on_change(900 * np.arange(60), np.arange(60.0))
    (True, False)
    """
    if len(starts) < FEWEST_LOGGED:
        return False
    gaps = np.diff(starts)
    same = figures[1:] == figures[:-1]
    longest = float(np.percentile(gaps, LONG))
    # where repeats come only after the longest usual step, they are a sign of life: nothing has changed for so long
    alive = (
        same & (gaps >= SIGN_OF_LIFE * longest)
        if same.any() and gaps[same].min() >= SIGN_OF_LIFE * longest
        else same & False
    )
    gaps, same = gaps[~alive], same[~alive]
    if len(gaps) < FEWEST_LOGGED:
        return False
    usual = np.unique(gaps, return_counts=True)[1].max() / len(gaps)
    short, long = np.percentile(gaps, (SHORT, LONG))
    again = np.count_nonzero(same) / len(gaps)
    return bool(usual < USUAL and long > UNEVEN * short and again < MOST_REPEATED)


def held_until_the_next(starts: Ints, figures: Floats, place: Ints) -> Series:
    """Hold each power until the next stamp and add up the energy of intervals of 15 minutes.

    Parameters
    ----------
    starts
        UTC starts [s] (n,), in order.
    figures
        Powers [W] (n,), NaN where blank, which is nothing known until the next.
    place
        Where each stands in the files (n,).

    Returns
    -------
    Series
        Energies [Wh] of the intervals that are wholly known.

    Raises
    ------
    ReadError
        When the stamps lie further apart than any file's.
    """
    held = np.minimum(np.diff(starts, append=starts[-1] + GRID_S), np.where(figures > 0, HELD_S, NIGHT_S))
    with np.errstate(over="ignore", invalid="ignore"):
        logged = Series(starts, held, figures * (held / 3600.0), place, GRID_S)
    base = int(starts[0]) // GRID_S * GRID_S
    length = int(starts[-1] + held[-1]) - base
    refuse_far_apart(length)
    count = -(-length // GRID_S)
    energy = share_out(logged, base, count, GRID_S)
    known = np.flatnonzero(~np.isnan(energy))
    grid = base + known * GRID_S
    of = place[np.maximum(np.searchsorted(starts, grid, side="right") - 1, 0)]
    series = Series(grid, np.full(len(grid), GRID_S, dtype=np.int64), energy[known], of, GRID_S, lumps=logged.lumps)
    series.notices.append(
        Notice("on_change", "The file logs the power only when it changes, so each figure was held until the next.")
    )
    return series
