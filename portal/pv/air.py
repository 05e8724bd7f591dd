"""The air that the sites of a town share, day by day.

Haze, aerosol and water vapour dim every roof under the same sky alike. What the sites' residuals have in common on a
day is taken for the air of that day and taken out of each site's index; each site is compared with the others only,
so that its own dirt is never mistaken for air. Two things keep the shared part from swallowing the dirt that all roofs
gather between rains: the air is not allowed to follow the town's days since rain, and each site's own soiling has
been taken out before, with washed and rarely dirty roofs as the clean references.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from portal.pv.arrays import Bools, Floats

AIR_SCATTER = 0.045
"""Standard deviation of a day's shared log dimming. From memory, no source; a fifth either way moves the mean error of
a gain on a made fleet (16 roofs alone, 8 in a town) by 0.01 points at most, and no other figure."""
REPEATS = 16
"""Clear days of a dry spell, over which a site's doubtful soiling errs the same way. No source; a fifth either way
moves the mean error of a gain on the same fleet by 0.01 points, and no other figure."""
LEAST_COMMON_DAYS = 40
"""Days in common without which a site is not compared. No source; a fifth either way moves nothing on the same 24
roofs."""
ALIKE = 0.35
"""Correlation of a site's residual with its neighbours' from which they breathe the same air. No source; a fifth either
way moves nothing on the same 24 roofs."""

WASH_TAKES = (0.36, 0.93)
"""Share of the dust that a light and a heavy wash take: about the means of those in ``moves``. No source."""
CLOUDED = 0.15
"""Residual [log] at which a day is cut when sites are compared: beyond lies cloud over one of them. No source."""
OUTLIER_SD = 2.5
"""Standard deviations from which a site counts less in a day's mean, by the square of how far. Common practice in
robust means, no source: by the distance itself, a roof sure to be clean whose meter counted 7 % more from a day on made
ten others of a made dry town read 3 points dirty."""
ROBUST_TURNS = 3
"""Times that a day's mean and the weights about it are worked out in turn. Common practice, no source."""
HIDDEN_DOUBT = 0.003
"""Standard deviation of a site's log soiling that its fit does not know of: it takes itself for surer than it is. Tuned
on made towns: 0.006 takes another 0.05 points off the mean error, and finds two dirty roofs of eight less."""


@dataclass(frozen=True)
class Air:
    """Shared air as each site sees it: arrays of shape (sites, days)."""

    log_dimming: Floats
    """To be taken from a site's log index; zero on days without neighbours."""
    variance: Floats
    """Of that estimate."""
    middle: float
    """Common level of the sites' residuals, which is not air."""


def exposure(wash: Floats) -> Floats:
    """Expected days of dust on a roof that only rain washes.

    Grows by one a dry day and shrinks by the share that a light or heavy wash takes, as in the model of Kimber et al.
    2006 (doi:10.1109/WCPEC.2006.279690).

    Parameters
    ----------
    wash : ndarray (days, 2)
        Chance of a light and of a heavy wash.

    Returns
    -------
    ndarray (days,)
        [days]

    Examples
    --------
    >>> exposure(np.array([[0, 0], [0, 0], [0, 1.0], [0, 0]])).round(2).tolist()
    [1.0, 2.0, 0.21, 1.21]
    """
    out = np.zeros(len(wash))
    held = 0.0
    kept = 1 - WASH_TAKES[0] * wash[:, 0] - WASH_TAKES[1] * wash[:, 1]
    for day, share in enumerate(np.clip(kept, 0, 1)):
        held = (held + 1) * share
        out[day] = held
    return out


@dataclass(frozen=True)
class Witness:
    """A roof whose last fit stands, and what it shows of the air; arrays of shape (days,) unless said."""

    first_day: int
    """Days since 1970-01-01."""
    residual: Floats
    """As for :func:`companions`, the air still in it."""
    doubt: Floats
    """As for :func:`shared_air`."""
    wash: Floats
    """Chance of a light and of a heavy wash by rain, shape (days, 2)."""
    scatter: float
    """Standard deviation of its day once the air is out."""


