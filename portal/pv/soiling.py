"""Soiling from a daily performance index: drift, recoveries, ratio and rate with intervals.

The log index is modelled as

    log index(day) = level + season(day) + ageing(day) + steps(day) − soiling(day) + haze and scatter

with soiling never negative, growing at a rate that changes slowly, and falling back only where rain or a cleaning may
have washed. Soiling and its rate are a hidden Markov chain on a grid: a forward-backward pass gives their whole
distribution on each day. The clean level is run over a grid of hypotheses at once, the smooth terms are fitted inside
each by expectation-maximisation and shrunk towards what the trade knows of them, and the hypotheses are weighted by
how well they explain the record. Intervals are quantiles of that mixture.

Rate and recovery after Deceglie, Micheli and Muller 2018 (doi:10.1109/JPHOTOV.2017.2784682); ageing and soiling in one
model after Skomedal and Deceglie 2020 (doi:10.1109/JPHOTOV.2020.3018219); accumulation and wash-off by rain after
Kimber et al. 2006 (doi:10.1109/WCPEC.2006.279690); forward-backward and expectation-maximisation after Rabiner 1989
(doi:10.1109/5.18626).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from portal.pv.chain import (
    GAIN,
    GAIN_FLOOR,
    GAIN_ORDER,
    GAIN_SORTED,
    GRID,
    LOSS,
    RATE_CHANGE,
    RATES,
    Resume,
    blur,
    emission,
    forward,
    forward_backward,
    growth,
    half_days_of,
    initial_state,
    rate_walk,
    wash_matrix,
    washes_of,
)
from portal.pv.spells import Steps

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

FAR = 2.0
"""Standard deviations of a smooth term beyond which the site's facts may be told quite wrong."""


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
    """Soiling rate now [1/day] with its 90 % interval."""
    drops: list[tuple[int, float, float, float]]
    """(day, gain, low, high) of falls of the loss found in the data."""
    visits: dict[int, tuple[float, float, float]]
    """Gain, low and high of each known visit by day."""
    mean_loss: float
    smooth: Floats
    """Level, season, ageing and steps by day (log)."""
    theta: Floats
    """Coefficients of the smooth terms (p,)."""
    resume: Resume


@dataclass(frozen=True)
class Advance:
    """What new days add; arrays by new day have shape (days,)."""

    loss_mean: Floats
    loss_low: Floats
    loss_high: Floats
    present_grid: Floats
    rate: float
    smooth: Floats


def advance(resume: Resume, steps: Steps, day_design: Floats, rate_change: float) -> Advance:
    """Go on from a fit with new days only: a filter, which the next full fit will smooth.

    Parameters
    ----------
    resume : Resume
    steps : Steps
        Of the new days alone.
    day_design : ndarray (days, p)
    rate_change : float
    """
    likely = emission(steps, resume.level, resume.theta)
    half = half_days_of(steps, resume.half_days)
    _, alpha, evidence = forward(resume.state, half, washes_of(steps), likely, rate_change)
    score = resume.log_share + evidence
    share = np.exp(score - score.max())
    share /= share.sum()
    mixed = np.einsum("m,nrms->ns", share, alpha).astype(np.float64)
    last = np.einsum("m,rms->rs", share, alpha[-1])[:, None, :]
    state = np.matmul(last, growth(int(steps.days[-1])))[:, 0, :].sum(axis=0).astype(np.float64)
    cumulative = np.cumsum(mixed, axis=1)
    low = LOSS[(cumulative < 0.05).sum(axis=1).clip(0, len(GRID) - 1)]
    high = LOSS[(cumulative < 0.95).sum(axis=1).clip(0, len(GRID) - 1)]
    owner = np.repeat(np.arange(len(steps.first)), steps.days)
    return Advance(
        loss_mean=(mixed @ LOSS)[owner],
        loss_low=low[owner],
        loss_high=high[owner],
        present_grid=blur(state / state.sum(), resume.theta_sd),
        rate=float(np.einsum("m,rms->r", share, alpha[-1]) @ RATES),
        smooth=share @ (resume.level[:, None] + resume.theta @ day_design.T),
    )


def _weighted(steps: Steps) -> tuple[Floats, Floats]:
    """Index of each step and its precision, both 0 without clear days; arrays (n,)."""
    seen = np.isfinite(steps.y)
    return np.where(seen, steps.y, 0.0), np.where(seen, 1 / steps.variance, 0.0)


