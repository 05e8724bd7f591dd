"""What distributions of loss and rate over the chain's grids say: their mean and their ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from portal.pv.arrays import Floats, Floats32
from portal.pv.moves import LOSS, RATES, growth, quantiles
from portal.pv.result import BAND_90


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
