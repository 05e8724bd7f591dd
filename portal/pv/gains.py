"""What washes gained: loss before minus loss after, from the joint distribution of both under the chain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from portal.pv.arrays import Floats, Floats32
from portal.pv.chain import Pass
from portal.pv.moves import GRID, HARDLY, LOSS, RATES, RELATIVE_SD, WORKS, growth, rate_walk
from portal.pv.record_moves import half_days_of, wash_of
from portal.pv.result import BAND_90
from portal.pv.spells import Spells

GAIN = LOSS[:, None] - LOSS[None, :]
GAIN_ORDER = np.argsort(GAIN, axis=None)
GAIN_SORTED = GAIN.ravel()[GAIN_ORDER]
GAIN_FLOOR = 0.003
"""No gain is known more closely than this [fraction of clean yield]: the chain's grid is no finer. No source; a fifth
either way changes no figure of the made fleet (``tests/pv/sensitivity.py``)."""
FALL = 0.012
"""Fall of the log loss from one spell to the next from which it is looked at as a wash by rain, or one not told of.
No source; a fifth either way changes no figure of the made fleet (``tests/pv/sensitivity.py``)."""
DOUBTED = 1e-4
"""Weight of a hypothesis of the clean level below which its gain is not worked out. A chance. No source; a fifth either
way changes no figure of the made fleet (``tests/pv/sensitivity.py``)."""


@dataclass(frozen=True)
class Gain:
    """What a wash on a day (position) gained: median, 5 % and 95 % point [fraction of clean yield].

    The median, since where hardly anything lay the distribution leans far to one side: on 186 known washes of a
    development fleet, each roof alone, means read 0.33 points too much on average and medians 0.07.
    """

    day: int
    middle: float
    low: float
    high: float


@dataclass(frozen=True)
class Weighed:
    """Hypotheses of the clean level, each with its pass over the same spells, weighted by what they explain."""

    spells: Spells
    likely: Floats32
    """Likelihood of each spell's index, shape (n, levels, S)."""
    done: Pass
    share: Floats
    """Weight of each level, shape (levels,)."""
    rate_change: float

    def log_loss(self) -> Floats:
        """Distribution of the log loss in each spell, over :data:`portal.pv.moves.GRID`.

        Returns
        -------
        ndarray (n, S)
            Each row sums to 1.
        """
        return np.asarray(np.einsum("m,nms->ns", self.share, self.done.by_loss).astype(np.float64))


def gain_at(weighed: Weighed, spell: int, day: int) -> Gain:
    """Gain over the wash of a spell.

    The joint distribution of the loss before and after under each hypothesis: what is not known of the level cancels.

    Parameters
    ----------
    weighed : Weighed
        The passes over the record.
    spell : int
        Position of the spell in which the wash was.
    day : int
        Position of the day it is told for.

    Returns
    -------
    Gain
        No surer than :data:`GAIN_FLOOR` and that share of it by which no loss is known.
    """
    spells, done = weighed.spells, weighed.done
    matrix = wash_of(spells, spell)
    half = half_days_of(spells, 0)[spell]
    before = done.before(spell)
    walked = (rate_walk(half, weighed.rate_change).T @ before.reshape(len(RATES), -1)).reshape(before.shape)
    grown = np.matmul(walked, growth(half))
    pair = np.zeros((len(GRID), len(GRID)))
    half_way = len(weighed.share) // 2
    after = done.after(spell)
    for level in np.flatnonzero(weighed.share > DOUBTED):
        rain = WORKS if level < half_way else HARDLY
        back = after[:, level] * weighed.likely[spell, level]
        # Where the days before and after hardly fit together, their product is too small for single precision.
        both = grown[:, level].T.astype(np.float64) @ back * matrix[rain]
        if both.any():
            pair += weighed.share[level] * both / both.sum()
    total = np.cumsum(pair.ravel()[GAIN_ORDER]) / pair.sum()
    low, middle, high = (float(point) for point in np.interp(BAND_90, total, GAIN_SORTED))
    spare = GAIN_FLOOR + RELATIVE_SD * abs(middle)
    return Gain(day, middle, low - spare, high + spare)


def gains_of_visits(weighed: Weighed, visit_days: Sequence[int]) -> list[Gain]:
    """Gain of each known cleaning that a spell begins after; the others lie at the record's end.

    Parameters
    ----------
    weighed : Weighed
        The passes over the record.
    visit_days : sequence of int
        Positions of the days of the visits.

    Returns
    -------
    list of Gain
        By visit.
    """
    out = []
    for day in visit_days:
        spell = np.flatnonzero(weighed.spells.first == day + 1)
        if spell.size:
            out.append(gain_at(weighed, int(spell[0]), int(day)))
    return out


def falls(weighed: Weighed) -> list[Gain]:
    """Falls of the loss by :data:`FALL` and more that no visit explains and that are surely above nothing.

    Parameters
    ----------
    weighed : Weighed
        The passes over the record.

    Returns
    -------
    list of Gain
        By day.
    """
    log_loss = weighed.log_loss() @ GRID
    out = []
    for spell in (np.flatnonzero(log_loss[:-1] - log_loss[1:] > FALL) + 1).tolist():
        if not weighed.spells.visit[spell]:
            gain = gain_at(weighed, spell, int(weighed.spells.first[spell]))
            if gain.low > 0.0:
                out.append(gain)
    return out
