"""Soiling from a daily performance index: drift, recoveries, ratio and rate with intervals.

The log index is modelled as

    log index(day) = level + season(day) + ageing(day) + steps(day) − soiling(day) + haze and scatter

with soiling never negative, growing by a rate, and falling back only where rain or a cleaning may have washed. The
soiling is a hidden Markov chain on a grid: a forward-backward pass gives its whole distribution on each day. Level and
soiling rate are run over a grid of hypotheses at once, the smooth terms are fitted inside each by
expectation-maximisation and shrunk towards what the trade knows of them, and the hypotheses are weighted by how well
they explain the record. Intervals are quantiles of that mixture.

Rate and recovery after Deceglie, Micheli and Muller 2018 (doi:10.1109/JPHOTOV.2017.2784682); ageing and soiling in one
model after Skomedal and Deceglie 2020 (doi:10.1109/JPHOTOV.2020.3018219); accumulation and wash-off by rain after
Kimber et al. 2006 (doi:10.1109/WCPEC.2006.279690).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

STEP = 0.006
"""Grid step of the log soiling loss."""
GRID = np.arange(0, 0.42, STEP)
"""Log soiling loss, −ln(soiling ratio), that the chain can hold."""
RATES = np.array([0.0, 0.0003, 0.0007, 0.0012, 0.0018, 0.0026, 0.0037])
"""Soiling rates tried [1/day]. Reported: mostly 0.0001 to 0.003 (Ilse et al. 2019, doi:10.1016/j.joule.2019.08.019)."""
RATE_PRIOR = np.array([0.18, 0.17, 0.17, 0.16, 0.14, 0.11, 0.07])
LONGEST = 6
"""Days in the longest step of the chain."""

LIGHT, HEAVY = 0, 1
"""A light rain takes off 10 to 60 % of the dirt, a heavy one 80 to 100 % (thresholds 5 to 10 mm in the literature)."""


def _spread(targets: Floats, weights: Floats) -> Floats:
    """Matrix that moves grid mass to ``targets`` (S, k) with ``weights`` (k,), interpolating between grid points."""
    size = len(GRID)
    out = np.zeros((size, size))
    place = np.clip(targets / STEP, 0, size - 1.001)
    low = place.astype(int)
    part = place - low
    rows = np.repeat(np.arange(size)[:, None], targets.shape[1], axis=1)
    np.add.at(out, (rows, low), (1 - part) * weights)
    np.add.at(out, (rows, low + 1), part * weights)
    return out


def _growth(rate: float, days: int) -> Floats:
    """Growth over some days: the rate varies by season and dust (a third to 1.5 times), and droppings fall, rarely."""
    factor = np.array([0.35, 0.75, 1.1, 1.5])
    grown = _spread(GRID[:, None] + rate * days * factor[None, :], np.array([0.22, 0.28, 0.32, 0.18]))
    dropped = _spread(GRID[:, None] + np.array([0.015, 0.03]), np.array([0.6, 0.4]))
    chance = 0.0006 * days
    return (1 - chance) * grown + chance * dropped


WASHES = (
    _spread(GRID[:, None] * (1 - np.linspace(0.1, 0.6, 6))[None, :], np.full(6, 1 / 6)),
    _spread(GRID[:, None] * (1 - np.array([0.8, 0.88, 0.93, 0.97, 1.0]))[None, :], np.array([0.1, 0.2, 0.3, 0.2, 0.2])),
)
VISIT = _spread(
    GRID[:, None] * (1 - np.array([0.0, 0.5, 0.9, 0.95, 0.99]))[None, :], np.array([0.02, 0.03, 0.25, 0.4, 0.3])
)
GROWTH = {days: np.stack([_growth(rate, days) for rate in RATES]) for days in range(1, LONGEST + 1)}


@dataclass(frozen=True)
class Steps:
    """A site's record cut into the steps of the chain; arrays of shape (n,) unless said."""

    first: Ints
    """First day (index into the daily arrays) of each step."""
    days: Ints
    y: Floats
    """Mean log index of the step; NaN without clear days."""
    variance: Floats
    light: Floats
    heavy: Floats
    """Chance that a light, a heavy wash happened in the step."""
    visit: Bools
    """A known cleaning at the start of the step."""
    design: Floats
    """Smooth terms and steps of level (n, p)."""


