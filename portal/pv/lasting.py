"""How much haze lasts on a roof alone, from its own record.

Haze of one spell goes on into the next, so that N spells know their common level no better than

    variance of their mean = 1/N · Σ over all lags k of C(k) / days of a spell,

C(k) being the autocovariance of the daily error: the long-run variance of a series that follows itself (Newey and West
1987, doi:10.2307/1913610). The chain takes the errors of spells for independent, and comes to the same if each is given
that variance: the near lags by the autocorrelation of :class:`portal.pv.spells.Errors`, those from three days on by the
lasting error that is found here. Where C falls by 1/e in some eight days, the sum from three days on is ten times C(4);
both ways and over six days that is 3.2 of it, and more since the fit follows part of the haze. Dirt and season, which
would pass for haze that lasts for weeks, are out of what the fit leaves; lags beyond five days are not asked, since
there the fit has taken nearly all. The autocovariance of n days errs by C(0)/√n or so (Bartlett 1946,
doi:10.2307/2983611): by so much the record of a roof counts beside what roofs are known to be like (empirical Bayes).
"""

from __future__ import annotations

import numpy as np

from portal.pv.arrays import Floats
from portal.pv.spells import Errors

LAGS = (3, 4, 5)
"""Days apart at which what the fit leaves is compared. No source: on made fleets it left two thirds of the true
covariance at three to five days, a fifth at six to ten and none beyond."""
LONG_RUN = 6.5
"""Variance of a spell's lasting error over the covariance that the fit leaves at :data:`LAGS` [ratio]. No source: with
the truth known it is 3, 5 and 10 on the fleets of three makers."""
LEAST, MOST = 0.01, 0.04
"""Lasting error that is believed [log]. No source: between what made roofs without and with much haze show."""
CLOUD_SD = 3.0
"""Standard deviations of a day from which it counts no further: cloud. Common practice in robust means, no source."""


def lasting_sd(rest: Floats, share: Floats, scatter: Floats, errors: Errors) -> float:
    """Lasting error of a roof's spells, from what a fit leaves of its days.

    Parameters
    ----------
    rest : ndarray (levels, days)
        Log index less all that a fit makes of it, for each clean level; NaN on days that do not count.
    share : ndarray (levels,)
        Weight of each level; sums to 1.
    scatter : ndarray (days,)
        Standard deviation of a day's log index.
    errors : Errors
        What holds before the record speaks, and how far roofs lie apart.

    Returns
    -------
    float
        [log]; between :data:`LEAST` and :data:`MOST`.

    Examples
    --------
    Days that have nothing to do with each other, and the same haze for six days on end:

    >>> rng = np.random.default_rng(1)
    >>> roof = Errors(0.4, 0.025, 0.0005, 0.013, lasting_spread=2e-4)
    >>> for rest in (rng.normal(0, 0.03, (1, 900)), np.repeat(rng.normal(0, 0.03, (1, 150)), 6, axis=1)):
    ...     print(round(lasting_sd(rest, np.ones(1), np.full(900, 0.03), roof), 3))
    0.018
    0.034
    """
    rest = np.clip(rest, -CLOUD_SD * scatter, CLOUD_SD * scatter)
    at_once, _ = _covariance(rest, share, 0)
    found, pairs = np.mean([_covariance(rest, share, lag) for lag in LAGS], axis=0)
    error = (LONG_RUN * at_once) ** 2 / max(pairs, 1.0)  # of the variance found
    spread = errors.lasting_spread**2
    variance = (LONG_RUN * found * spread + errors.lasting_sd**2 * error) / (spread + error)
    return float(np.sqrt(np.clip(variance, LEAST**2, MOST**2)))


def _covariance(rest: Floats, share: Floats, lag: int) -> tuple[float, int]:
    """Mean product of days so far apart, and how many pairs tell it."""
    both = share @ (rest[:, : rest.shape[1] - lag] * rest[:, lag:])
    seen = np.isfinite(both)
    return float(both[seen].mean()) if seen.any() else 0.0, int(seen.sum())
