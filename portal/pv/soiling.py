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
from functools import lru_cache

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

GRID = 0.42 * np.sinh(2.2 * np.linspace(0, 1, 50)) / np.sinh(2.2)
"""Log soiling loss, −ln(soiling ratio), that the chain can hold; finer near clean."""
LOSS = 1 - np.exp(-GRID)
GAIN = LOSS[:, None] - LOSS[None, :]
GAIN_ORDER = np.argsort(GAIN, axis=None)
GAIN_SORTED = GAIN.ravel()[GAIN_ORDER]
GAIN_FLOOR = 0.003
"""No gain is known more closely than this: the chain's grid is no finer."""
RATES = np.array([0.0, 0.0003, 0.0006, 0.001, 0.0015, 0.0022, 0.0032, 0.0046])
"""Soiling rates of the chain [1/day]. Reported: mostly 0.0001 to 0.003, dusty places more
(Ilse et al. 2019, doi:10.1016/j.joule.2019.08.019)."""
RATE_PRIOR = np.array([0.25, 0.17, 0.14, 0.13, 0.11, 0.09, 0.07, 0.04])
RATE_CHANGE = 0.005
"""Chance a day that the rate moves to a neighbouring one: dust has its seasons. A site alone, whose haze has its
seasons too, cannot tell the one from the other so finely."""
RATE_FROM_ZERO = 0.0007
"""Chance a day that a place without dust begins to have some."""
DROPPINGS = 0.0005
"""Chance a day of droppings that cost 1 to 4 %."""
FAR = 2.0
"""Standard deviations of a smooth term beyond which the site's facts may be told quite wrong."""
UNEXPLAINED = 1e-8
"""Likelihood of an index that nothing here explains, relative to the best."""
LONGEST = 6
"""Days in the longest step of the chain."""
LIKELY = 0.08
"""Chance of a wash from which a day is a step of its own or with its neighbours of like kind."""

LIGHT, HEAVY = 0, 1
"""A light rain takes off 10 to 60 % of the dirt, a heavy one 80 to 100 % (thresholds 5 to 10 mm in the literature)."""


def _spread(targets: Floats, weights: Floats) -> Floats:
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
def _growth(half_days: int) -> Floats32:
    """Growth over some half days at each rate, shape (rates, S, S)."""
    days = half_days / 2
    out = []
    for rate in RATES:
        grown = _spread(GRID[:, None] + rate * days * np.array([0.75, 1.0, 1.25])[None, :], np.array([0.25, 0.5, 0.25]))
        dropped = _spread(GRID[:, None] + np.array([0.015, 0.03]), np.array([0.6, 0.4]))
        chance = DROPPINGS * days
        out.append((1 - chance) * grown + chance * dropped)
    return np.stack(out).astype(np.float32)


@lru_cache(maxsize=64)
def _rate_walk(half_days: int, change: float) -> Floats32:
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


LIGHT_WASH = _spread(GRID[:, None] * (1 - np.linspace(0.1, 0.6, 6))[None, :], np.full(6, 1 / 6))
HEAVY_WASH = _spread(
    GRID[:, None] * (1 - np.array([0.75, 0.85, 0.9, 0.95, 0.99]))[None, :], np.array([0.1, 0.2, 0.3, 0.25, 0.15])
)
VISIT = _spread(
    GRID[:, None] * (1 - np.array([0.0, 0.5, 0.9, 0.95, 0.99]))[None, :], np.array([0.02, 0.03, 0.25, 0.4, 0.3])
)


@lru_cache(maxsize=4096)
def _wash(light: float, heavy: float, visit: bool) -> Floats32:
    """A wash by rain with these chances, after a cleaning if there was one; shape (S, S)."""
    matrix = (1 - heavy) * ((1 - light) * np.eye(len(GRID)) + light * LIGHT_WASH) + heavy * HEAVY_WASH
    return np.asarray(VISIT @ matrix if visit else matrix, dtype=np.float32)


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
    """A known cleaning just before the step."""
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


