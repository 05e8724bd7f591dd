"""The hidden Markov chain of soiling and its rate: forward-backward passes over a record.

Forward-backward after Rabiner 1989 (doi:10.1109/5.18626). Along the axis "levels" stand all hypotheses that hold for a
whole record: clean levels where rain works in its first half, the same where it hardly takes anything in its second.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from portal.pv.arrays import Floats, Floats32
from portal.pv.moves import (
    GRID,
    RAIN_PRIOR,
    RATE_PRIOR,
    RATES,
    growth,
    growth_back,
    rate_walk,
    wash_matrix,
)
from portal.pv.spells import Spells

BEGINS_AT, BEGINS_DAYS = 0.006, 22
"""Mean loss [log] with which a record begins, and days of its rate on top: since the last rain. No source."""
LEAST_WASH = 0.005
"""Chance of a wash by rain below which none is counted. No source."""
WEIGHS_NOTHING = 1e-13
"""Weight of a clean level below which it is left out of what is said of the spells. A chance, by definition: all
such together change no figure in its ninth place."""


@dataclass(frozen=True)
class Pass:
    """A forward-backward pass; inside, the hypotheses of an array stand as :func:`_by_turns` lays them."""

    alpha: Floats32
    """Filtered distribution in each spell, shape (n, rates, clean levels, rains, S)."""
    beta: Floats32
    """Likelihood of all that comes after each spell, for the clean levels of ``weighed``."""
    by_loss: Floats32
    """Distribution of the loss in each spell, given the whole record, shape (n, levels, S); nothing for clean levels
    that are not weighed."""
    evidence: Floats
    """Log evidence of each level, shape (levels,)."""
    share: Floats
    """Weight of each level, shape (levels,)."""
    weighed: slice
    """Clean levels that weigh anything."""

    def before(self, spell: int) -> Floats32:
        """Filtered distribution just before a spell's own growth and wash.

        Parameters
        ----------
        spell : int
            Its position.

        Returns
        -------
        ndarray (rates, levels, S)
            Sums to 1 in each level.
        """
        return _by_halves(self.alpha[spell - 1]) if spell else initial_state(self.by_loss.shape[1])

    def after(self, spell: int) -> Floats32:
        """Likelihood of all that comes after a spell.

        Parameters
        ----------
        spell : int
            Its position.

        Returns
        -------
        ndarray (rates, levels, S)
            Relative in each level; nothing for those that are not weighed.
        """
        out = np.zeros_like(self.alpha[spell])
        out[:, self.weighed] = self.beta[spell]
        return _by_halves(out)

    def last(self) -> Floats32:
        """Filtered distribution at the middle of the last spell.

        Returns
        -------
        ndarray (rates, levels, S)
            Sums to 1 in each level.
        """
        return _by_halves(self.alpha[-1])


@dataclass(frozen=True)
class Resume:
    """Where a fit left the chain: enough to go on with new days."""

    state: Floats32
    """Filtered distribution at the middle of the last spell, shape (rates, levels, S)."""
    half_days: int
    """Half days from there to the record's end."""
    log_share: Floats
    """Log weight of each level (levels,)."""
    level: Floats
    theta: Floats
    """Coefficients of the smooth terms by level (levels, p)."""
    theta_sd: float
    """Standard deviation that the smooth terms bring to the level now."""
    lasting_sd: float | None
    """Lasting error that the record shows [log]; None where it was not asked."""


def initial_state(levels: int) -> Floats32:
    """Begin the chain: the faster dirt gathers, the more may lie already.

    Parameters
    ----------
    levels : int
        Number of hypotheses of the clean level.

    Returns
    -------
    ndarray (rates, levels, S)
        The same for each level; sums to 1 in each.
    """
    spread = BEGINS_AT + RATES * BEGINS_DAYS
    initial = np.exp(-GRID[None, :] / spread[:, None]) * np.gradient(GRID)
    initial *= RATE_PRIOR[:, None] / initial.sum(axis=1, keepdims=True)
    return np.repeat(initial[:, None, :], levels, axis=1).astype(np.float32)


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
    return wash_matrix(round(float(spells.light[at]), 2), round(float(spells.heavy[at]), 2), bool(spells.visit[at]))


