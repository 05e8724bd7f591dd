"""The hidden Markov chain of soiling and its rate: forward-backward passes over a record, and what they say.

Forward-backward after Rabiner 1989 (doi:10.1109/5.18626). Along the axis "levels" stand all hypotheses that hold for a
whole record: clean levels where rain works in its first half, the same where it hardly takes anything in its second.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from portal.pv.arrays import Floats, Floats32
from portal.pv.moves import GRID, HARDLY, LOSS, RATE_PRIOR, RATES, WORKS, growth, quantiles, rate_walk, wash_matrix
from portal.pv.result import BAND_90
from portal.pv.spells import Spells

UNEXPLAINED = 1e-8
"""Likelihood of an index that nothing here explains, relative to the best. No source; a fifth either way changes no
figure of the made fleet (``tests/pv/sensitivity.py``)."""

NORMAL_SHARE, TAIL_HEIGHT = 0.94, 0.02
"""Likelihood of an index by a normal, and the height of one three times as wide beside it: together a chance of one
[ratio], by definition. The share of six in a hundred for thin cloud: no source."""
BEGINS_AT, BEGINS_DAYS = 0.006, 22
"""Mean loss [log] with which a record begins, and days of its rate on top: since the last rain. No source."""
LEAST_WASH = 0.005
"""Chance of a wash by rain below which none is counted. No source."""


def emission(spells: Spells, level: Floats, theta: Floats) -> Floats32:
    """Likelihood of each spell's index, shape (n, levels, S): a normal with heavy tails for thin cloud, and a floor.

    What no state explains, a fault that was not found say, must not leave the chain without any state at all.

    Parameters
    ----------
    spells : Spells
        NaN in ``y`` where a spell has no day that counts: then every state is as likely.
    level : ndarray (levels,)
        Clean levels [log].
    theta : ndarray (levels, terms)
        Coefficients of the smooth terms.

    Returns
    -------
    ndarray (n, levels, S)
        Likelihood, relative to the best.
    """
    seen = np.isfinite(spells.y)
    mean = level[:, None] + theta @ spells.terms.T
    error = (np.where(seen, spells.y, 0.0) - mean).T[:, :, None] + GRID
    square = error * error / np.where(seen, spells.variance, 1.0)[:, None, None]
    out = NORMAL_SHARE * np.exp(-0.5 * square) + TAIL_HEIGHT * np.exp(-0.5 / 9 * square) + UNEXPLAINED
    out[~seen] = 1
    return np.asarray(out, dtype=np.float32)


@dataclass(frozen=True)
class Pass:
    """A forward-backward pass; arrays of shape (n, rates, levels, S)."""

    before: Floats32
    """Filtered distribution just before each spell's own growth and wash."""
    alpha: Floats32
    beta: Floats32
    gamma: Floats32
    evidence: Floats
    """Log evidence of each level, shape (levels,)."""


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


def washes_of(spells: Spells) -> list[Floats32 | None]:
    """Wash of each spell as a matrix.

    Parameters
    ----------
    spells : Spells
        The record.

    Returns
    -------
    list of ndarray (2, S, S) or None
        None where hardly any may have been.
    """
    return [
        wash_of(spells, at) if light + heavy > LEAST_WASH or visit else None
        for at, (light, heavy, visit) in enumerate(zip(spells.light, spells.heavy, spells.visit, strict=True))
    ]


def _washed(state: Floats32, matrix: Floats32) -> Floats32:
    """Wash a state (rates, levels, S): its first half of levels where rain works, its second where it hardly does."""
    rates, levels, size = state.shape
    half = levels // 2
    out = np.empty_like(state)
    for rain, part in ((WORKS, slice(None, half)), (HARDLY, slice(half, None))):
        # One product of two matrices: as a stack of small ones it takes nearly twice as long.
        out[:, part] = (state[:, part].reshape(-1, size) @ matrix[rain]).reshape(rates, half, size)
    return out


def forward(
    start: Floats32, half: list[int], wash: list[Floats32 | None], likely: Floats32, rate_change: float
) -> tuple[Floats32, Floats32, Floats]:
    """Filter: the state before and after each spell, given what came before.

    Parameters
    ----------
    start : ndarray (rates, levels, S)
        State before the first spell.
    half : list of int
        :func:`half_days_of` the spells.
    wash : list of ndarray (2, S, S) or None
        :func:`washes_of` the spells.
    likely : ndarray (n, levels, S)
        :func:`emission` of the spells.
    rate_change : float
        Chance a day that the rate moves to a neighbouring one [1/day].

    Returns
    -------
    before : ndarray (n, rates, levels, S)
        State before each spell's own growth and wash.
    alpha : ndarray (n, rates, levels, S)
        State after it.
    evidence : ndarray (levels,)
        Log evidence of each level.
    """
    n, levels, size = likely.shape
    rates = len(RATES)
    before = np.empty((n, rates, levels, size), np.float32)
    alpha = np.empty_like(before)
    evidence = np.zeros(levels)
    state = start
    for t in range(n):
        before[t] = state
        walked = rate_walk(half[t], rate_change).T @ state.reshape(rates, -1)
        state = np.matmul(walked.reshape(state.shape), growth(half[t]))
        matrix = wash[t]
        if matrix is not None:
            state = _washed(state, matrix)
        state = state * likely[t]
        norm = np.einsum("rms->m", state) + np.float32(1e-30)
        evidence += np.log(norm)
        state /= norm[None, :, None]
        alpha[t] = state
    return before, alpha, evidence


