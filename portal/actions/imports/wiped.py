"""Where a file's figures would wipe production that other files have: zeros to a month's end, a stuck figure."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from portal.models.meter import DayBlock
from portal.pv.arrays import Bools

BRIGHT_INTERVAL = 0.05
"""Share of the day's highest reading from which on an interval counts as bright. No source; a fifth more or less
changes none of the tests' files."""
ZERO_MINUTES = 120
ALL_ALIKE_MINUTES = 240
"""Minutes of bright intervals in a row that are all zero, or all the same: no cloud or rounding makes so many. No
source; a fifth more or less changes none of the tests' files."""
STUCK_OFF = 0.3
"""Share of the energy by which a stuck figure is off; one that is only rounded is not. No source; a fifth more or less
changes none of the tests' files."""

ONLY_MOVED = 0.5
"""Share of the production under the zeros that the file has at hours without any before: it only moved, by a clock. No
source; a fifth more or less changes none of the tests' files."""


def to_minutes(block: DayBlock, minutes: int, longer: int) -> DayBlock | None:
    """Add a day's readings up to longer intervals; None where these are no whole number of the day's own."""
    if minutes == longer:
        return block
    if longer == 1440:  # a day is one, also where the clock changes
        whole: DayBlock = block.sum(keepdims=True)
        return whole
    if longer % minutes or len(block) % (longer // minutes):
        return None
    added: DayBlock = block.reshape(-1, longer // minutes).sum(axis=1)
    return added


def run_of_zeros(had: DayBlock, has: DayBlock, minutes: int) -> Bools:
    """Return where zeros would take the place of production over whole hours of daylight."""
    bright = _bright(had)
    wiped = np.zeros(len(had), dtype=bool)
    for a, b in _runs(bright & (has == 0)):
        if (b - a) * minutes >= ZERO_MINUTES:
            wiped[a:b] = True
    if float(has[(had == 0) & (has > 0)].sum()) > ONLY_MOVED * float(had[wiped].sum()):
        return np.zeros(len(had), dtype=bool)  # the same energy at other hours: another clock
    dim: Bools = (has == 0) & (had > 0)
    return wiped | dim  # what is dim beside such a run goes with it


def stuck(had: DayBlock, has: DayBlock, minutes: int) -> Bools:
    """Return where one figure would take the place of production that runs its course."""
    wiped = np.zeros(len(had), dtype=bool)
    bright = _bright(had) & (has > 0)
    same = np.concatenate(([False], bright[1:] & bright[:-1] & (has[1:] == has[:-1])))
    for a, b in _runs(same):
        run = slice(a - 1, b)
        if (b - a + 1) * minutes >= ALL_ALIKE_MINUTES and len(np.unique(had[run])) > 2:
            wiped[run] = float(np.abs(has[run] - had[run]).sum()) > STUCK_OFF * float(had[run].sum())
    return wiped


def _bright(had: DayBlock) -> Bools:
    known = had[~np.isnan(had)]
    highest = float(known.max()) if len(known) else 0.0
    bright: Bools = had > BRIGHT_INTERVAL * highest if highest > 0 else np.zeros(len(had), dtype=bool)
    return bright


def _runs(mask: Bools) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in list(pairwise(edges))[::2]]