def _season_of_its_own(steps: Steps, prior_mean: Floats, prior_sd: Floats) -> Floats:
    """Coefficients of the smooth terms (p,) if all that moves smoothly were theirs and nothing dirt's."""
    y, precision = _weighted(steps)
    terms = np.column_stack([np.ones(len(y)), steps.design])
    pull = np.concatenate([[0.0], 1 / prior_sd**2])
    right = terms.T @ (precision * y) + pull * np.concatenate([[0.0], prior_mean])
    return np.asarray(np.linalg.solve(terms.T @ (precision[:, None] * terms) + np.diag(pull), right)[1:])


def _smooth_terms(
    steps: Steps, prior_mean: Floats, prior_sd: Floats, levels: Floats, start: Floats, rounds: int, rate_change: float
) -> tuple[Floats, Floats]:
    """Coefficients of the smooth terms by level (levels, p) and their normal equations (levels, p, p)."""
    y, precision = _weighted(steps)
    grid = GRID.astype(np.float32)
    theta = np.tile(start, (len(levels), 1))
    normal = np.tile(np.diag(1 / prior_sd**2), (len(levels), 1, 1))
    for _ in range(rounds - 1):
        done = forward_backward(steps, emission(steps, levels, theta), rate_change)
        mean_x = (done.gamma.sum(axis=1) @ grid).T.astype(np.float64)  # (levels, n)
        target = y + mean_x - levels[:, None]
        rest = target - theta @ steps.design.T
        weight = precision / (1 + rest * rest * precision / 12)  # heavy tails
        normal = np.einsum("mn,np,nq->mpq", weight, steps.design, steps.design, optimize=True)
        normal += np.diag(1 / prior_sd**2)
        right = (weight * target) @ steps.design + prior_mean / prior_sd**2
        theta = np.linalg.solve(normal, right[..., None])[..., 0]
    return theta, normal


def _log_prior(theta: Floats, prior_mean: Floats, prior_sd: Floats) -> Floats:
    """Log prior of the smooth terms by level (levels,)."""
    return np.asarray(-0.5 * (((theta - prior_mean) / prior_sd) ** 2).sum(axis=1))


