"""The hidden Markov chain of soiling and its rate: forward-backward passes over a record.

Forward-backward after Rabiner 1989 (doi:10.1109/5.18626). Along the axis "levels" stand all hypotheses that hold for a
whole record: clean levels where rain works in its first half, the same where it hardly takes anything in its second.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from portal.pv.arrays import Floats, Floats32
from portal.pv.moves import GRID, RAIN_PRIOR, RATE_PRIOR, RATES
from portal.pv.record_moves import Moves

BEGINS_AT, BEGINS_DAYS = 0.006, 22
"""Mean loss [log] with which a record begins, and days of its rate on top: since the last rain. No source."""
WEIGHS_NOTHING = 1e-13
"""Weight of a clean level below which it is left out of what is said of the spells. A chance, by definition: all
such together change no figure in its ninth place."""

EDGE = 4
"""Points of the grid that growth and droppings cross at most in a spell, from a third of the yield lost on;
by definition of the grid, the fastest rate and the longest spell."""


@dataclass(frozen=True)
class Pass:
    """A forward-backward pass; inside, the hypotheses of an array stand as :func:`_by_turns` lays them."""

    alpha: Floats32
    """Filtered distribution in each spell, shape (n, rates, clean levels, rains, points that the moves know)."""
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
        return _whole(self.alpha[spell - 1]) if spell else initial_state(self.by_loss.shape[1])

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
        return _whole(out)

    def last(self) -> Floats32:
        """Filtered distribution at the middle of the last spell.

        Returns
        -------
        ndarray (rates, levels, S)
            Sums to 1 in each level.
        """
        return _whole(self.alpha[-1])

    def at_the_last_points(self) -> float:
        """Most chance in any spell of a loss at the last points that the moves know, or 0 where they know all.

        Returns
        -------
        float
            Given the whole record: no way leads beyond them but by these.
        """
        points = self.alpha.shape[-1]
        if points == len(GRID):
            return 0.0
        edge = self.by_loss[:, :, points - EDGE : points].sum(axis=-1)
        return float((edge @ self.share).max())


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


def _by_turns(halves: Floats32) -> Floats32:
    """From (..., levels, S) to (..., clean levels, rains, S), laid out so: one product washes all under a rain."""
    shape = halves.shape
    parts = halves.reshape(*shape[:-2], len(RAIN_PRIOR), shape[-2] // len(RAIN_PRIOR), shape[-1])
    return np.ascontiguousarray(parts.swapaxes(-2, -3))


def _by_halves(turns: Floats32) -> Floats32:
    """Back from :func:`_by_turns` to (..., levels, S), as a copy."""
    return turns.swapaxes(-2, -3).reshape(*turns.shape[:-3], -1, turns.shape[-1])


def _whole(turns: Floats32) -> Floats32:
    """:func:`_by_halves`, with nothing at the points of the grid that the moves do not know."""
    missing = len(GRID) - turns.shape[-1]
    return _by_halves(np.pad(turns, [(0, 0)] * (turns.ndim - 1) + [(0, missing)]))


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


def _told(state: Floats32, likely: Floats32, total: np.float32, points: int) -> tuple[Floats32, Floats32]:
    """Factors (hypotheses · S,) by which an index moves a state (rates, hypotheses · S) so that each sums to ``total``.

    Besides, the sums that it would have without that (hypotheses,).
    """
    # Sums by products with ones: over two axes a sum takes three times as long. The state itself is gone over once.
    norm = np.asarray((OVER_RATES @ state * likely).reshape(-1, points) @ OVER_LOSS[:points] + TINY, np.float32)
    told: Floats32 = likely.reshape(-1, points) * (total / norm)[:, None]
    return told.ravel(), norm


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
    alpha : ndarray (n, rates, levels, points that the moves know)
        State after each spell.
    evidence : ndarray (levels,)
        Log evidence of each level.
    """
    turns = _by_turns(likely[..., : moves.points])
    alpha, evidence = _forward(start[..., : moves.points], moves, turns, _telling(likely))
    return _by_halves(alpha), evidence


