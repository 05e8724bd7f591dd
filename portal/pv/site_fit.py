"""One site made ready and its soiling fitted, the town's air taken out where it is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, astuple, dataclass, replace
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.answer import answer_of, no_answer
from portal.pv.arrays import Floats, Ints
from portal.pv.daily import EPOCH, Daily, Metering
from portal.pv.diagnosis import LevelStep, find_steps
from portal.pv.memory import Arrays, Facts, Memory, fingerprint
from portal.pv.orientation import as_seen
from portal.pv.performance import Index, performance_index, scatter_by_day
from portal.pv.quality import new_days, reduce_to_days
from portal.pv.rain import wash_chance
from portal.pv.readings import SiteReadings, until
from portal.pv.result import NORMAL_90, Assessment
from portal.pv.rises import find_rises
from portal.pv.said import Code, Said
from portal.pv.soiling import SoilingFit, fit
from portal.pv.spells import Errors, Record, Terms
from portal.pv.sun import GREGORIAN_YEAR
from portal.pv.verdict import too_little

ALONE = Errors(autocorrelation=0.4, lasting_sd=0.025, rate_change=0.0005, present_sd=0.013, lasting_spread=2e-4)
TOGETHER = Errors(autocorrelation=0.2, lasting_sd=0.008, rate_change=0.005, present_sd=0.007)
"""With the town's air taken out. No source; a fifth either way of autocorrelation or change of the rate of
:data:`ALONE` moves the mean error of the loss on the made fleet by 0.02 points at most; a fifth less of its present
error costs 4 % of the coverage. Its lasting error [log] counts each spell for itself, while haze of 1.5 % lasts over
three or so of them: so it stands for the root of that many, and each roof's own record moves it
(:mod:`portal.pv.lasting`). Tuned on made fleets: with 0.015 for all, usual lone roofs read a point and more too dirty;
with 0.025 for all, those with little haze half a point too clean. Twice the spread adds 0.1 points to the mean error of
usual lone roofs."""
TOGETHER_UNGAUGED = replace(TOGETHER, present_sd=0.013)
"""The same where no gauge tells of rain: dirt that all roofs gather alike passes for air, and air for dirt. Tuned on
made towns without a gauge, whose intervals held 71 of 100 with the other and hold 79 with this."""
LOOK_AGAIN = 1.5
"""Growth of a record from which slope and direction are looked at again [ratio of days]. Common practice, no source."""
OTHER_UNIT = (0.004, 3)
"""Ratio of production to expectation below and above which new days are in another unit. No source."""
SMOOTH_MEAN = (-0.006, 0.0, 0.0, 0.0, 0.0)
SMOOTH_SD = (0.004, 0.03, 0.02, 0.01, 0.01)
"""Mean and standard deviation, before the record speaks, of ageing [1/year] (Jordan et al. 2016, doi:10.1002/pip.2744)
and of the season's two harmonics [log] (no source)."""
STEP_SD = 0.03
"""Standard deviation [log] of a step of level about its size as found. No source."""


class PartOfRecord(ValueError):
    """What is remembered of a site is of no use, and its readings begin later: the whole record is needed."""

    def __init__(self, key: str) -> None:
        super().__init__(f"{key} is to be read anew, and its readings do not begin with its record")
        self.key = key


@dataclass(frozen=True)
class Prepared:
    """One site, ready for the soiling fit."""

    site: SiteReadings
    daily: Daily
    index: Index
    steps: tuple[LevelStep, ...]
    record: Record
    """Alone: no air taken out."""


@dataclass(frozen=True)
class SiteAir:
    """A town's air as one site sees it; arrays of shape (days,)."""

    log_dimming: Floats
    scatter: Floats
    """Standard deviation of a day's log index once the air is out."""
    own: float
    """The part of it that is the site's own."""
    middle: float
    """Common level of the town's residuals, which is not air (log)."""


def doubt_of(fitted: SoilingFit) -> Floats:
    """Standard deviation of a fit's log soiling by day, from its 90 % band.

    Parameters
    ----------
    fitted : SoilingFit
        With its band by day.

    Returns
    -------
    ndarray (days,)
        [log]
    """
    return np.asarray((np.log1p(-fitted.loss_low) - np.log1p(-fitted.loss_high)) / (2 * NORMAL_90))


def in_another_unit(rows: npt.NDArray[np.void]) -> bool:
    """Whether new rows look like another unit than the known ones.

    Parameters
    ----------
    rows : ndarray of DAY
        New days.

    Returns
    -------
    bool
        True when the whole record is to be read again.
    """
    bright = rows["bright"][np.isfinite(rows["bright"])]
    return bool(((bright > OTHER_UNIT[1]) | ((bright > 1e-6) & (bright < OTHER_UNIT[0]))).any())