def fit(
    steps: Steps,
    prior_mean: Floats,
    prior_sd: Floats,
    day_design: Floats,
    weights: Floats,
    visit_days: Ints,
    rounds: int = 4,
    rate_change: float = RATE_CHANGE,
    present_sd: float = 0.005,
    start: Floats | None = None,
    falls: bool = True,
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
    rounds : int
        Rounds of expectation-maximisation.
    rate_change : float
        Chance a day that the soiling rate moves to a neighbouring one.
    present_sd : float
        Standard deviation that the present loss has from what the chain does not know: sites told wrong, and in a site
        alone the haze of these weeks.
    start : ndarray (p,), optional
        Coefficients to start from; by default the prior's, or the index's own where they explain it better.
    falls : bool
        Whether to work out what visits and rains gained.
    """
    size = len(GRID)
    center = float(np.quantile(steps.y[np.isfinite(steps.y)], 0.75))
    coarse = center + np.array([-0.025, 0.01, 0.045])
    starts = [prior_mean if start is None else start]
    if start is None:
        # A slope told wrong by ten or twenty degrees swings the index through the year as much as heavy dirt does, and
        # a fit that starts from no season takes all of it for dirt. Where the index swings that far, both are tried.
        own = _season_of_its_own(steps, prior_mean, prior_sd)
        if (np.abs(own - prior_mean) > FAR * prior_sd).any():
            starts.append(own)
    fits = [_smooth_terms(steps, prior_mean, prior_sd, coarse, begin, rounds, rate_change) for begin in starts]
    theta, normal = fits[0]
    if len(fits) > 1:
        half, wash = half_days_of(steps, 0), washes_of(steps)
        scores = []
        for trial, _ in fits:
            likely = emission(steps, coarse, trial)
            _, _, evidence = forward(initial_state(len(coarse)), half, wash, likely, rate_change)
            scores.append(np.logaddexp.reduce(evidence + _log_prior(trial, prior_mean, prior_sd)))
        theta, normal = fits[int(np.argmax(scores))]
    # The smooth terms follow the level smoothly: a parabola through the three, then all levels in one pass.
    level = center + np.arange(-0.04, 0.0601, 0.01)
    basis = np.linalg.solve(np.vander(coarse - center, 3), theta)
    theta = np.vander(level - center, 3) @ basis
    likely = emission(steps, level, theta)
    done = forward_backward(steps, likely, rate_change)
    score = done.evidence + _log_prior(theta, prior_mean, prior_sd)
    share = np.exp(score - score.max())
    share /= share.sum()

    mixed = np.einsum("m,nms->ns", share, done.gamma.sum(axis=1)).astype(np.float64)
    # Half a step lies between the last step's middle and now.
    last = np.einsum("m,rms->rs", share, done.gamma[-1], optimize=True)[:, None, :]
    now_state = np.matmul(last, growth(int(steps.days[-1])))[:, 0, :].sum(axis=0).astype(np.float64)
    # Uncertainty of the smooth terms at the end, from the fit's own normal equations.
    cover = np.linalg.inv(normal[1])
    now_sd = float(np.sqrt(steps.design[-1] @ cover @ steps.design[-1] + present_sd**2))
    present = blur(now_state / now_state.sum(), now_sd)
    cumulative = np.cumsum(mixed, axis=1)
    low = GRID[(cumulative < 0.05).sum(axis=1).clip(0, size - 1)]
    high = GRID[(cumulative < 0.95).sum(axis=1).clip(0, size - 1)]
    middle = steps.first + (steps.days - 1) / 2
    every = np.arange(len(day_design))
    log_mean = np.interp(every, middle, mixed @ GRID)
    loss_mean = np.interp(every, middle, mixed @ LOSS)
    by_rate = np.einsum("m,rms->r", share, done.gamma[-1])
    cumulative_rate = np.cumsum(by_rate)

    def fall(t: int) -> tuple[float, float, float]:
        """Gain over step t's wash: mean, 5 % and 95 % quantile of the loss before minus the loss after."""
        matrix = wash_matrix(round(float(steps.light[t]), 2), round(float(steps.heavy[t]), 2), bool(steps.visit[t]))
        half = int(steps.days[t - 1] + steps.days[t]) if t else int(steps.days[0])
        walked = (rate_walk(half, rate_change).T @ done.before[t].reshape(len(RATES), -1)).reshape(done.before[t].shape)
        grown = np.matmul(walked, growth(half))
        pair = np.zeros((size, size))
        for m in np.flatnonzero(share > 1e-4):
            back = done.beta[t, :, m] * likely[t, m]
            both = (grown[:, m].T @ back * matrix).astype(np.float64)
            pair += share[m] * both / both.sum()
        total = np.cumsum(pair.ravel()[GAIN_ORDER])
        return (
            float((pair * GAIN).sum()),
            float(np.interp(0.05, total, GAIN_SORTED)) - GAIN_FLOOR,
            float(np.interp(0.95, total, GAIN_SORTED)) + GAIN_FLOOR,
        )

    visits = {}
    for day in visit_days if falls else ():
        at = np.flatnonzero(steps.first == day + 1)
        if at.size:
            visits[int(day)] = fall(int(at[0]))
    drops = []
    at_step = mixed @ GRID
    change = at_step[:-1] - at_step[1:]
    for t in (np.flatnonzero(change > 0.012) + 1).tolist() if falls else ():
        if not steps.visit[t]:
            gain, gain_low, gain_high = fall(t)
            if gain_low > 0.0:
                drops.append((int(steps.first[t]), gain, gain_low, gain_high))
    usable = np.isfinite(weights)
    return Fit(
        level=float(share @ level),
        log_mean=log_mean,
        loss_mean=loss_mean,
        loss_low=np.interp(every, middle, 1 - np.exp(-low)),
        loss_high=np.interp(every, middle, 1 - np.exp(-high)),
        present_grid=present,
        loss_grid=LOSS,
        rate=float(by_rate @ RATES),
        rate_low=float(RATES[int((cumulative_rate < 0.05).sum())]),
        rate_high=float(RATES[min(int((cumulative_rate < 0.95).sum()), len(RATES) - 1)]),
        drops=drops,
        visits=visits,
        mean_loss=float((loss_mean * weights)[usable].sum() / weights[usable].sum()),
        smooth=share @ (level[:, None] + theta @ day_design.T),
        theta=share @ theta,
        resume=Resume(done.alpha[-1], int(steps.days[-1]), np.log(share + 1e-30), level, theta, now_sd),
    )