def cut_steps(
    log_index: Floats,
    scatter: float | Floats,
    wash: Floats,
    visits: Ints,
    design: Floats,
    autocorrelation: float = 0.4,
    lasting: float = 0.0,
) -> Steps:
    """Cut days into steps of at most :data:`LONGEST` days, dry ones apart from those in which it may have rained.

    Parameters
    ----------
    log_index : ndarray (days,)
        NaN on refused days.
    scatter : float or ndarray (days,)
        Standard deviation of a day.
    wash : ndarray (days, 2)
        Chance of a light and a heavy wash on each day.
    visits : ndarray of int
        Days of known cleanings.
    design : ndarray (days, p)
    autocorrelation : float
        Of errors from one day to the next.
    lasting : float
        Standard deviation of an error that lasts for weeks: haze of a season, in a site alone.
    """
    count = len(log_index)
    wet = wash.sum(axis=1) > LIKELY
    # On a day of rain the loss is neither the one before nor the one after.
    good = np.isfinite(log_index) & (wash.sum(axis=1) < 0.3)
    visit_next = np.zeros(count + 1, dtype=bool)
    visit_next[np.clip(np.asarray(visits, dtype=np.int64) + 1, 0, count)] = True
    if len(visits):
        good[np.clip(visits, 0, count - 1)] = False
    first_days = [0]
    for day in range(1, count):
        length = day - first_days[-1]
        # Wet days with readings stand alone; those without join.
        apart = wet[day] != wet[day - 1] or (wet[day] and (good[day] or good[day - 1]))
        if visit_next[day] or apart or length >= LONGEST:
            first_days.append(day)
    first = np.array(first_days, dtype=np.int64)
    days = np.append(first[1:], count) - first
    owner = np.repeat(np.arange(len(first)), days)
    number = np.bincount(owner[good], minlength=len(first)).astype(float)
    precision = np.broadcast_to(1 / np.square(scatter), (count,))
    known = np.bincount(owner[good], weights=precision[good], minlength=len(first))
    total = np.bincount(owner[good], weights=(precision * np.where(good, log_index, 0.0))[good], minlength=len(first))
    y = np.where(number > 0, total / np.where(number > 0, known, 1.0), np.nan)
    # Haze lasts: neighbouring days repeat each other, within a step and from step to step.
    day_variance = np.where(number > 0, number / np.where(number > 0, known, 1.0), 1.0)
    rho = autocorrelation
    within = 1 + 2 * sum(rho**lag * np.clip(1 - lag / np.maximum(number, 1), 0, None) for lag in (1, 2, 3))
    variance = day_variance * within / np.maximum(number, 1) * (1 + rho / 2) + lasting**2
    dry = np.ones((len(first), 2))
    for kind in (LIGHT, HEAVY):
        np.multiply.at(dry[:, kind], owner, 1 - wash[:, kind])
    rows = np.stack([np.bincount(owner, weights=column, minlength=len(first)) / days for column in design.T], axis=1)
    return Steps(first, days, y, variance, 1 - dry[:, LIGHT], 1 - dry[:, HEAVY], visit_next[first], rows)


def _emission(steps: Steps, level: Floats, theta: Floats) -> Floats32:
    """Likelihood of each step's index, shape (n, levels, S): a normal with heavy tails for thin cloud, and a floor.

    What no state explains, a fault that was not found say, must not leave the chain without any state at all.
    """
    seen = np.isfinite(steps.y)
    mean = level[:, None] + theta @ steps.design.T
    error = (np.where(seen, steps.y, 0.0) - mean).T[:, :, None] + GRID
    square = error * error / np.where(seen, steps.variance, 1.0)[:, None, None]
    out = 0.94 * np.exp(-0.5 * square) + 0.02 * np.exp(-0.5 / 9 * square) + UNEXPLAINED
    out[~seen] = 1
    return np.asarray(out, dtype=np.float32)