@dataclass(frozen=True)
class Moves:
    """What moves the chain in each of n spells, the same for all hypotheses and rounds of a fit."""

    half: list[int]
    """:func:`half_days_of` the spells."""
    wash: list[Floats32 | None]
    """Wash of each spell as a matrix (rains, S, S); None where hardly any may have been."""
    back: list[Floats32 | None]
    """The same backwards: rows to, columns from."""
    rate_change: float
    """Chance a day that the rate moves to a neighbouring one [1/day]."""


def moves_of(spells: Spells, before: int, rate_change: float) -> Moves:
    """Look up what moves the chain.

    Parameters
    ----------
    spells : Spells
        The record.
    before : int
        As for :func:`half_days_of`.
    rate_change : float
        Chance a day that the rate moves to a neighbouring one [1/day].

    Returns
    -------
    Moves
        For :func:`forward` and :func:`forward_backward`.
    """
    may = (spells.light + spells.heavy > LEAST_WASH) | spells.visit
    wash = [wash_of(spells, at) if one else None for at, one in enumerate(may)]
    # A matrix that only says it is transposed is many times as slow in a product as one that is laid out so.
    turned = {id(one): np.ascontiguousarray(one.transpose(0, 2, 1)) for one in wash if one is not None}
    back = [None if one is None else turned[id(one)] for one in wash]
    return Moves(half_days_of(spells, before), wash, back, rate_change)