@dataclass(frozen=True)
class Fit:
    """What the chain says; arrays by day have shape (days,)."""

    level: float
    log_mean: Floats
    """Mean of the log soiling loss by day."""
    loss_mean: Floats
    loss_low: Floats
    loss_high: Floats
    """Mean, 5 % and 95 % quantile of the soiling loss by day."""
    present_grid: Floats
    """Distribution over ``loss_grid`` of the present loss."""
    loss_grid: Floats
    rate: float
    rate_low: float
    rate_high: float
    drops: list[tuple[int, float, float, float]]
    """(day, gain, low, high) of falls of the loss found in the data."""
    visits: dict[int, tuple[float, float, float]]
    """Gain, low and high of each known visit by day."""
    mean_loss: float
    smooth: Floats
    """Level, season, ageing and steps by day (log)."""


def cut_steps(
    log_index: Floats,
    scatter: float,
    wash: Floats,
    visits: Ints,
    design: Floats,
    autocorrelation: float = 0.4,
) -> Steps:
    """Cut days into steps of at most :data:`LONGEST` days that begin at visits and end at likely rains.

    Parameters
    ----------
    log_index : ndarray (days,)
        NaN on refused days.
    scatter : float
        Standard deviation of a day.
    wash : ndarray (days, 2)
        Chance of a light and a heavy wash on each day.
    visits : ndarray of int
        Days of known cleanings.
    design : ndarray (days, p)
    """
    count = len(log_index)
    edges = set(range(0, count, LONGEST)) | {int(v) + 1 for v in visits if 0 <= v + 1 < count}
    first = np.array(sorted(edges), dtype=np.int64)
    last = np.append(first[1:], count)
    days = last - first
    owner = np.repeat(np.arange(len(first)), days)
    good = np.isfinite(log_index)
    number = np.bincount(owner[good], minlength=len(first)).astype(float)
    total = np.bincount(owner[good], weights=log_index[good], minlength=len(first))
    with np.errstate(invalid="ignore", divide="ignore"):
        y = np.where(number > 0, total / number, np.nan)
    # Haze lasts: neighbouring days repeat each other.
    inflation = (1 + autocorrelation) / (1 - autocorrelation)
    variance = scatter**2 * np.minimum(1.0, inflation / np.maximum(number, 1)) * 1.15
    dry = np.ones((len(first), 2))
    for kind in (LIGHT, HEAVY):
        np.multiply.at(dry[:, kind], owner, 1 - wash[:, kind])
    rows = np.stack([np.bincount(owner, weights=column, minlength=len(first)) / days for column in design.T], axis=1)
    is_visit = np.isin(first, np.asarray(visits) + 1)
    return Steps(first, days, y, variance, 1 - dry[:, LIGHT], 1 - dry[:, HEAVY], is_visit, rows)


def _transition(steps: Steps, t: int) -> npt.NDArray[np.float32]:
    grown = GROWTH[int(steps.days[t])]
    light, heavy = steps.light[t], steps.heavy[t]
    washed = (1 - heavy) * ((1 - light) * np.eye(len(GRID)) + light * WASHES[LIGHT]) + heavy * WASHES[HEAVY]
    if steps.visit[t]:
        washed = VISIT @ washed
        return np.asarray(np.einsum("ij,rjk->rik", VISIT, grown @ washed), dtype=np.float32)
    return np.asarray(grown @ washed, dtype=np.float32)


