"""Soiling from a daily performance index: drift, recoveries, ratio and rate with intervals.

The log index is modelled as

    log index(day) = level + season(day) + ageing(day) + steps(day) − soiling(day) + haze and scatter

with soiling never negative, growing at a rate that changes slowly, and falling back only where rain or a cleaning may
have washed. What a rain takes is learned on each roof: that rain works there, or that it hardly does, are hypotheses
beside those of the clean level. Soiling and its rate are a hidden Markov chain on a grid: a forward-backward pass gives
their whole distribution on each day. The clean level is run over a grid of hypotheses at once, the smooth terms are
fitted inside each by expectation-maximisation and shrunk towards what the trade knows of them, and the hypotheses are
weighted by how well they explain the record. Intervals are quantiles of that mixture.

Rate and recovery after Deceglie, Micheli and Muller 2018 (doi:10.1109/JPHOTOV.2017.2784682); ageing and soiling in one
model after Skomedal and Deceglie 2020 (doi:10.1109/JPHOTOV.2020.3018219); accumulation and wash-off by rain after
Kimber et al. 2006 (doi:10.1109/WCPEC.2006.279690); forward-backward and expectation-maximisation after Rabiner 1989
(doi:10.1109/5.18626).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from portal.pv.arrays import Floats
from portal.pv.bands import Rate, at_the_end, band_of, rate_of
from portal.pv.chain import (
    EDGE,
    Resume,
    forward,
    forward_backward,
    initial_state,
    normalised,
)
from portal.pv.emission import emission
from portal.pv.gains import Gain, Weighed, falls, gains_of_visits
from portal.pv.lasting import lasting_sd
from portal.pv.moves import GRID, RAIN_PRIOR, blur
from portal.pv.record_moves import Moves, moves_of
from portal.pv.spells import RAINED, Errors, Record, Spells, Terms, cut_spells

MISTOLD_SD = 2.0
"""Standard deviations of a smooth term beyond which the site's facts may be told quite wrong. No source; a fifth more
takes 0.04 points off the mean error of the loss on the made fleet, a fifth less nothing."""
CLEAN_QUANTILE = 0.75
"""Quantile of the spells' index about which the clean level is looked for: mostly a roof is dirtier than clean. A share
of the spells. No source; with a fifth more or less doubt the mean error of the loss on the made fleet moves by 0.06
points at most."""
LEVELS = 17
"""Clean levels that are weighed against each other, points of a grid. Tuned on a made street: with 11 a roof fitted
beside neighbours whose fits stand has an interval up to 28 % wider than one fitted with them, with 17 up to 7 %; the
errors of the development fleet are the same."""
BELOW, ABOVE = 0.04, 0.06
"""How far below and above that quantile the clean level is looked for at least [log]; farther above where the best
spells lie higher, as on a roof that is heavily soiled most of the time. No source."""
BEST_QUANTILE = 0.97
"""Quantile of the spells' index that counts as their best. A share of the spells. No source."""
SPARE = 0.05
"""Loss [log] beyond the heaviest that any spell shows up to which the chain is followed first: for the season that the
prior does not know and what grows unseen. No source; where it is not enough, all of the grid is taken."""
NOTHING = 1e-6
"""Chance of a loss at the end of what is followed that is let pass: less than moves any figure that is told. No source;
with it one fit in ten of the made fleet is done again with all of the grid, with a tenth of it one in four."""
FEWEST_POINTS, BY_POINTS = 40, 8
"""Points of the grid that are followed at least, up to a third of the yield, and those that the processor takes at
once. No source: they move no figure, only how long a fit takes."""
HEAVY_TAILS = 12.0
"""Square of an error, in [variances], at which a spell counts half in the smooth terms. No source; a fifth either way
changes no figure of the made fleet (``tests/pv/sensitivity.py``)."""


