"""The hidden Markov chain of soiling and its rate: forward-backward passes over a record, and what they say.

Forward-backward after Rabiner 1989 (doi:10.1109/5.18626). Along the axis "levels" stand all hypotheses that hold for a
whole record: clean levels where rain works in its first half, the same where it hardly takes anything in its second.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from portal.pv.arrays import Floats, Floats32
from portal.pv.moves import GRID, LOSS, RATE_PRIOR, RATES, growth, quantiles, rate_walk, wash_matrix
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
        Likelihood, relative to the best; 1 everywhere where a spell tells nothing.
    """
    seen = np.flatnonzero(np.isfinite(spells.y))
    error = (spells.y[seen] - (level[:, None] + theta @ spells.terms[seen].T)).T[:, :, None] + GRID
    wide = np.exp(error * error * (-0.5 / 9 / spells.variance[seen])[:, None, None])
    third = wide * wide * wide
    out = np.ones((len(spells.y), len(level), len(GRID)), np.float32)
    # A normal three times as wide to the ninth power is the normal itself.
    out[seen] = NORMAL_SHARE * third * third * third + TAIL_HEIGHT * wide + UNEXPLAINED
    return out


@dataclass(frozen=True)
class Pass:
    """A forward-backward pass; arrays of shape (n, rates, levels, S) unless said."""

    alpha: Floats32
    """Filtered distribution in each spell."""
    beta: Floats32
    by_loss: Floats32
    """Distribution of the loss in each spell, given the whole record, shape (n, levels, S)."""
    evidence: Floats
    """Log evidence of each level, shape (levels,)."""

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
        return np.asarray(self.alpha[spell - 1]) if spell else initial_state(self.alpha.shape[2])


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


def _washed(state: Floats32, matrix: Floats32, out: Floats32) -> None:
    """Wash a state (rates, levels, S) into another: each part of its levels has a rain of its own."""
    rates, levels, size = state.shape
    parts = (rates, len(matrix), levels // len(matrix), size)
    # One product of two matrices a rain: as a stack of small ones it takes nearly twice as long.
    apart = state.reshape(parts).transpose(1, 0, 2, 3).reshape(len(matrix), -1, size)
    moved = np.matmul(apart, matrix).reshape(parts[1], rates, parts[2], size)
    out.reshape(parts)[:] = moved.transpose(1, 0, 2, 3)


def _telling(likely: Floats32) -> list[bool]:
    """Whether each spell's index (n, levels, S) tells anything."""
    return [bool(tells) for tells in (likely != 1).any(axis=(1, 2))]


def forward(
    start: Floats32, half: list[int], wash: list[Floats32 | None], likely: Floats32, rate_change: float
) -> tuple[Floats32, Floats]:
    """Filter: the state after each spell, given what came before.

    Parameters
    ----------
    start : ndarray (rates, levels, S)
        State before the first spell.
    half : list of int
        :func:`half_days_of` the spells.
    wash : list of ndarray (rains, S, S) or None
        :func:`washes_of` the spells.
    likely : ndarray (n, levels, S)
        :func:`emission` of the spells.
    rate_change : float
        Chance a day that the rate moves to a neighbouring one [1/day].

    Returns
    -------
    alpha : ndarray (n, rates, levels, S)
        State after each spell.
    evidence : ndarray (levels,)
        Log evidence of each level.
    """
    n, levels, size = likely.shape
    rates = len(RATES)
    alpha = np.empty((n, rates, levels, size), np.float32)
    norms = np.ones((n, levels))
    walked = np.empty((rates, levels, size), np.float32)
    state = start
    for t, tells in enumerate(_telling(likely)):
        np.matmul(rate_walk(half[t], rate_change).T, state.reshape(rates, -1), out=walked.reshape(rates, -1))
        state = np.matmul(walked, growth(half[t]), out=alpha[t])
        matrix = wash[t]
        if matrix is not None:
            _washed(state, matrix, state)
        if tells:  # else it still sums to 1
            state *= likely[t]
            norms[t] = norm = state.sum(axis=(0, 2)) + np.float32(1e-30)
            state *= (1 / norm)[:, None]
    return alpha, np.log(norms).sum(axis=0)


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
    half, wash, telling = half_days_of(spells, 0), washes_of(spells), _telling(likely)
    alpha, evidence = forward(initial_state(levels), half, wash, likely, rate_change)
    beta = np.empty_like(alpha)
    beta[-1] = 1
    back, walked = np.empty_like(alpha[0]), np.empty_like(alpha[0])
    for t in range(n - 1, 0, -1):
        np.multiply(beta[t], likely[t], out=back)
        matrix = wash[t]
        if matrix is not None:
            _washed(back, matrix.transpose(0, 2, 1), back)
        np.matmul(back, growth(half[t]).transpose(0, 2, 1), out=walked)
        np.matmul(rate_walk(half[t], rate_change), walked.reshape(rates, -1), out=beta[t - 1].reshape(rates, -1))
        if telling[t]:
            beta[t - 1] *= (rates * size / (beta[t - 1].sum(axis=(0, 2)) + np.float32(1e-30)))[:, None]
    by_loss = np.einsum("nrms,nrms->nms", alpha, beta)
    by_loss /= by_loss.sum(axis=2, keepdims=True) + np.float32(1e-30)
    return Pass(alpha, beta, by_loss, evidence)


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