def fit(
    steps: Steps,
    prior_mean: Floats,
    prior_sd: Floats,
    day_design: Floats,
    weights: Floats,
    visit_days: Ints,
    levels: Floats | None = None,
    rounds: int = 4,
    rate_prior: Floats = RATE_PRIOR,
) -> Fit:
    """Fit the chain to one site.

    Parameters
    ----------
    steps : Steps
    prior_mean, prior_sd : ndarray (p,)
        Of the coefficients of ``steps.design``.
    day_design : ndarray (days, p)
        The same terms by day.
    weights : ndarray (days,)
        Expected energy, for the record's mean loss.
    visit_days : ndarray of int
    levels : ndarray, optional
        Levels tried, as offsets from the record's upper level.
    """
    n, size = len(steps.y), len(GRID)
    seen = np.isfinite(steps.y)
    y = np.where(seen, steps.y, 0.0)
    precision = np.where(seen, 1 / steps.variance, 0.0)
    if levels is None:
        levels = np.arange(-0.03, 0.055, 0.01)
    center = float(np.quantile(steps.y[seen], 0.75))
    tried = center + levels
    rates, count = len(RATES), len(levels)
    particles = rates * count
    level = np.tile(tried, rates)  # particle = (rate, level)
    theta = np.tile(prior_mean, (particles, 1))
    transition = [_transition(steps, t) for t in range(n)]
    x0_mean = 0.008 + RATES * 25
    initial = np.exp(-GRID[None, :] / x0_mean[:, None])
    initial /= initial.sum(axis=1, keepdims=True)
    start = np.repeat(initial, count, axis=0).reshape(rates, count, size)
    grid = GRID.astype(np.float32)

    def emission(theta: Floats) -> npt.NDArray[np.float32]:
        """Likelihood (n, particles, S), a normal with a heavy lower tail for thin cloud."""
        mean = level[:, None] + theta @ steps.design.T  # (particles, n)
        error = (y - mean).T[:, :, None].astype(np.float32) + grid  # (n, particles, S)
        square = error * error * precision[:, None, None].astype(np.float32)
        out = 0.94 * np.exp(-0.5 * square) + 0.06 / 3 * np.exp(-0.5 / 9 * square)
        out[~seen] = 1
        return np.asarray(out, dtype=np.float32)

    alpha = np.empty((n, rates, count, size), np.float32)
    gamma = np.empty((n, rates, count, size), np.float32)
    evidence = np.zeros((rates, count))
    likely = emission(theta).reshape(n, rates, count, size)
    beta_all = np.empty((n, rates, count, size), np.float32)
    for turn in range(rounds):
        previous = start.astype(np.float32)
        evidence = np.zeros((rates, count))
        for t in range(n):
            current = np.matmul(previous, transition[t]) * likely[t]
            norm = current.sum(axis=2, keepdims=True) + 1e-30
            current /= norm
            evidence += np.log(norm[:, :, 0])
            alpha[t] = current
            previous = current
        beta = np.ones((rates, count, size), np.float32)
        for t in range(n - 1, -1, -1):
            beta_all[t] = beta
            gamma[t] = alpha[t] * beta
            beta = np.matmul(beta * likely[t], transition[t].transpose(0, 2, 1))
            beta /= beta.sum(axis=2, keepdims=True) / size
        gamma /= gamma.sum(axis=3, keepdims=True)
        mean_x = (gamma @ grid).reshape(n, particles).T.astype(np.float64)  # (particles, n)
        if turn == rounds - 1:
            break
        target = y[None, :] + mean_x - level[:, None]
        rest = target - theta @ steps.design.T
        weight = precision[None, :] / (1 + (rest * rest) * precision[None, :] / 12)  # heavy tails
        normal = np.einsum("mn,np,nq->mpq", weight, steps.design, steps.design, optimize=True)
        normal += np.diag(1 / prior_sd**2)
        right = (weight * target) @ steps.design + prior_mean / prior_sd**2
        theta = np.linalg.solve(normal, right[..., None])[..., 0]
        likely = emission(theta).reshape(n, rates, count, size)

    score = evidence.ravel() - 0.5 * (((theta - prior_mean) / prior_sd) ** 2).sum(axis=1)
    score += np.repeat(np.log(rate_prior), count)
    score -= 0.5 * np.linalg.slogdet(normal)[1]
    share = np.exp((score - score.max()) * 0.8)  # neighbouring steps repeat each other: trust the evidence less
    share /= share.sum()

    # Uncertainty of the smooth terms at the end, from the fit's own normal equations.
    cover = np.linalg.inv(normal)
    mixed = np.einsum("m,nms->ns", share, gamma.reshape(n, particles, size), optimize=True).astype(np.float64)
    now = steps.design[-1]
    now_sd = float(np.sqrt(np.einsum("m,mpq,p,q->", share, cover, now, now)))
    present = _blur(mixed[-1], now_sd)
    cumulative = np.cumsum(mixed, axis=1)
    low = GRID[(cumulative < 0.05).sum(axis=1).clip(0, size - 1)]
    high = GRID[(cumulative < 0.95).sum(axis=1).clip(0, size - 1)] + STEP / 2
    owner = np.repeat(np.arange(n), steps.days)
    log_mean = mixed @ GRID
    loss_grid = 1 - np.exp(-GRID)
    loss_mean = (mixed @ loss_grid)[owner]
    chance = share.reshape(rates, count)

    def fall(t: int) -> tuple[float, float, float]:
        """Gain over the start of step t: mean, 5 % and 95 % quantile of the loss before minus the loss after."""
        before = alpha[t - 1] if t else start.astype(np.float32)
        joint = before[:, :, :, None] * transition[t][:, None] * (likely[t] * beta_all[t])[:, :, None, :]
        joint /= joint.sum(axis=(2, 3), keepdims=True)
        pair = np.einsum("rc,rcij->ij", chance, joint).astype(np.float64)
        gain = loss_grid[:, None] - loss_grid[None, :]
        order = np.argsort(gain, axis=None)
        total = np.cumsum(pair.ravel()[order])
        q = gain.ravel()[order]
        return (
            float((pair * gain).sum()),
            float(q[np.searchsorted(total, 0.05).clip(0, q.size - 1)]),
            float(q[np.searchsorted(total, 0.95).clip(0, q.size - 1)]),
        )

    visits = {}
    for day in visit_days:
        at = np.flatnonzero(steps.first == day + 1)
        if at.size:
            visits[int(day)] = fall(int(at[0]))
    drops = []
    change = log_mean[:-1] - log_mean[1:]
    for t in (np.flatnonzero(change > 0.012) + 1).tolist():
        if not steps.visit[t]:
            gain, gain_low, gain_high = fall(int(t))
            if gain_low > 0.002:
                drops.append((int(steps.first[t]), gain, gain_low, gain_high))
    by_rate = chance.sum(axis=1)
    cumulative_rate = np.cumsum(by_rate)
    smooth_particles = level[:, None] + theta @ day_design.T
    usable = np.isfinite(weights)
    return Fit(
        level=float(share @ level),
        log_mean=log_mean[owner],
        loss_mean=loss_mean,
        loss_low=(1 - np.exp(-low))[owner],
        loss_high=(1 - np.exp(-high))[owner],
        present_grid=present,
        loss_grid=loss_grid,
        rate=float(by_rate @ RATES),
        rate_low=float(RATES[int((cumulative_rate < 0.05).sum())]),
        rate_high=float(RATES[min(int((cumulative_rate < 0.95).sum()), rates - 1)]),
        drops=drops,
        visits=visits,
        mean_loss=float((loss_mean * weights)[usable].sum() / weights[usable].sum()),
        smooth=share @ smooth_particles,
    )


def _blur(chance: Floats, sd: float) -> Floats:
    """Widen a distribution on the grid by a normal error; mass below zero gathers at zero."""
    if sd < STEP / 4:
        return chance
    reach = max(1, int(np.ceil(3 * sd / STEP)))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * STEP / sd) ** 2)
    kernel /= kernel.sum()
    wide = np.convolve(chance, kernel)
    out = wide[reach : reach + len(chance)].copy()
    out[0] += wide[:reach].sum()
    return np.asarray(out / out.sum())


def quantiles(chance: Floats, grid: Floats, at: Floats) -> Floats:
    """Quantiles of a distribution on a grid, linear between grid points (half of each point's mass to its left)."""
    total = np.cumsum(chance) - 0.5 * chance
    return np.asarray(np.interp(at, total, grid))
