"""One site made ready and its soiling fitted, the town's air taken out where it is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.answer import answer_of, no_answer
from portal.pv.diagnosis import Step, find_steps
from portal.pv.memory import Memory, fingerprint
from portal.pv.performance import Index, performance_index
from portal.pv.quality import EPOCH, USED, Daily, Meter, new_days
from portal.pv.quality import daily as reduce_to_days
from portal.pv.rain import wash_chance
from portal.pv.readings import SiteReadings, until
from portal.pv.result import Assessment
from portal.pv.soiling import Fit, fit
from portal.pv.spells import cut_steps

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LEAST_DAYS = 45
ALONE = (0.4, 0.0005, 0.015, 0.012)
"""How much a day's error lasts to the next (autocorrelation), the chance a day that the soiling rate moves, the
standard deviation of errors that last for weeks, and that which the present loss has besides."""
TOGETHER = (0.2, 0.005, 0.008, 0.007)
"""The same with the town's air taken out."""
LEAST_CLEAR_DAYS = 20


@dataclass(frozen=True)
class Prepared:
    """One site, ready for the soiling fit."""

    site: SiteReadings
    daily: Daily
    index: Index
    steps: tuple[Step, ...]
    visit_days: Ints
    wash: Floats
    """Chance of a light and a heavy wash by day, shape (days, 2)."""


@dataclass(frozen=True)
class SiteAir:
    """A town's air as one site sees it; arrays of shape (days,)."""

    log_dimming: Floats
    scatter: Floats
    """Standard deviation of a day once the air is out."""
    own: float
    """The part of it that is the site's own."""
    middle: float


def doubt_of(fitted: Fit) -> Floats:
    """Standard deviation of a fit's log soiling by day, from its 90 % band."""
    return np.asarray((np.log1p(-fitted.loss_low) - np.log1p(-fitted.loss_high)) / (2 * 1.645))


def is_odd(rows: npt.NDArray[np.void]) -> bool:
    """Whether new rows look like another unit: then the whole record is read again."""
    bright = rows["bright"][np.isfinite(rows["bright"])]
    return bool(((bright > 3) | ((bright > 1e-6) & (bright < 0.004))).any())


def known_days(site: SiteReadings, energy: pd.Series[float], memory: Memory | None) -> Daily | None:
    """Rows of known days from memory with the new ones after them; None when all must be read again."""
    if memory is None or memory.facts["made_of"] != fingerprint(site.array, site.interval_minutes):
        return None
    facts = memory.facts
    meter = Meter(**facts["meter"])
    rows = new_days(site.array, energy, site.interval_minutes, memory.rows, meter)
    if is_odd(rows):
        return None
    return Daily(
        np.concatenate([memory.rows, rows]),
        site.interval_minutes,
        facts["unit_changes"],
        facts["clock_shifts"],
        meter,
        tuple(facts["notes"]),
    )


def prepare(site: SiteReadings, as_of: date | None, memory: Memory | None = None) -> Prepared | Assessment:
    energy = until(site, as_of)
    if not np.isfinite(energy.to_numpy(dtype=np.float64)).any():
        return no_answer(site, as_of or site.array.installed_on or EPOCH, "There are no readings yet.")
    daily = known_days(site, energy, memory) or reduce_to_days(site.array, energy, site.interval_minutes)
    last = as_of or daily.dates()[-1]
    if len(daily.rows) < LEAST_DAYS:
        return no_answer(
            site, last, f"The record holds {len(daily.rows)} days; an estimate needs at least {LEAST_DAYS}.", daily
        )
    used = int((daily.rows["flag"] == USED).sum())
    if used < LEAST_CLEAR_DAYS:
        return no_answer(
            site, last, f"Only {used} days had enough clear sky; an estimate needs {LEAST_CLEAR_DAYS}.", daily
        )
    index = performance_index(daily)
    first = int(daily.days[0])
    visit_days = np.array(
        sorted({v for v in ((visit - EPOCH).days - first for visit in site.visits) if 0 <= v < len(daily.rows)}),
        dtype=np.int64,
    )
    return Prepared(
        site,
        daily,
        index,
        tuple(find_steps(index.log_index, index.scatter, daily["expected_wh"])),
        visit_days,
        wash_chance(daily, site.rain_mm),
    )