def _known_days(site: SiteReadings, energy: pd.Series[float], memory: Memory | None) -> Daily | None:
    """Rows of known days from memory with the new ones after them; None when all must be read again."""
    if memory is None or memory.facts["made_of"] != fingerprint(site.array, site.interval_minutes):
        return None
    facts, array = memory.facts, as_seen(site.array, memory.seen)
    rows = new_days(array, energy, site.interval_minutes, memory.rows, Metering(**facts["meter"]))
    if len(memory.rows) + len(rows) > LOOK_AGAIN * facts["looked_at"]:
        return None  # a longer record shows the slope better
    return None if in_another_unit(rows) else memory.days_with(rows, site.interval_minutes)


def _begins(site: SiteReadings, memory: Memory) -> pd.Timestamp:
    """Midnight of the first day that is remembered, and a little more: the first hour may be dark."""
    return pd.Timestamp(EPOCH + timedelta(days=int(memory.rows["day"][0]) + 1), tz=site.array.tz)


def prepare(site: SiteReadings, as_of: date | None, memory: Memory | None = None) -> Prepared | Assessment:
    """Reduce a site's readings to what the fit works on, or say why there can be no estimate.

    Parameters
    ----------
    site : SiteReadings
        The readings and what is known of the site.
    as_of : date or None
        Last day that may be used; the record's last day by default.
    memory : Memory, optional
        Of the site's last assessment: days that it knows are not read again.

    Returns
    -------
    Prepared or Assessment
        An assessment when the record is too little.

    Raises
    ------
    ValueError
        For naive times.
    PartOfRecord
        When known days must be read again and their readings were not given.
    """
    energy = until(site, as_of)
    if not np.isfinite(energy.to_numpy(dtype=np.float64)).any():
        return no_answer(site, as_of or site.array.installed_on or EPOCH, Said(Code.NO_READINGS))
    daily = _known_days(site, energy, memory)
    if daily is None:
        if memory is not None and energy.index[0] > _begins(site, memory):
            raise PartOfRecord(site.key)
        daily = reduce_to_days(site.array, energy, site.interval_minutes)
    why = too_little(daily)
    if why is not None:
        return no_answer(site, as_of or daily.dates()[-1], why, daily)
    index = performance_index(daily)
    first, count = int(daily.days[0]), len(daily.rows)
    visits = {(visit - EPOCH).days - first for visit in site.visits}
    visit_days = np.array(sorted(day for day in visits if 0 <= day < count), dtype=np.int64)
    wash = wash_chance(daily, site.rain_mm)
    steps = _steps(daily, index, wash, visit_days)
    record = Record(
        log_index=index.log_index,
        scatter=scatter_by_day(index.scatter, daily.rows),
        wash=wash,
        visit_days=visit_days,
        expected_wh=daily["expected_wh"],
        terms=terms_of(daily.days, steps, int(daily.days[-1])),
    )
    return Prepared(site, daily, index, steps, record)


def _steps(daily: Daily, index: Index, wash: Floats, visit_days: Ints) -> tuple[LevelStep, ...]:
    """Steps of level, down and back and up for good, in the order of their days."""
    falls = find_steps(index.log_index, index.scatter, daily["expected_wh"], visit_days)
    level = index.log_index.copy()
    for step in falls:
        level[step.first : step.last + 1 if step.last is not None else None] -= step.size
    rises = find_rises(level, index.scatter, daily["expected_wh"], wash, visit_days)
    return tuple(sorted([*falls, *rises], key=lambda step: step.first))


def terms_of(days: Ints, steps: Sequence[LevelStep], now: int) -> Terms:
    """Ageing [1/year], two harmonics of the season, and steps of level, by day.

    Ageing of 0.6 % a year, give or take 0.4: the median and spread of Jordan et al. 2016 (doi:10.1002/pip.2744).

    Parameters
    ----------
    days : ndarray (days,)
        Days since 1970-01-01.
    steps : sequence of LevelStep
        Of level; a term each.
    now : int
        Day on which ageing counts nothing.

    Returns
    -------
    Terms
        With what is known before of each.
    """
    angle = 2 * np.pi * days / GREGORIAN_YEAR
    columns = [(days - now) / GREGORIAN_YEAR, np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)]
    mean = list(SMOOTH_MEAN)
    sd = list(SMOOTH_SD)
    for step in steps:
        inside = np.zeros(len(days))
        inside[step.first : step.last + 1 if step.last is not None else None] = 1
        columns.append(inside)
        mean.append(step.size)
        sd.append(STEP_SD)
    return Terms(np.stack(columns, axis=1), np.array(mean), np.array(sd))


