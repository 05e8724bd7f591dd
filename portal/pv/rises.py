"""A level that rises for good: panels were added, something was mended, or another meter counts.

What rain takes had been lost before, and dirt does not go by itself on a dry day. So a rise on a dry day to a level
that the record had never shown is no recovery; taken for one, it would make all that came before dirty. (A wash that
nobody told of, of dirt older than the record, looks alike: what comes after it is judged rightly, what it gained is not
told.)
"""

from __future__ import annotations

import numpy as np

from portal.pv.arrays import Bools, Floats, Ints
from portal.pv.diagnosis import LONG_DAY, QUARTERS, LevelStep, any_between, change_in_other_years
from portal.pv.spells import RAINED

# What a fifth more or less of each does was counted on 705 looks at made lone roofs; 613 had 20 % more planted from
# 200 days before their end on: found in 69 % of them, and a rise in five looks that had none.
BEFORE_DAYS, AFTER_DAYS = 20, 12
"""Clear days on either side that are compared. Tuned on made roofs whose meter was changed: fewer take the end of a
hazy week for a rise; a fifth either way finds one in a hundred more or less."""
LEAST_RISE, RISE_SCATTERS = 0.08, 2.5
"""Rise of the log index, and in standard deviations of a day, from which it is told. Tuned on the same roofs: a fifth
either way changes nothing of 20 %; with 0.06 twice as many are told that are none."""
ANYWAY = 0.16
"""Rise [log] that is told even if it may have rained meanwhile. Tuned on the same roofs: a fifth either way finds one
in a hundred more or less; with 0.13 it is found in three dirty records more, where rain did it."""
HISTORY_DAYS, WHATEVER_HISTORY = 120, 0.2
"""Days of record before a rise up to which it must be of that size [log], since little is known yet of how high the
roof can go. Tuned on the same roofs; a fifth either way changes nothing there."""
NEVER_BEFORE = 0.4
"""Share of a rise by which the record's earlier best must lie below the level after it. Tuned on the same roofs: with
0.5 it is found in 57 % of them, and in three that have none; with 0.6 in 38 %."""
SMOOTHED = 7
"""Clear days of which the median is taken for the record's best. No source: with 6 three in a hundred are found less,
with 8 three more, and one that is none."""
RISE_EDGE_DAYS = 3
"""Clear days right before and after whose medians must lie on either side of half the rise. No source; a day either way
finds one in a hundred more or less."""
LASTS = 0.5
"""Share of a rise that must be left between the whole record before and after, and that the season may not bring in
other years. No source; a fifth either way changes nothing of 20 %."""


def find_rises(
    log_index: Floats, scatter: float, expected_wh: Floats, wash: Floats, visit_days: Ints
) -> list[LevelStep]:
    """Find rises of level that last and that no wash can have made.

    Parameters
    ----------
    log_index : ndarray (days,)
        Steps down are taken out; NaN on refused days.
    scatter : float
        Day-to-day standard deviation [log].
    expected_wh : ndarray (days,)
        Days with less than a fifth of the record's best tell too little.
    wash : ndarray (days, 2)
        Chance of a light and of a heavy wash by rain.
    visit_days : ndarray of int
        Positions of the days of known cleanings.

    Returns
    -------
    list of LevelStep
        In the order of their days; each lasts to the record's end.

    Examples
    --------
    Two hundred dry days, and from the 150th on a fifth more:

    >>> y = np.where(np.arange(200) < 150, 0.0, 0.18) + np.random.default_rng(1).normal(0, 0.02, 200)
    >>> [(one.first, round(one.size, 1)) for one in find_rises(y, 0.02, np.ones(200), np.zeros((200, 2)), np.array([]))]
    [(150, 0.2)]
    """
    y = np.where(expected_wh > LONG_DAY * expected_wh.max(), log_index, np.nan)
    rained = wash.sum(axis=1) >= RAINED
    found: list[LevelStep] = []
    while (step := _largest(y, scatter, rained, visit_days)) is not None:
        found.append(step)
        y[step.first :] -= step.size
    return sorted(found, key=lambda step: step.first)


def _largest(y: Floats, scatter: float, rained: Bools, visit_days: Ints) -> LevelStep | None:
    """Largest rise of the record that no wash, no season and no passing week can have made."""
    at = np.flatnonzero(np.isfinite(y))
    if at.size < BEFORE_DAYS + AFTER_DAYS:
        return None
    values = y[at]
    windows = np.lib.stride_tricks.sliding_window_view
    before = windows(values, BEFORE_DAYS)[: at.size - BEFORE_DAYS - AFTER_DAYS + 1]
    after = windows(values, AFTER_DAYS)[BEFORE_DAYS:]
    low, level = np.median(before, axis=1), np.median(after, axis=1)
    size = level - low
    apart = np.quantile(after, QUARTERS[0], axis=1) > np.quantile(before, QUARTERS[1], axis=1)
    best = np.maximum.accumulate(np.median(windows(values, SMOOTHED), axis=1))
    for k in np.argsort(-size).tolist():
        if size[k] < max(LEAST_RISE, RISE_SCATTERS * scatter):
            return None
        i, day = k + BEFORE_DAYS, int(at[k + BEFORE_DAYS])
        washed = any_between(visit_days, int(at[i - 1]), day + 1) or (
            size[k] < ANYWAY and bool(rained[at[i - 1] : day + 1].any())
        )
        early = size[k] < WHATEVER_HISTORY and day - at[0] < HISTORY_DAYS
        known = best[i - SMOOTHED] > level[k] - NEVER_BEFORE * size[k]
        if not apart[k] or washed or early or known or not _at_once(values, i, low[k] + size[k] / 2):
            continue
        lasting = float(np.median(values[i:]) - np.median(values[:i]))
        if lasting >= LASTS * size[k] >= change_in_other_years(y, day):
            return LevelStep(day, None, float(size[k]))
    return None


def _at_once(values: Floats, i: int, half: float) -> bool:
    """Whether the clear days right before and after a position lie on either side of half the rise."""
    return bool(np.median(values[i - RISE_EDGE_DAYS : i]) < half <= np.median(values[i : i + RISE_EDGE_DAYS]))
