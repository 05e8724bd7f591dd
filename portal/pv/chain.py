"""The hidden Markov chain of soiling and its rate: its grid, how it moves, and a forward-backward pass.

Forward-backward after Rabiner 1989 (doi:10.1109/5.18626).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from portal.pv.spells import Spells

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]

GRID = 0.42 * np.sinh(2.2 * np.linspace(0, 1, 50)) / np.sinh(2.2)
"""Log soiling loss, −ln(soiling ratio), that the chain can hold; finer near clean."""
LOSS = 1 - np.exp(-GRID)
RATES = np.array([0.0, 0.0003, 0.0006, 0.001, 0.0015, 0.0022, 0.0032, 0.0046])
"""Soiling rates of the chain [1/day]. Reported: mostly 0.0001 to 0.003, dusty places more
(Ilse et al. 2019, doi:10.1016/j.joule.2019.08.019)."""
RATE_PRIOR = np.array([0.25, 0.17, 0.14, 0.13, 0.11, 0.09, 0.07, 0.04])
RATE_FROM_ZERO = 0.0007
"""Chance a day that a place without dust begins to have some."""
DROPPINGS = 0.0005
"""Chance a day of droppings that cost 1 to 4 %."""


UNEXPLAINED = 1e-8
"""Likelihood of an index that nothing here explains, relative to the best."""


def _onto_grid(targets: Floats, weights: Floats) -> Floats:
    """Matrix that moves grid mass to ``targets`` (S, k) with ``weights`` (k,), interpolating between grid points."""
    size = len(GRID)
    out = np.zeros((size, size))
    inside = np.clip(targets, 0, GRID[-1] * 0.9999)
    low = np.clip(np.searchsorted(GRID, inside, side="right") - 1, 0, size - 2)
    part = (inside - GRID[low]) / (GRID[low + 1] - GRID[low])
    rows = np.repeat(np.arange(size)[:, None], targets.shape[1], axis=1)
    np.add.at(out, (rows, low), (1 - part) * weights)
    np.add.at(out, (rows, low + 1), part * weights)
    return out


@lru_cache(maxsize=64)
def growth(half_days: int) -> Floats32:
    """Growth over some half days at each rate, shape (rates, S, S)."""
    days = half_days / 2
    out = []
    for rate in RATES:
        grown = _onto_grid(
            GRID[:, None] + rate * days * np.array([0.75, 1.0, 1.25])[None, :], np.array([0.25, 0.5, 0.25])
        )
        dropped = _onto_grid(GRID[:, None] + np.array([0.015, 0.03]), np.array([0.6, 0.4]))
        chance = DROPPINGS * days
        out.append((1 - chance) * grown + chance * dropped)
    return np.stack(out).astype(np.float32)


@lru_cache(maxsize=64)
def rate_walk(half_days: int, change: float) -> Floats32:
    """Moves of the rate over some half days, shape (rates, rates), rows from."""
    count = len(RATES)
    walk = np.zeros((count, count))
    for i in range(count):
        chance = (RATE_FROM_ZERO if i == 0 else change) * half_days / 2
        for j in (i - 1, i + 1):
            if 0 <= j < count:
                walk[i, j] = chance * (0.15 if j == 0 else 1.0)
        walk[i, i] = 1 - walk[i].sum()
    return walk.astype(np.float32)


LIGHT_WASH = _onto_grid(GRID[:, None] * (1 - np.linspace(0.1, 0.6, 6))[None, :], np.full(6, 1 / 6))
HEAVY_WASH = _onto_grid(
    GRID[:, None] * (1 - np.array([0.75, 0.85, 0.9, 0.95, 0.99]))[None, :], np.array([0.1, 0.2, 0.3, 0.25, 0.15])
)
VISIT = _onto_grid(
    GRID[:, None] * (1 - np.array([0.0, 0.5, 0.9, 0.95, 0.99]))[None, :], np.array([0.02, 0.03, 0.25, 0.4, 0.3])
)


@lru_cache(maxsize=4096)
def wash_matrix(light: float, heavy: float, visit: bool) -> Floats32:
    """A wash by rain with these chances, after a cleaning if there was one; shape (S, S)."""
    matrix = (1 - heavy) * ((1 - light) * np.eye(len(GRID)) + light * LIGHT_WASH) + heavy * HEAVY_WASH
    return np.asarray(VISIT @ matrix if visit else matrix, dtype=np.float32)


def emission(spells: Spells, level: Floats, theta: Floats) -> Floats32:
    """Likelihood of each spell's index, shape (n, levels, S): a normal with heavy tails for thin cloud, and a floor.

    What no state explains, a fault that was not found say, must not leave the chain without any state at all.
    """
    seen = np.isfinite(spells.y)
    mean = level[:, None] + theta @ spells.terms.T
    error = (np.where(seen, spells.y, 0.0) - mean).T[:, :, None] + GRID
    square = error * error / np.where(seen, spells.variance, 1.0)[:, None, None]
    out = 0.94 * np.exp(-0.5 * square) + 0.02 * np.exp(-0.5 / 9 * square) + UNEXPLAINED
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
    """Where the chain begins: the faster dirt gathers the more may lie already, shape (rates, levels, S)."""
    spread = 0.006 + RATES * 22
    initial = np.exp(-GRID[None, :] / spread[:, None]) * np.gradient(GRID)
    initial *= RATE_PRIOR[:, None] / initial.sum(axis=1, keepdims=True)
    return np.repeat(initial[:, None, :], levels, axis=1).astype(np.float32)


def half_days_of(spells: Spells, before: int) -> list[int]:
    """Half days from the middle of each spell to that of the next."""
    half = np.append(before, spells.days[:-1] + spells.days[1:])
    half[0] = before + spells.days[0]
    return [int(value) for value in half]


def wash_of(spells: Spells, at: int) -> Floats32:
    """Wash of one spell as a matrix (S, S)."""
    return wash_matrix(round(float(spells.light[at]), 2), round(float(spells.heavy[at]), 2), bool(spells.visit[at]))


def washes_of(spells: Spells) -> list[Floats32 | None]:
    """Wash of each spell as a matrix (S, S); None where hardly any may have been."""
    return [
        wash_of(spells, at) if light + heavy > 0.005 or visit else None
        for at, (light, heavy, visit) in enumerate(zip(spells.light, spells.heavy, spells.visit, strict=True))
    ]


def forward(
    start: Floats32, half: list[int], wash: list[Floats32 | None], likely: Floats32, rate_change: float
) -> tuple[Floats32, Floats32, Floats]:
    """Filter: states before and after each spell (n, rates, levels, S), and log evidence by level."""
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
            state = state @ matrix
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
    likely : ndarray (n, levels, S)
        :func:`emission` of each spell.
    rate_change : float
        Chance a day that the rate moves to a neighbouring one [1/day].

    Returns
    -------
    Pass
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
            back = back @ matrix.T
        back = np.matmul(back, growth(half[t]).transpose(0, 2, 1))
        back = (rate_walk(half[t], rate_change) @ back.reshape(rates, -1)).reshape(back.shape)
        back *= (rates * size / (np.einsum("rms->m", back) + np.float32(1e-30)))[None, :, None]
    gamma = alpha * beta
    gamma /= np.einsum("nrms->nm", gamma)[:, None, :, None] + np.float32(1e-30)
    return Pass(before, alpha, beta, gamma, evidence)


def normalised(log_weight: Floats) -> Floats:
    """Weights that sum to 1, from their logarithms, shape (levels,).

    Examples
    --------
    >>> normalised(np.log([1.0, 3.0])).round(2).tolist()
    [0.25, 0.75]
    """
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def at_the_end(state: Floats32, share: Floats, last_days: int) -> tuple[Floats, Floats]:
    """Distributions of the loss on the record's last day, shape (S,), and of the rate, shape (rates,).

    Parameters
    ----------
    state : ndarray (rates, levels, S)
        At the middle of the last spell; half of it lies between there and the record's end.
    share : ndarray (levels,)
    last_days : int
        Days of the last spell.
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
    """Mean and 90 % interval of the rate from its distribution over :data:`RATES`, shape (rates,).

    Examples
    --------
    Even if all of it lies on one point of the grid the rate is no better known than the grid is fine:

    >>> one = rate_of(np.array([0, 0, 0, 1.0, 0, 0, 0, 0]))
    >>> one.mean, round(one.low, 5), round(one.high, 5)
    (0.001, 0.00064, 0.00145)
    """
    mean = float(by_rate @ RATES)
    low, high = quantiles(by_rate, RATES, np.array([0.05, 0.95]))
    return Rate(mean, min(float(low), mean), max(float(high), mean))