def forward_backward(spells: Spells, likely: Floats32, rate_change: float) -> Pass:
    """Smooth: the distribution of loss and rate in each spell, given the whole record.

    Parameters
    ----------
    spells : Spells
        The record.
    likely : ndarray (n, levels, S)
        :func:`emission` of each spell.
    rate_change : float
        Chance a day that the rate moves to a neighbouring one [1/day].

    Returns
    -------
    Pass
        With the evidence of each level.
    """
    n, levels, size = likely.shape
    rates = len(RATES)
    half, wash = half_days_of(spells, 0), washes_of(spells)
    before, alpha, evidence = forward(initial_state(levels), half, wash, likely, rate_change)
    beta = np.empty_like(before)
    back = np.ones((rates, levels, size), np.float32)
    for t in range(n - 1, -1, -1):
        beta[t] = back
        back = back * likely[t]
        matrix = wash[t]
        if matrix is not None:
            back = _washed(back, matrix.transpose(0, 2, 1))
        back = np.matmul(back, growth(half[t]).transpose(0, 2, 1))
        back = (rate_walk(half[t], rate_change) @ back.reshape(rates, -1)).reshape(back.shape)
        back *= (rates * size / (np.einsum("rms->m", back) + np.float32(1e-30)))[None, :, None]
    gamma = alpha * beta
    gamma /= np.einsum("nrms->nm", gamma)[:, None, :, None] + np.float32(1e-30)
    return Pass(before, alpha, beta, gamma, evidence)


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


def at_the_end(state: Floats32, share: Floats, last_days: int) -> tuple[Floats, Floats]:
    """Say how loss and rate are distributed on the record's last day.

    Parameters
    ----------
    state : ndarray (rates, levels, S)
        At the middle of the last spell; half of it lies between there and the record's end.
    share : ndarray (levels,)
        Weight of each level.
    last_days : int
        Length of the last spell [days].

    Returns
    -------
    by_loss : ndarray (S,)
        Distribution of the loss, over :data:`LOSS`.
    by_rate : ndarray (rates,)
        Distribution of the rate, over :data:`RATES`.
    """
    mixed = np.einsum("m,rms->rs", share, state, optimize=True)
    now = np.matmul(mixed[:, None, :], growth(last_days))[:, 0, :].sum(axis=0).astype(np.float64)
    return now / now.sum(), np.asarray(np.einsum("m,rms->r", share, state))


@dataclass(frozen=True)
class Rate:
    """A soiling rate [1/day] with its 90 % interval."""

    mean: float
    low: float
    high: float


def rate_of(by_rate: Floats) -> Rate:
    """Mean and 90 % interval of the rate from its distribution over :data:`RATES`.

    Parameters
    ----------
    by_rate : ndarray (rates,)
        Sums to 1.

    Returns
    -------
    Rate
        Its interval is never of no width and holds the mean.

    Examples
    --------
    Even if all of it lies on one point of the grid the rate is no better known than the grid is fine:

    >>> one = rate_of(np.array([0, 0, 0, 1.0, 0, 0, 0, 0]))
    >>> one.mean, round(one.low, 5), round(one.high, 5)
    (0.001, 0.00064, 0.00145)
    """
    mean = float(by_rate @ RATES)
    low, high = quantiles(by_rate, RATES, np.array([BAND_90[0], BAND_90[-1]]))
    return Rate(mean, min(float(low), mean), max(float(high), mean))


def band_of(by_loss: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean, 5 % and 95 % point of distributions over :data:`LOSS`, shape (n, S); each of shape (n,).

    The points are those of the grid; the band holds the mean even where nearly all lies on one of them.

    Parameters
    ----------
    by_loss : ndarray (n, S)
        Each row sums to 1.

    Returns
    -------
    mean, low, high : ndarray (n,)
        [fraction of clean yield]
    """
    cumulative = np.cumsum(by_loss, axis=1)
    mean = by_loss @ LOSS
    low, high = (LOSS[(cumulative < at).sum(axis=1).clip(0, len(LOSS) - 1)] for at in (BAND_90[0], BAND_90[-1]))
    return mean, np.minimum(low, mean), np.maximum(high, mean)