def _forward(start: Floats32, moves: Moves, likely: Floats32, telling: list[bool]) -> tuple[Floats32, Floats]:
    """Filter as :func:`forward` does, the states by turns."""
    n, cleans, rains, size = likely.shape
    rates = len(RATES)
    alpha = np.empty((n, rates, cleans, rains, size), np.float32)
    norms = np.ones((n, cleans * rains))
    walked, grown = np.empty((rates, cleans * rains, size), np.float32), np.empty_like(alpha[0])
    walked_flat, grown_rows, grown_rains = (
        walked.reshape(rates, -1),
        grown.reshape(walked.shape),
        _under_each_rain(grown),
    )
    flat, rows, by_rain = alpha.reshape(n, rates, -1), alpha.reshape(n, *walked.shape), _under_each_rain(alpha)
    likely_flat = likely.reshape(n, -1)
    state = _by_turns(start).reshape(rates, -1)
    for t, tells in enumerate(telling):
        np.dot(moves.walk_on[t], state, out=walked_flat)
        matrix = moves.wash[t]
        np.matmul(walked, moves.growth[t], out=rows[t] if matrix is None else grown_rows)
        if matrix is not None:
            np.matmul(grown_rains, matrix, out=by_rain[t])
        state = flat[t]
        if tells:  # else it still sums to 1
            told, norms[t] = _told(state, likely_flat[t], np.float32(1), size)
            state *= told
    evidence = np.log(norms).sum(axis=0)
    return alpha, np.asarray(evidence.reshape(cleans, rains).T.ravel())


def forward_backward(moves: Moves, likely: Floats32, log_prior: Floats | None = None) -> Pass:
    """Smooth: the distribution of loss and rate in each spell, given the whole record.

    Parameters
    ----------
    moves : Moves
        Of n spells.
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
    turns, telling = _by_turns(likely[..., : moves.points]), _telling(likely)
    alpha, evidence = _forward(initial_state(likely.shape[1])[..., : moves.points], moves, turns, telling)
    share = normalised(evidence if log_prior is None else evidence + log_prior)
    weighed = slice(None) if log_prior is None else _weighed(share)
    beta = _backward(moves, turns[:, weighed], telling)
    by_loss = np.zeros((*turns.shape[:-1], len(GRID)), np.float32)
    some = np.einsum("nrlks,nrlks->nlks", alpha[:, :, weighed], beta)
    by_loss[:, weighed, :, : moves.points] = some / (some.sum(axis=-1, keepdims=True) + TINY)
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
    told, washed = np.empty_like(beta[0]), np.empty_like(beta[0])
    told_flat, told_rains, washed_rains = told.reshape(rates, -1), _under_each_rain(told), _under_each_rain(washed)
    walked = np.empty((rates, cleans * rains, size), np.float32)
    walked_flat, told_rows, washed_rows = (
        one.reshape(rates, *cut) for one, cut in ((walked, (-1,)), (told, walked.shape[1:]), (washed, walked.shape[1:]))
    )
    flat, rows, by_rain = beta.reshape(n, rates, -1), beta.reshape(n, *walked.shape), _under_each_rain(beta)
    likely_flat = np.ascontiguousarray(likely).reshape(n, -1)
    for t in range(n - 1, 0, -1):
        if telling[t]:
            np.multiply(flat[t], _told(flat[t], likely_flat[t], np.float32(rates * size), size)[0], out=told_flat)
        now = told_rows if telling[t] else rows[t]
        matrix = moves.wash_back[t]
        if matrix is not None:
            np.matmul(told_rains if telling[t] else by_rain[t], matrix, out=washed_rains)
            now = washed_rows
        np.matmul(now, moves.growth_back[t], out=walked)
        np.dot(moves.walk[t], walked_flat, out=flat[t - 1])
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