def design_of(days: Ints, steps: Sequence[Step], now: int) -> tuple[Floats, Floats, Floats]:
    """Smooth terms by day: ageing [1/year], two harmonics of season, steps of level; with prior mean and sd.

    Ageing of 0.6 % a year, give or take 0.4: the median and spread of Jordan et al. 2016 (doi:10.1002/pip.2744).
    """
    angle = 2 * np.pi * days / 365.2425
    columns = [(days - now) / 365.2425, np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)]
    mean = [-0.006, 0.0, 0.0, 0.0, 0.0]
    sd = [0.004, 0.03, 0.02, 0.01, 0.01]
    for step in steps:
        inside = np.zeros(len(days))
        inside[step.first : step.last + 1 if step.last is not None else None] = 1
        columns.append(inside)
        mean.append(step.size)
        sd.append(0.03)
    return np.stack(columns, axis=1), np.array(mean), np.array(sd)


def fit_site(
    prepared: Prepared, air: SiteAir | None, rounds: int, start: Floats | None = None, falls: bool = True
) -> Fit:
    """Fit the soiling of one site, the town's air taken out where it is known."""
    days = prepared.daily.days
    design, mean, sd = design_of(days, prepared.steps, int(days[-1]))
    if air is None:
        log_index, scatter = prepared.index.log_index, np.array(prepared.index.scatter)
        rho, change, lasting, present_sd = ALONE
    else:
        log_index, scatter = prepared.index.log_index - air.log_dimming, air.scatter
        rho, change, lasting, present_sd = TOGETHER
    steps = cut_steps(log_index, scatter, prepared.wash, prepared.visit_days, design, rho, lasting)
    return fit(
        steps,
        mean,
        sd,
        design,
        prepared.daily["expected_wh"],
        prepared.visit_days,
        rounds=rounds,
        rate_change=change,
        present_sd=present_sd,
        start=start,
        falls=falls,
    )


def conclude(prepared: Prepared, air: SiteAir | None, neighbours: int, start: Floats | None = None) -> Assessment:
    """Fit the soiling and say what it means."""
    fitted = fit_site(prepared, air, rounds=3, start=start)
    result = answer_of(prepared.site, prepared.daily, prepared.steps, fitted, neighbours)
    return replace(result, memory=_remember(prepared, fitted, air, neighbours).to_bytes())


def _remember(prepared: Prepared, fitted: Fit, air: SiteAir | None, neighbours: int) -> Memory:
    site, daily, index = prepared.site, prepared.daily, prepared.index
    facts = {
        "made_of": fingerprint(site.array, site.interval_minutes),
        "visits": sorted(visit.isoformat() for visit in site.visits),
        "meter": asdict(daily.meter),
        "unit_changes": daily.unit_changes_mended,
        "clock_shifts": daily.clock_shifts_mended,
        "notes": list(daily.notes),
        "neighbours": neighbours,
        "scatter": index.scatter,
        "haze_gain": index.haze_gain,
        "haze_level": index.haze_level,
        "town_scatter": air.own if air is not None else None,
        "middle": air.middle if air is not None else 0.0,
        "steps": [[step.first, step.last, step.size] for step in prepared.steps],
        "half_days": fitted.resume.half_days,
        "theta_sd": fitted.resume.theta_sd,
        "level": fitted.level,
        "rate": fitted.rate,
        "rate_low": fitted.rate_low,
        "rate_high": fitted.rate_high,
        "mean_loss": fitted.mean_loss,
        "drops": [list(drop) for drop in fitted.drops],
        "gains": [[day, *gain] for day, gain in fitted.visits.items()],
    }
    arrays = {
        "state": fitted.resume.state,
        "log_share": fitted.resume.log_share,
        "level": fitted.resume.level,
        "theta": fitted.resume.theta,
        "present": fitted.present_grid,
        "loss_mean": fitted.loss_mean,
        "loss_low": fitted.loss_low,
        "loss_high": fitted.loss_high,
        "smooth": fitted.smooth,
    }
    return Memory(facts, daily.rows, {name: np.asarray(values, dtype=np.float32) for name, values in arrays.items()})