@dataclass(frozen=True)
class _Pass:
    """A forward-backward pass; arrays of shape (n, rates, levels, S)."""

    before: Floats32
    """Filtered distribution just before each step's own growth and wash."""
    alpha: Floats32
    beta: Floats32
    gamma: Floats32
    evidence: Floats
    """Log evidence of each level, shape (levels,)."""


@dataclass(frozen=True)
class Resume:
    """Where a fit left the chain: enough to go on with new days."""

    state: Floats32
    """Filtered distribution at the middle of the last step, shape (rates, levels, S)."""
    half_days: int
    """Half days from there to the record's end."""
    log_share: Floats
    """Log weight of each level (levels,)."""
    level: Floats
    theta: Floats
    """Coefficients of the smooth terms by level (levels, p)."""
    theta_sd: float
    """Standard deviation that the smooth terms bring to the level now."""


def _initial(levels: int) -> Floats32:
    spread = 0.006 + RATES * 22
    initial = np.exp(-GRID[None, :] / spread[:, None]) * np.gradient(GRID)
    initial *= RATE_PRIOR[:, None] / initial.sum(axis=1, keepdims=True)
    return np.repeat(initial[:, None, :], levels, axis=1).astype(np.float32)


def _half_days(steps: Steps, before: int) -> list[int]:
    """Half days from the middle of each step to that of the next."""
    half = np.append(before, steps.days[:-1] + steps.days[1:])
    half[0] = before + steps.days[0]
    return [int(value) for value in half]


def _washes(steps: Steps) -> list[Floats32 | None]:
    return [
        _wash(round(float(light), 2), round(float(heavy), 2), bool(visit)) if light + heavy > 0.005 or visit else None
        for light, heavy, visit in zip(steps.light, steps.heavy, steps.visit, strict=True)
    ]


def _forward(
    start: Floats32, half: list[int], wash: list[Floats32 | None], likely: Floats32, rate_change: float
) -> tuple[Floats32, Floats32, Floats]:
    """Filter: states before and after each step (n, rates, levels, S), and log evidence by level."""
    n, levels, size = likely.shape
    rates = len(RATES)
    before = np.empty((n, rates, levels, size), np.float32)
    alpha = np.empty_like(before)
    evidence = np.zeros(levels)
    state = start
    for t in range(n):
        before[t] = state
        walked = _rate_walk(half[t], rate_change).T @ state.reshape(rates, -1)
        state = np.matmul(walked.reshape(state.shape), _growth(half[t]))
        matrix = wash[t]
        if matrix is not None:
            state = state @ matrix
        state = state * likely[t]
        norm = np.einsum("rms->m", state) + np.float32(1e-30)
        evidence += np.log(norm)
        state /= norm[None, :, None]
        alpha[t] = state
    return before, alpha, evidence