def errors_of(in_town: bool, site: SiteReadings) -> Errors:
    """How a site's index errs.

    Parameters
    ----------
    in_town : bool
        Whether the town's air is out of it.
    site : SiteReadings
        For its rain gauge, and whether it counts by days: daily totals swing through the year with snow and shade that
        nobody sees in them, and dirt that no rain takes would explain that better than anything.

    Returns
    -------
    Errors
        Those of :data:`ALONE`, :data:`TOGETHER` or :data:`TOGETHER_UNGAUGED`.
    """
    errors = ALONE
    if in_town:
        errors = TOGETHER if site.rain_mm is not None and len(site.rain_mm) else TOGETHER_UNGAUGED
    return replace(errors, stubborn=0.0) if site.interval_minutes == 1440 else errors


def fit_site(
    prepared: Prepared, air: SiteAir | None, *, rounds: int = 3, start: Floats | None = None, with_gains: bool = True
) -> SoilingFit:
    """Fit the soiling of one site, the town's air taken out where it is known.

    Parameters
    ----------
    prepared : Prepared
        The site.
    air : SiteAir or None
        The town's air as it sees it; None where it is fitted alone.
    rounds, start, with_gains
        As for :func:`portal.pv.soiling.fit`.

    Returns
    -------
    SoilingFit
        What the chain says.
    """
    record = prepared.record
    if air is not None:
        record = replace(record, log_index=prepared.index.in_town - air.log_dimming, scatter=air.scatter)
    return fit(record, errors_of(air is not None, prepared.site), rounds=rounds, start=start, with_gains=with_gains)


def conclude(prepared: Prepared, air: SiteAir | None, neighbours: int, start: Floats | None = None) -> Assessment:
    """Fit the soiling and say what it means.

    Parameters
    ----------
    prepared : Prepared
        The site.
    air : SiteAir or None
        The town's air as it sees it; None where it is fitted alone.
    neighbours : int
        Sites whose air was taken out.
    start : ndarray (terms,), optional
        Coefficients to start from.

    Returns
    -------
    Assessment
        With its memory.
    """
    fitted = fit_site(prepared, air, start=start)
    result = answer_of(prepared.site, prepared.daily, prepared.steps, fitted, neighbours)
    return replace(result, memory=_remember(prepared, fitted, air, neighbours).to_bytes())


def _remember(prepared: Prepared, fitted: SoilingFit, air: SiteAir | None, neighbours: int) -> Memory:
    site, daily, index, resume = prepared.site, prepared.daily, prepared.index, fitted.resume
    log_index = prepared.record.log_index if air is None else index.in_town
    facts = Facts(
        made_of=fingerprint(site.array, site.interval_minutes),
        visits=sorted(visit.isoformat() for visit in site.visits),
        meter=asdict(daily.meter),
        unit_changes=daily.unit_changes_mended,
        clock_shifts=daily.clock_shifts_mended,
        noted=[asdict(note) for note in daily.notes],
        seen=None if daily.seen is None else astuple(daily.seen),
        looked_at=daily.looked_at,
        neighbours=neighbours,
        scatter=index.scatter,
        haze=asdict(index.haze),
        town_scatter=air.own if air is not None else None,
        middle=air.middle if air is not None else 0.0,
        steps=[(step.first, step.last, step.size) for step in prepared.steps],
        half_days=resume.half_days,
        theta_sd=resume.theta_sd,
        lasting_sd=resume.lasting_sd,
        rate=(fitted.rate.mean, fitted.rate.low, fitted.rate.high),
        mean_loss=fitted.mean_loss,
        falls=[(one.day, one.middle, one.low, one.high) for one in fitted.falls],
        gains=[(one.day, one.middle, one.low, one.high) for one in fitted.visits],
    )
    arrays = Arrays(
        state=resume.state,
        log_share=resume.log_share.astype(np.float32),
        level=resume.level.astype(np.float32),
        theta=resume.theta.astype(np.float32),
        present=fitted.present.astype(np.float32),
        loss_mean=fitted.loss_mean.astype(np.float32),
        loss_low=fitted.loss_low.astype(np.float32),
        loss_high=fitted.loss_high.astype(np.float32),
        smooth=fitted.smooth.astype(np.float32),
        residual=(log_index - fitted.smooth + fitted.log_mean).astype(np.float32),
        wash=prepared.record.wash.astype(np.float32),
    )
    return Memory(facts, daily.rows, arrays)