@dataclass(frozen=True)
class SoilingFit:
    """What the chain says of a record; arrays by day have shape (days,)."""

    log_mean: Floats
    """Mean of the log soiling loss by day."""
    loss_mean: Floats
    loss_low: Floats
    loss_high: Floats
    """Mean, 5 % and 95 % point of the soiling loss by day."""
    present: Floats
    """Distribution of the present loss over :data:`portal.pv.moves.LOSS`."""
    rate: Rate
    """Soiling rate now."""
    falls: list[Gain]
    """Falls of the loss found in the data that no known visit explains."""
    visits: list[Gain]
    """Gain of each known visit that the record tells of."""
    mean_loss: float
    smooth: Floats
    """Level, season, ageing and steps of level by day (log)."""
    theta: Floats
    """Coefficients of the smooth terms, shape (terms,)."""
    resume: Resume

    @property
    def rain_hardly_washes(self) -> float:
        """Chance that rain takes hardly anything on this roof."""
        share = normalised(self.resume.log_share)
        return float(share[len(share) // 2 :].sum())


@dataclass(frozen=True)
class Advance:
    """What new days add; arrays by new day have shape (days,)."""

    loss_mean: Floats
    loss_low: Floats
    loss_high: Floats
    present: Floats
    rate: Rate
    smooth: Floats


def advance(resume: Resume, record: Record, errors: Errors) -> Advance:
    """Go on from a fit with new days only: a filter, which the next full fit will smooth.

    Parameters
    ----------
    resume : Resume
        Of the last full fit.
    record : Record
        Of the new days alone, at least one, without visits.
    errors : Errors
        How the site's index errs.

    Returns
    -------
    Advance
        By new day.
    """
    if resume.lasting_sd is not None and errors.lasting_spread:
        errors = replace(errors, lasting_sd=resume.lasting_sd)
    spells = cut_spells(record, errors)
    likely = emission(spells, resume.level, resume.theta)
    alpha, evidence = forward(resume.state, moves_of(spells, resume.half_days, errors.rate_change), likely)
    share = normalised(resume.log_share + evidence)
    by_loss = np.einsum("m,nrms->ns", share, alpha).astype(np.float64)
    now, by_rate = at_the_end(alpha[-1], share, int(spells.days[-1]))
    mean, low, high = band_of(by_loss)
    owner = np.repeat(np.arange(len(spells.first)), spells.days)
    return Advance(
        loss_mean=mean[owner],
        loss_low=low[owner],
        loss_high=high[owner],
        present=blur(now, resume.theta_sd),
        rate=rate_of(by_rate),
        smooth=share @ (resume.level[:, None] + resume.theta @ record.terms.by_day.T),
    )


def fit(
    record: Record, errors: Errors, *, rounds: int = 3, start: Floats | None = None, with_gains: bool = True
) -> SoilingFit:
    """Fit the chain to one site.

    Parameters
    ----------
    record : Record
        The site's days.
    errors : Errors
        How its index errs.
    rounds : int
        Rounds of expectation-maximisation, the last of them over all levels.
    start : ndarray (terms,), optional
        Coefficients of the smooth terms to start from; by default the prior's, or the index's own where they explain it
        better.
    with_gains : bool
        Whether to work out what visits and rains gained.

    Returns
    -------
    SoilingFit
        What the chain says.

    Raises
    ------
    ValueError
        When no day of the record counts.
    """
    spells = cut_spells(record, errors)
    if not np.isfinite(spells.y).any():
        raise ValueError("no day of the record counts; there is nothing to fit")
    weighed, level, theta, normal, lasting = _weigh(spells, record, errors, start=start, rounds=rounds)
    done = weighed.done
    # What the smooth terms leave open at the end, from the fit's own normal equations.
    now_sd = float(np.sqrt(spells.terms[-1] @ np.linalg.inv(normal) @ spells.terms[-1] + errors.present_sd**2))
    now, by_rate = at_the_end(done.last(), done.share, int(spells.days[-1]))
    by_loss = weighed.log_loss()
    mean, low, high = band_of(by_loss)
    middle, every = spells.first + (spells.days - 1) / 2, np.arange(len(record.log_index))
    loss_mean = np.interp(every, middle, mean)
    usable = np.isfinite(record.expected_wh)
    return SoilingFit(
        log_mean=np.interp(every, middle, by_loss @ GRID),
        loss_mean=loss_mean,
        loss_low=np.interp(every, middle, low),
        loss_high=np.interp(every, middle, high),
        present=blur(now, now_sd),
        rate=rate_of(by_rate),
        falls=falls(weighed) if with_gains else [],
        visits=gains_of_visits(weighed, record.visit_days.tolist()) if with_gains else [],
        mean_loss=float((loss_mean * record.expected_wh)[usable].sum() / record.expected_wh[usable].sum()),
        smooth=done.share @ (level[:, None] + theta @ record.terms.by_day.T),
        theta=done.share @ theta,
        resume=_resume(weighed, level, theta, now_sd, lasting if errors.lasting_spread else None),
    )


def _weigh(
    spells: Spells, record: Record, errors: Errors, *, start: Floats | None, rounds: int
) -> tuple[Weighed, Floats, Floats, Floats, float]:
    """Pass over a record, and :func:`_terms_by_level` for it."""
    for points in sorted({_points(spells, record.terms), len(GRID)}):
        moves = moves_of(spells, 0, errors.rate_change, points)
        level, theta, normal, lasting = _terms_by_level(spells, moves, record, errors, start=start, rounds=rounds)
        told = _with_lasting(spells, errors.lasting_sd, lasting)
        likely = emission(told, level, theta)
        done = forward_backward(moves, likely, _log_prior(theta, record.terms, errors.stubborn))
        if done.at_the_last_points() <= NOTHING:
            break
    return Weighed(told, likely, done, done.share, errors.rate_change), level, theta, normal, lasting


def _resume(weighed: Weighed, level: Floats, theta: Floats, now_sd: float, lasting: float | None) -> Resume:
    """Where a fit leaves the chain."""
    return Resume(
        state=weighed.done.last(),
        half_days=int(weighed.spells.days[-1]),
        log_share=np.log(weighed.share + 1e-30),
        level=level,
        theta=theta,
        theta_sd=now_sd,
        lasting_sd=lasting,
    )


def _terms_by_level(
    spells: Spells, moves: Moves, record: Record, errors: Errors, *, start: Floats | None, rounds: int
) -> tuple[Floats, Floats, Floats, float]:
    """Clean levels to weigh (levels,), smooth terms of each (levels, terms), their normal equations, lasting error."""
    level = _levels(_without_terms(spells, record.terms))
    middle = level[LEVELS // 2]
    # The smooth terms follow the level smoothly: a parabola through three, then all levels in one pass.
    few = level[1 : LEVELS - 1 : (LEVELS - 3) // 2]
    rains = len(RAIN_PRIOR)
    coarse, normal, lasting = _Search(spells, moves, record, errors, np.tile(few, rains)).smooth_terms(start, rounds)
    onto = np.vander(level - middle, 3) @ np.linalg.inv(np.vander(few - middle, 3))
    theta = np.concatenate([onto @ part for part in np.split(coarse, rains)])
    return np.tile(level, rains), theta, normal[1], lasting


def _points(spells: Spells, terms: Terms) -> int:
    """First points of the grid that hold all losses which this record may show."""
    y = _without_terms(spells, terms)
    heaviest = _levels(y)[-1] - y.min() + SPARE
    points = int(np.searchsorted(GRID, heaviest)) + EDGE
    return min(len(GRID), max(FEWEST_POINTS, -(-points // BY_POINTS) * BY_POINTS))


def _without_terms(spells: Spells, terms: Terms) -> Floats:
    """Index of the spells that tell one, less what is known before of the smooth terms."""
    return (spells.y - spells.terms @ terms.prior_mean)[np.isfinite(spells.y)]


def _levels(y: Floats) -> Floats:
    """Clean levels to weigh, shape (:data:`LEVELS`,), from the index of spells with clear days."""
    center, best = np.quantile(y, [CLEAN_QUANTILE, BEST_QUANTILE])
    return np.linspace(center - BELOW, center + max(ABOVE, best - center + ABOVE / 6), LEVELS)


def _weighted(spells: Spells) -> tuple[Floats, Floats]:
    """Index of each spell and its precision, both 0 without clear days; arrays (n,)."""
    seen = np.isfinite(spells.y)
    return np.where(seen, spells.y, 0.0), np.where(seen, 1 / spells.variance, 0.0)


def _with_lasting(spells: Spells, before: float, after: float) -> Spells:
    """Spells with another lasting error [log] than they were cut with."""
    return replace(spells, variance=spells.variance - before**2 + after**2)


@dataclass(frozen=True)
class _Search:
    """Where the smooth terms are looked for: at a few levels (levels,)."""

    spells: Spells
    moves: Moves
    record: Record
    errors: Errors
    levels: Floats

    def smooth_terms(self, start: Floats | None, rounds: int) -> tuple[Floats, Floats, float]:
        """Coefficients by level (levels, terms), their normal equations (levels, terms, terms), lasting error."""
        if start is not None:
            return self._from(start, rounds)
        # A slope told wrong by ten or twenty degrees swings the index through the year as much as heavy dirt does, and
        # a fit that starts from no season takes all of it for dirt. Where the index swings that far, both are tried.
        found = [self._from(self.record.terms.prior_mean, rounds)]
        own = self._season_of_its_own()
        if (np.abs(own - self.record.terms.prior_mean) > MISTOLD_SD * self.record.terms.prior_sd).any():
            found.append(self._from(own, rounds))
            return found[int(np.argmax([self._score(theta, found[0][2]) for theta, _, _ in found]))]
        return found[0]

    def _season_of_its_own(self) -> Floats:
        """Coefficients (terms,) if all that moves smoothly were theirs and nothing dirt's."""
        y, precision = _weighted(self.spells)
        columns = np.column_stack([np.ones(len(y)), self.spells.terms])
        pull = np.concatenate([[0.0], 1 / self.record.terms.prior_sd**2])
        right = columns.T @ (precision * y) + pull * np.concatenate([[0.0], self.record.terms.prior_mean])
        return np.asarray(np.linalg.solve(columns.T @ (precision[:, None] * columns) + np.diag(pull), right)[1:])

    def _from(self, start: Floats, rounds: int) -> tuple[Floats, Floats, float]:
        """Expectation-maximisation from one start."""
        columns, pull = self.spells.terms, 1 / self.record.terms.prior_sd**2
        grid = GRID.astype(np.float32)
        theta = np.tile(start, (len(self.levels), 1))
        normal = np.tile(np.diag(pull), (len(self.levels), 1, 1))
        spells, lasting = self.spells, self.errors.lasting_sd
        for _ in range(rounds - 1):
            y, precision = _weighted(spells)
            done = forward_backward(self.moves, emission(spells, self.levels, theta))
            mean_x = (done.by_loss @ grid).T.astype(np.float64)  # (levels, n)
            target = y + mean_x - self.levels[:, None]
            rest = target - theta @ columns.T
            weight = precision / (1 + rest * rest * precision / HEAVY_TAILS)
            normal = np.einsum("mn,np,nq->mpq", weight, columns, columns, optimize=True) + np.diag(pull)
            right = (weight * target) @ columns + self.record.terms.prior_mean * pull
            theta = np.linalg.solve(normal, right[..., None])[..., 0]
            lasting = self._lasting(mean_x, theta, done.evidence)
            spells = _with_lasting(self.spells, self.errors.lasting_sd, lasting)
        return theta, normal, lasting

    def _lasting(self, mean_x: Floats, theta: Floats, evidence: Floats) -> float:
        """Lasting error [log], from what a round leaves of the days."""
        if not self.errors.lasting_spread:
            return self.errors.lasting_sd
        owner = np.repeat(np.arange(len(self.spells.first)), self.spells.days)
        counts = self.record.wash.sum(axis=1) < RAINED
        made = self.levels[:, None] + theta @ self.record.terms.by_day.T - mean_x[:, owner]
        share = normalised(evidence + _log_prior(theta, self.record.terms, self.errors.stubborn))
        rest = np.where(counts, self.record.log_index - made, np.nan)
        return lasting_sd(rest, share, self.record.scatter, self.errors)

    def _score(self, theta: Floats, lasting: float) -> float:
        """Log evidence of coefficients, all levels together."""
        likely = emission(_with_lasting(self.spells, self.errors.lasting_sd, lasting), self.levels, theta)
        _, evidence = forward(initial_state(len(self.levels)), self.moves, likely)
        return float(np.logaddexp.reduce(evidence + _log_prior(theta, self.record.terms, self.errors.stubborn)))


def _log_prior(theta: Floats, terms: Terms, stubborn: float) -> Floats:
    """Log prior of the smooth terms and of what a rain does, by level (levels,)."""
    with np.errstate(divide="ignore"):  # no chance at all is minus infinity, and weighs nothing
        rain = np.repeat(np.log([1 - stubborn, stubborn]), len(theta) // len(RAIN_PRIOR))
    return np.asarray(rain - 0.5 * (((theta - terms.prior_mean) / terms.prior_sd) ** 2).sum(axis=1))