def _forward_backward(steps: Steps, likely: Floats32, rate_change: float) -> _Pass:
    n, levels, size = likely.shape
    rates = len(RATES)
    half, wash = _half_days(steps, 0), _washes(steps)
    before, alpha, evidence = _forward(_initial(levels), half, wash, likely, rate_change)
    beta = np.empty_like(before)
    back = np.ones((rates, levels, size), np.float32)
    for t in range(n - 1, -1, -1):
        beta[t] = back
        back = back * likely[t]
        matrix = wash[t]
        if matrix is not None:
            back = back @ matrix.T
        back = np.matmul(back, _growth(half[t]).transpose(0, 2, 1))
        back = (_rate_walk(half[t], rate_change) @ back.reshape(rates, -1)).reshape(back.shape)
        back *= (rates * size / (np.einsum("rms->m", back) + np.float32(1e-30)))[None, :, None]
    gamma = alpha * beta
    gamma /= np.einsum("nrms->nm", gamma)[:, None, :, None] + np.float32(1e-30)
    return _Pass(before, alpha, beta, gamma, evidence)


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
    likely = _emission(steps, resume.level, resume.theta)
    half = _half_days(steps, resume.half_days)
    _, alpha, evidence = _forward(resume.state, half, _washes(steps), likely, rate_change)
    score = resume.log_share + evidence
    share = np.exp(score - score.max())
    share /= share.sum()
    mixed = np.einsum("m,nrms->ns", share, alpha).astype(np.float64)
    last = np.einsum("m,rms->rs", share, alpha[-1])[:, None, :]
    state = np.matmul(last, _growth(int(steps.days[-1])))[:, 0, :].sum(axis=0).astype(np.float64)
    cumulative = np.cumsum(mixed, axis=1)
    low = LOSS[(cumulative < 0.05).sum(axis=1).clip(0, len(GRID) - 1)]
    high = LOSS[(cumulative < 0.95).sum(axis=1).clip(0, len(GRID) - 1)]
    owner = np.repeat(np.arange(len(steps.first)), steps.days)
    return Advance(
        loss_mean=(mixed @ LOSS)[owner],
        loss_low=low[owner],
        loss_high=high[owner],
        present_grid=_blur(state / state.sum(), resume.theta_sd),
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
        done = _forward_backward(steps, _emission(steps, levels, theta), rate_change)
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
        half, wash = _half_days(steps, 0), _washes(steps)
        scores = []
        for trial, _ in fits:
            likely = _emission(steps, coarse, trial)
            _, _, evidence = _forward(_initial(len(coarse)), half, wash, likely, rate_change)
            scores.append(np.logaddexp.reduce(evidence + _log_prior(trial, prior_mean, prior_sd)))
        theta, normal = fits[int(np.argmax(scores))]
    # The smooth terms follow the level smoothly: a parabola through the three, then all levels in one pass.
    level = center + np.arange(-0.04, 0.0601, 0.01)
    basis = np.linalg.solve(np.vander(coarse - center, 3), theta)
    theta = np.vander(level - center, 3) @ basis
    likely = _emission(steps, level, theta)
    done = _forward_backward(steps, likely, rate_change)
    score = done.evidence + _log_prior(theta, prior_mean, prior_sd)
    share = np.exp(score - score.max())
    share /= share.sum()

    mixed = np.einsum("m,nms->ns", share, done.gamma.sum(axis=1)).astype(np.float64)
    # Half a step lies between the last step's middle and now.
    last = np.einsum("m,rms->rs", share, done.gamma[-1], optimize=True)[:, None, :]
    now_state = np.matmul(last, _growth(int(steps.days[-1])))[:, 0, :].sum(axis=0).astype(np.float64)
    # Uncertainty of the smooth terms at the end, from the fit's own normal equations.
    cover = np.linalg.inv(normal[1])
    now_sd = float(np.sqrt(steps.design[-1] @ cover @ steps.design[-1] + present_sd**2))
    present = _blur(now_state / now_state.sum(), now_sd)
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
        matrix = _wash(round(float(steps.light[t]), 2), round(float(steps.heavy[t]), 2), bool(steps.visit[t]))
        half = int(steps.days[t - 1] + steps.days[t]) if t else int(steps.days[0])
        walked = (_rate_walk(half, rate_change).T @ done.before[t].reshape(len(RATES), -1)).reshape(
            done.before[t].shape
        )
        grown = np.matmul(walked, _growth(half))
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


def _blur(chance: Floats, sd: float) -> Floats:
    """Widen a distribution on the grid by a normal error; mass below zero gathers at zero."""
    if sd < 0.001:
        return chance
    offsets = np.linspace(-2, 2, 9)
    weights = np.exp(-0.5 * offsets**2)
    return np.asarray(chance @ _spread(GRID[:, None] + sd * offsets[None, :], weights / weights.sum()))


def quantiles(chance: Floats, grid: Floats, at: Floats) -> Floats:
    """Quantiles of a distribution on a grid, linear between grid points (half of each point's mass to its left)."""
    total = np.cumsum(chance) - 0.5 * chance
    return np.asarray(np.interp(at, total, grid))
