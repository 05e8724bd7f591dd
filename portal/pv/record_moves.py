"""What moves the chain from spell to spell of a record, looked up once for all passes over it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from portal.pv.arrays import Floats32
from portal.pv.moves import GRID, growth, growth_back, rate_walk, wash_back, wash_matrix
from portal.pv.spells import Spells

LEAST_WASH = 0.005
"""Chance of a wash by rain below which none is counted. No source."""


def half_days_of(spells: Spells, before: int) -> list[int]:
    """Half days from the middle of each spell to that of the next.

    Parameters
    ----------
    spells : Spells
        The record.
    before : int
        Half days from the state to start from to the first spell's begin.

    Returns
    -------
    list of int
        One a spell.
    """
    half = np.append(before, spells.days[:-1] + spells.days[1:])
    half[0] = before + spells.days[0]
    return [int(value) for value in half]


def wash_of(spells: Spells, at: int) -> Floats32:
    """Wash of one spell as a matrix.

    Parameters
    ----------
    spells : Spells
        The record.
    at : int
        Position of the spell.

    Returns
    -------
    ndarray (2, S, S)
        Where rain works and where it hardly does; rows from, columns to.
    """
    return wash_matrix(*_wash_at(spells, at))


def _wash_at(spells: Spells, at: int) -> tuple[float, float, bool]:
    """Chance of a light and of a heavy wash in a spell, and whether a cleaning was before."""
    return round(float(spells.light[at]), 2), round(float(spells.heavy[at]), 2), bool(spells.visit[at])


@dataclass(frozen=True)
class Moves:
    """What moves the chain in each of n spells, the same for all hypotheses and rounds of a fit: looked up once."""

    walk: list[Floats32]
    """:func:`portal.pv.moves.rate_walk`."""
    walk_on: list[Floats32]
    """The same transposed."""
    growth: list[Floats32]
    growth_back: list[Floats32]
    wash: list[Floats32 | None]
    """Wash of each spell as a matrix (rains, S, S); None where hardly any may have been."""
    wash_back: list[Floats32 | None]
    points: int
    """First points of the grid that they know."""


def moves_of(spells: Spells, before: int, rate_change: float, points: int = len(GRID)) -> Moves:
    """Look up what moves the chain.

    Parameters
    ----------
    spells : Spells
        The record.
    before : int
        As for :func:`half_days_of`.
    rate_change : float
        Chance a day that the rate moves to a neighbouring one [1/day].
    points : int, optional
        First points of the grid that are enough for this record; what grows beyond them is lost. All by default.

    Returns
    -------
    Moves
        For :func:`forward` and :func:`forward_backward`.
    """
    half = half_days_of(spells, before)
    may = (spells.light + spells.heavy > LEAST_WASH) | spells.visit
    washes = [_wash_at(spells, at) if one else None for at, one in enumerate(may)]
    walk = [rate_walk(one, rate_change) for one in half]
    return Moves(
        walk=walk,
        walk_on=[one.T for one in walk],
        growth=[growth(one, points) for one in half],
        growth_back=[growth_back(one, points) for one in half],
        wash=[None if one is None else wash_matrix(*one, points) for one in washes],
        wash_back=[None if one is None else wash_back(*one, points) for one in washes],
        points=points,
    )