def companions(residual: Floats, count: int | None = None) -> Bools:
    """Which sites breathe the air of the others.

    Correlates each site's residual, its slow part taken out, with the median of the others.

    Parameters
    ----------
    residual : ndarray (sites, days)
        Log index less the site's own level, season, ageing and soiling; NaN on refused days.
    count : int, optional
        Only so many of the sites, from the first on, are asked about; all by default.

    Returns
    -------
    ndarray of bool (count,)
        False also for a site with fewer than :data:`LEAST_COMMON_DAYS` days in common with the others.
    """
    sites = len(residual) if count is None else count
    fast = residual - _slow(residual)
    alike = np.zeros(sites, dtype=bool)
    for site in range(sites):
        others = np.delete(fast, site, axis=0)
        common = np.isfinite(others).sum(axis=0) >= 1
        median = np.full(residual.shape[1], np.nan)
        median[common] = np.nanmedian(others[:, common], axis=0)
        both = np.isfinite(median) & np.isfinite(fast[site])
        if both.sum() >= LEAST_COMMON_DAYS:
            a, b = np.clip(median[both], -CLOUDED, CLOUDED), np.clip(fast[site][both], -CLOUDED, CLOUDED)
            alike[site] = bool(a.std() > 0 and b.std() > 0 and np.corrcoef(a, b)[0, 1] > ALIKE)
    return alike


def _slow(values: Floats) -> Floats:
    """Mean over 41 days of each row, NaN skipped."""
    seen = np.isfinite(values)
    box = np.ones(41)
    total = np.apply_along_axis(np.convolve, 1, np.where(seen, values, 0.0), box, "same")
    count = np.apply_along_axis(np.convolve, 1, seen.astype(float), box, "same")
    return np.asarray(total / np.maximum(count, 1.0))


def _middles(residual: Floats) -> Floats:
    """Median of each day over the sites; zero on days without any."""
    common = np.zeros(residual.shape[1])
    seen = np.isfinite(residual).any(axis=0)
    common[seen] = np.nanmedian(residual[:, seen], axis=0)
    return common


def shared_air(
    residual: Floats, scatter: Floats, doubt: Floats, dust: Floats, season: Floats, middle: float | None = None
) -> Air:
    """Air of each day from what the sites have in common.

    Parameters
    ----------
    residual : ndarray (sites, days)
        As for :func:`companions`.
    scatter : ndarray (sites,)
        Standard deviation of a site's day once the air is out.
    doubt : ndarray (sites, days)
        Standard deviation of each site's own log soiling. Such an error does not go with the day, so it counts as
        often as :data:`REPEATS`: a roof just washed says more of the air than one whose dirt is guessed.
    dust : ndarray (days,)
        :func:`exposure` of the town; the air is kept free of it.
    season : ndarray (days, k)
        Smooth seasonal terms, which the air may follow.
    middle : float, optional
        Common level of the residuals, when it is known from before.

    Returns
    -------
    Air
        For each site from the others only.
    """
    days = residual.shape[1]
    seen = np.isfinite(residual)
    alone = np.where(seen, 1 / (scatter[:, None] ** 2 + REPEATS * (doubt**2 + HIDDEN_DOUBT**2)), 0.0)
    value = np.where(seen, residual, 0.0)
    common, weight = _middles(residual), alone
    for _ in range(ROBUST_TURNS):
        weight = alone / np.maximum(1.0, np.abs(value - common) / (OUTLIER_SD * scatter[:, None])) ** 2
        total = weight.sum(axis=0)
        common = np.where(total > 0, (weight * value).sum(axis=0) / np.maximum(total, 1e-9), 0.0)
    total = weight.sum(axis=0)
    known = total > 0
    # What of the common part follows the town's days of dust is dirt, not air.
    design = np.concatenate([np.ones((days, 1)), season, dust[:, None]], axis=1)
    w = np.minimum(total, np.median(total[known]) if known.any() else 1.0)
    normal = design.T @ (w[:, None] * design) + 1e-6 * np.eye(design.shape[1])
    coefficient = np.linalg.solve(normal, design.T @ (w * common))
    dirt = min(0.0, float(coefficient[-1])) * (dust - float((w * dust).sum() / max(w.sum(), 1e-9)))
    others = total[None, :] - weight
    summed = (weight * value).sum(axis=0)[None, :] - weight * value
    prior = 1 / AIR_SCATTER**2
    if middle is None:
        middle = float(np.median(common[known])) if known.any() else 0.0
    air = (summed - others * (middle + dirt[None, :])) / (others + prior)
    return Air(air, 1 / (others + prior), middle)