def _by_turns(halves: Floats32) -> Floats32:
    """From (..., levels, S) to (..., clean levels, rains, S), a view: so that one product washes all under a rain."""
    shape = halves.shape
    parts = halves.reshape(*shape[:-2], len(RAIN_PRIOR), shape[-2] // len(RAIN_PRIOR), shape[-1])
    return parts.swapaxes(-2, -3)


def _by_halves(turns: Floats32) -> Floats32:
    """Back from :func:`_by_turns` to (..., levels, S), as a copy."""
    return turns.swapaxes(-2, -3).reshape(*turns.shape[:-3], -1, turns.shape[-1])


def _under_each_rain(states: Floats32) -> Floats32:
    """From (..., rates, clean levels, rains, S) to a view (..., rains, rates · clean levels, S)."""
    *before, rates, cleans, rains, size = states.shape
    return states.reshape(*before, rates * cleans, rains, size).swapaxes(-2, -3)


def _telling(likely: Floats32) -> list[bool]:
    """Whether each spell's index (n, levels, S) tells anything."""
    return [bool(tells) for tells in (likely != 1).any(axis=(1, 2))]


OVER_RATES, OVER_LOSS = np.ones(len(RATES), np.float32), np.ones(len(GRID), np.float32)
TINY = np.float32(1e-30)
"""Added to sums that are divided by: by definition, nothing beside any that is not nought."""


def _norm(state: Floats32) -> Floats32:
    """Sum over rates and losses of (rates, clean levels, rains, S), to be divided by, shape (clean levels, rains)."""
    # Two products with ones: a sum over two axes takes three times as long.
    by_loss = OVER_RATES @ state.reshape(len(RATES), -1)
    return np.asarray((by_loss.reshape(-1, len(GRID)) @ OVER_LOSS + TINY).reshape(state.shape[1:3]))


def forward(start: Floats32, moves: Moves, likely: Floats32) -> tuple[Floats32, Floats]:
    """Filter: the state after each spell, given what came before.

    Parameters
    ----------
    start : ndarray (rates, levels, S)
        State before the first spell.
    moves : Moves
        Of n spells.
    likely : ndarray (n, levels, S)
        :func:`emission` of the spells.

    Returns
    -------
    alpha : ndarray (n, rates, levels, S)
        State after each spell.
    evidence : ndarray (levels,)
        Log evidence of each level.
    """
    alpha, norms = _forward(start, moves, _by_turns(likely), _telling(likely))
    return _by_halves(alpha), _evidence(norms)


def _evidence(norms: Floats) -> Floats:
    """Log evidence (levels,) from the norms (n, clean levels, rains)."""
    return np.asarray(np.log(norms).sum(axis=0).T.ravel())


def _forward(start: Floats32, moves: Moves, likely: Floats32, telling: list[bool]) -> tuple[Floats32, Floats]:
    """Filter as :func:`forward` does, all by turns; norms of shape (n, clean levels, rains)."""
    n, cleans, rains, size = likely.shape
    rates = len(RATES)
    alpha = np.empty((n, rates, cleans, rains, size), np.float32)
    norms = np.ones((n, cleans, rains))
    walked, grown = np.empty_like(alpha[0]), np.empty_like(alpha[0])
    walked_flat, walked_rows = walked.reshape(rates, -1), walked.reshape(rates, -1, size)
    grown_rows, grown_rains = grown.reshape(rates, -1, size), _under_each_rain(grown)
    flat, rows, by_rain = alpha.reshape(n, rates, -1), alpha.reshape(n, rates, -1, size), _under_each_rain(alpha)
    state = _by_turns(start).reshape(rates, -1)
    for t, tells in enumerate(telling):
        np.dot(rate_walk(moves.half[t], moves.rate_change).T, state, out=walked_flat)
        matrix = moves.wash[t]
        np.matmul(walked_rows, growth(moves.half[t]), out=rows[t] if matrix is None else grown_rows)
        if matrix is not None:
            np.matmul(grown_rains, matrix, out=by_rain[t])
        if tells:  # else it still sums to 1
            now = alpha[t]
            now *= likely[t]
            norms[t] = norm = _norm(now)
            now *= (1 / norm)[..., None]
        state = flat[t]
    return alpha, norms


def forward_backward(spells: Spells, moves: Moves, likely: Floats32, log_prior: Floats | None = None) -> Pass:
    """Smooth: the distribution of loss and rate in each spell, given the whole record.

    Parameters
    ----------
    spells : Spells
        The record.
    moves : Moves
        :func:`moves_of` them.
    likely : ndarray (n, levels, S)
        :func:`emission` of each spell.
    log_prior : ndarray (levels,), optional
        Log weight of the levels before the record speaks, where those that weigh nothing may be left out of what is
        said of the spells.

    Returns
    -------
    Pass
        With the evidence of each level.
    """
    turns, telling = _by_turns(likely), _telling(likely)
    alpha, norms = _forward(initial_state(likely.shape[1]), moves, turns, telling)
    evidence = _evidence(norms)
    share = normalised(evidence if log_prior is None else evidence + log_prior)
    weighed = slice(None) if log_prior is None else _weighed(share)
    beta = _backward(moves, turns[:, weighed], telling)
    by_loss = np.zeros(alpha.shape[:1] + alpha.shape[2:], np.float32)
    some = np.einsum("nrlks,nrlks->nlks", alpha[:, :, weighed], beta)
    by_loss[:, weighed] = some / (some.sum(axis=-1, keepdims=True) + TINY)
    return Pass(alpha, beta, _by_halves(by_loss), evidence, share, weighed)


def _weighed(share: Floats) -> slice:
    """Range of clean levels of which any weighs more than nothing (levels,)."""
    some = np.flatnonzero((share.reshape(len(RAIN_PRIOR), -1) > WEIGHS_NOTHING).any(axis=0))
    return slice(int(some[0]), int(some[-1]) + 1)


def _backward(moves: Moves, likely: Floats32, telling: list[bool]) -> Floats32:
    """Likelihood of all that comes after each spell, by turns, shape (n, rates, clean levels, rains, S)."""
    n, cleans, rains, size = likely.shape
    rates = len(RATES)
    beta = np.empty((n, rates, cleans, rains, size), np.float32)
    beta[-1] = 1
    back, washed = np.empty_like(beta[0]), np.empty_like(beta[0])
    washed_rains = _under_each_rain(washed)
    walked = np.empty((rates, cleans * rains, size), np.float32)
    flat = beta.reshape(n, rates, -1)
    for t in range(n - 1, 0, -1):
        now = np.multiply(beta[t], likely[t], out=back) if telling[t] else beta[t]
        matrix = moves.back[t]
        if matrix is not None:
            np.matmul(_under_each_rain(now), matrix, out=washed_rains)
            now = washed
        np.matmul(now.reshape(walked.shape), growth_back(moves.half[t]), out=walked)
        np.dot(rate_walk(moves.half[t], moves.rate_change), walked.reshape(rates, -1), out=flat[t - 1])
        if telling[t]:
            before = beta[t - 1]
            before *= (rates * size / _norm(before))[..., None]
    return beta


def normalised(log_weight: Floats) -> Floats:
    """Turn logarithms of weights into weights that sum to 1.

    Parameters
    ----------
    log_weight : ndarray (levels,)
        Finite.

    Returns
    -------
    ndarray (levels,)
        Weights.

    Examples
    --------
    >>> normalised(np.log([1.0, 3.0])).round(2).tolist()
    [0.25, 0.75]
    """
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())