def band_of(by_loss: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean, 5 % and 95 % point of distributions over :data:`LOSS`, shape (n, S); each of shape (n,).

    The points are those of the grid; the band holds the mean even where nearly all lies on one of them.
    """
    cumulative = np.cumsum(by_loss, axis=1)
    mean = by_loss @ LOSS
    low, high = (LOSS[(cumulative < at).sum(axis=1).clip(0, len(LOSS) - 1)] for at in (0.05, 0.95))
    return mean, np.minimum(low, mean), np.maximum(high, mean)


def blur(chance: Floats, sd: float) -> Floats:
    """Widen a distribution on the grid by a normal error; mass below zero gathers at zero."""
    if sd < 0.001:
        return chance
    offsets = np.linspace(-2, 2, 9)
    weights = np.exp(-0.5 * offsets**2)
    return np.asarray(chance @ _onto_grid(GRID[:, None] + sd * offsets[None, :], weights / weights.sum()))


def quantiles(chance: Floats, grid: Floats, at: Floats) -> Floats:
    """Quantiles of a distribution on a grid, linear between its points, half of each one's mass to its left.

    Parameters
    ----------
    chance : ndarray (k,)
        Sums to 1.
    grid : ndarray (k,)
        Rising; what lies beyond its ends (half of their mass) counts as the ends.
    at : ndarray (n,)
        Levels, 0 to 1.

    Returns
    -------
    ndarray (n,)
        In units of the grid.
    """
    return np.asarray(np.interp(at, np.cumsum(chance) - 0.5 * chance, grid))
