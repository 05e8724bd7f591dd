"""The pipeline: readings and site facts in, one frozen result out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import date, timedelta
from enum import StrEnum

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.air import companions, exposure, shared_air
from portal.pv.array import Array
from portal.pv.diagnosis import LEAST_STEP_DAYS, Step, find_shade, find_steps, is_freezing, off_since
from portal.pv.due import clean_due
from portal.pv.effect import recoveries, visit_gains
from portal.pv.memory import FULL_FIT_EVERY, Memory, fingerprint, from_bytes
from portal.pv.performance import Index, new_index, performance_index
from portal.pv.quality import EPOCH, GAPS, NO_READINGS, REFUSED, USED, Daily, Meter, new_days
from portal.pv.quality import daily as reduce_to_days
from portal.pv.sentences import percent
from portal.pv.soiling import LOSS, Fit, Resume, advance, cut_steps, fit
from portal.pv.soiling import quantiles as loss_quantiles

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

QUANTILES = tuple(round(0.05 + 0.1 * i, 2) for i in range(10))
LEAST_DAYS = 45
ALONE = (0.4, 0.0005, 0.015, 0.012)
"""How much a day's error lasts to the next (autocorrelation), the chance a day that the soiling rate moves, the
standard deviation of errors that last for weeks, and that which the present loss has besides."""
TOGETHER = (0.2, 0.005, 0.008, 0.007)
"""The same with the town's air taken out."""
LEAST_CLEAR_DAYS = 20
TOLD_LOSS = 0.025
"""Loss below which nobody is told to wash."""
SURE = 0.90
SURE_ALONE = 0.8
"""Chance that the loss exceeds :data:`TOLD_LOSS` from which the verdict is "soiling", in a town and alone: tuned on
planted sites so that hardly any clean one is told so: a wrong "you are dirty" costs more than a missed one."""


PERHAPS = 0.25
"""Chance of a loss twice as large from which nobody is told that the modules are clean either."""


class Verdict(StrEnum):
    """What the readings say of a site."""

    SOILING = "soiling"
    CLEAN = "clean"
    OTHER_FAULT = "other fault"
    NOT_ENOUGH_DATA = "not enough data"


class Cause(StrEnum):
    """What an "other fault" is: something no wash will mend."""

    STRING_LOSS = "string_loss"
    OUTAGE = "outage"
    SHADING = "shading"
    SNOW = "snow"
    DEGRADATION = "degradation"
    METER = "meter"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Band:
    """A 90 % interval, low to high."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Cleaning:
    """A known visit and what it gained: loss before minus loss after, as a fraction of clean yield.

    ``gain`` and ``gain_ci`` are None while the readings cannot say.
    """

    date: date
    gain: float | None
    gain_ci: Band | None


@dataclass(frozen=True, slots=True)
class Recovery:
    """A fall of the loss found in the data (rain, or a cleaning nobody told of)."""

    date: date
    gain: float
    gain_ci: Band


@dataclass(frozen=True, slots=True)
class DataQuality:
    """What the readings were worth."""

    days: int
    gap_days: int
    clear_days: int
    clear_days_last_30: int
    duplicates_dropped: int
    unit_changes_mended: int
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SiteReadings:
    """One site's input to an assessment.

    Parameters
    ----------
    array : Array
    energy_wh : pd.Series
        Energy per interval [Wh], index the interval *starts*, tz-aware UTC, regular grid; NaN where missing.
        Daily totals have their local midnights as index.
    interval_minutes : int
        5, 10, 15, 30, 60, or 1440 for daily totals.
    visits : sequence of date
        Known cleanings, local dates.
    rain_mm : pd.Series or None
        Daily rain [mm] by local date; None where no gauge is known.
    key : str
        Whatever the caller wants to find the site by.
    """

    array: Array
    energy_wh: pd.Series[float]
    interval_minutes: int
    visits: Sequence[date] = ()
    rain_mm: pd.Series[float] | None = None
    key: str = ""


@dataclass(frozen=True)
class Assessment:
    """What the readings say of one site. Losses and gains are fractions of the clean yield.

    ``daily`` has one row a local day (``datetime.date`` index) with the columns
    ``energy_wh`` and ``expected_wh`` (clear-sky expected energy of the whole day), ``index`` (daily performance
    index, about 1 when clean and healthy; NaN on refused days), ``used`` (bool), ``refused`` (reason, "" when
    used), ``soiling_ratio``, ``soiling_ratio_low``, ``soiling_ratio_high`` (fitted line and its 90 % band).
    """

    as_of: date
    verdict: Verdict
    cause: Cause | None
    cause_began: date | None
    present_loss: float | None
    present_loss_ci: Band | None
    mean_loss: float | None
    soiling_rate_per_day: float | None
    soiling_rate_ci: Band | None
    soiling_since: date | None
    clean_due: date | None
    reasons: tuple[str, ...]
    cleanings: tuple[Cleaning, ...]
    recoveries: tuple[Recovery, ...]
    data_quality: DataQuality
    neighbours: int
    loss_quantiles: tuple[float, ...]
    """Quantiles 0.05, 0.15 … 0.95 of the present loss; empty when there is no estimate."""
    daily: pd.DataFrame = field(repr=False)
    memory: bytes = field(default=b"", repr=False)
    """Keep it beside the result and hand it back as ``previous``: then a new day costs milliseconds."""

    def chance_loss_exceeds(self, loss: float) -> float:
        """Chance (0 to 1) that the present loss exceeds ``loss``; 0 when there is no estimate.

        Interpolated between ``loss_quantiles``; the tails are straight lines that end as far out as the neighbouring
        quantiles are apart.
        """
        if not self.loss_quantiles:
            return 0.0
        points = np.asarray(self.loss_quantiles)
        at = np.asarray(QUANTILES)
        points = np.concatenate([[2 * points[0] - points[1] - 1e-9], points, [2 * points[-1] - points[-2] + 1e-9]])
        points = np.maximum.accumulate(points + np.arange(points.size) * 1e-9)
        return float(1 - np.interp(loss, points, np.concatenate([[0.0], at, [1.0]])))


@dataclass(frozen=True)
class _Prepared:
    """One site, ready for the soiling fit."""

    site: SiteReadings
    daily: Daily
    index: Index
    steps: tuple[Step, ...]
    visit_days: Ints
    wash: Floats
    """Chance of a light and a heavy wash by day, shape (days, 2)."""


def assess(site: SiteReadings, *, as_of: date | None = None, previous: bytes = b"") -> Assessment:
    """Assess one site on its own readings.

    Parameters
    ----------
    site : SiteReadings
        With ``previous`` the readings may begin at any day up to the first new one.
    as_of : date, optional
        Last day that may be used; the record's last day by default.
    previous : bytes, optional
        ``memory`` of this site's last assessment. Do not pass it when readings of days it knew have changed.

    Raises
    ------
    ValueError
        For naive times.
    """
    return assess_town([site], as_of=as_of, previous=[previous])[0]


def assess_town(
    sites: Sequence[SiteReadings], *, as_of: date | None = None, previous: Sequence[bytes] = ()
) -> list[Assessment]:
    """Assess sites under the same sky together; results in the order given.

    Each site is fitted alone first; what the residuals of all have in common on a day is the town's air
    (:mod:`portal.pv.air`), which is taken out, and the sites are fitted again. A site whose days do not go with the
    others' is assessed on its own. With every site's ``memory`` as ``previous`` only new days are worked on.
    """
    rain = _town_rain(sites)
    sites = [replace(site, rain_mm=rain) for site in sites]
    memories = [from_bytes(data) if data else None for data in previous] or [None] * len(sites)
    quick = _go_on(sites, memories, as_of)
    if quick is not None:
        return quick
    prepared = [_prepare(site, as_of, memory) for site, memory in zip(sites, memories, strict=True)]
    together = [one for one in prepared if isinstance(one, _Prepared)]
    answers = iter(_fit_together(together))
    return [one if isinstance(one, Assessment) else next(answers) for one in prepared]


def _fit_together(together: list[_Prepared]) -> list[Assessment]:
    """Fit sites whole, with their town's air where they share it."""
    if len(together) < 2:
        return [_conclude(one, None, 0) for one in together]
    first = min(int(one.daily.days[0]) for one in together)
    last = max(int(one.daily.days[-1]) for one in together)
    span = last - first + 1
    place = [slice(int(one.daily.days[0]) - first, int(one.daily.days[-1]) - first + 1) for one in together]
    fits = [_fit_site(one, None, rounds=3, falls=False) for one in together]

    def residuals() -> Floats:
        out = np.full((len(together), span), np.nan)
        for i, (one, fitted) in enumerate(zip(together, fits, strict=True)):
            out[i, place[i]] = one.index.log_index - fitted.smooth + fitted.log_mean
        return out

    chosen = np.flatnonzero(companions(residuals()))
    airs: dict[int, _Air] = {}
    if len(chosen) >= 2:
        wash = np.zeros((span, 2))
        count = np.zeros(span)
        for i in chosen:
            wash[place[i]] += together[i].wash
            count[place[i]] += 1
        dust = exposure(wash / np.maximum(count, 1)[:, None])
        angle = 2 * np.pi * (first + np.arange(span)) / 365.2425
        season = np.stack([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)], axis=1)
        scatter = np.full(len(chosen), 0.03)
        for turn in range(TOWN_ROUNDS):
            rest = residuals()[chosen]
            doubt = np.zeros_like(rest)
            for n, i in enumerate(chosen):
                doubt[n, place[i]] = _doubt(fits[i])
            air = shared_air(rest, scatter, doubt, dust, season)
            off = rest - air.log_dimming
            scatter = np.array([_spread(row) for row in off])
            for n, i in enumerate(chosen):
                airs[int(i)] = _Air(
                    air.log_dimming[n, place[i]],
                    np.sqrt(scatter[n] ** 2 + air.variance[n, place[i]]),
                    float(scatter[n]),
                    air.middle,
                )
                if turn < TOWN_ROUNDS - 1:
                    fits[i] = _fit_site(together[i], airs[int(i)], rounds=2, start=fits[i].theta, falls=False)
    return [
        _conclude(one, airs.get(i), len(chosen) - 1 if i in airs else 0, fits[i].theta)
        for i, one in enumerate(together)
    ]


def _doubt(fitted: Fit) -> Floats:
    """Standard deviation of a fit's log soiling by day, from its 90 % band."""
    return np.asarray((np.log1p(-fitted.loss_low) - np.log1p(-fitted.loss_high)) / (2 * 1.645))


def _go_on(
    sites: Sequence[SiteReadings], memories: Sequence[Memory | None], as_of: date | None
) -> list[Assessment] | None:
    """Work on new days only, or None when a full fit is due."""
    going: list[_Going] = []
    for site, memory in zip(sites, memories, strict=True):
        one = _new_days(site, memory, as_of) if memory is not None else None
        if one is None:
            return None
        going.append(one)
    if not going:
        return None
    days = max(len(one.rows) for one in going)
    members = [one for one in going if one.town_scatter is not None and len(one.rows) == days]
    airs: dict[int, tuple[Floats, Floats]] = {}
    if len(members) >= 2 and days:
        rest = np.stack([one.log_index - one.smooth + one.log_loss for one in members])
        scatter = np.array([one.town_scatter or 0.03 for one in members])
        doubt = np.repeat([[_doubt(one.base)[-1]] for one in members], days, axis=1)
        air = shared_air(rest, scatter, doubt, np.zeros(days), np.zeros((days, 0)), middle=members[0].middle)
        for n, one in enumerate(members):
            airs[id(one)] = (air.log_dimming[n], np.sqrt(scatter[n] ** 2 + air.variance[n]))
    out = []
    for one in going:
        dimming, spread = airs.get(id(one), (np.zeros(len(one.rows)), np.full(len(one.rows), one.scatter)))
        fallen = one.log_index - dimming - one.smooth + one.log_loss
        if (np.abs(fallen) > 0.14).sum() >= 2:
            return None  # a step, or the end of one: look at the whole record
        out.append(_extend(one, dimming, spread, id(one) in airs))
    return out


@dataclass(frozen=True)
class _Going:
    """One site with new days since its last full fit."""

    site: SiteReadings
    memory: Memory
    base: Fit
    rows: npt.NDArray[np.void]
    """Of the new days."""
    log_index: Floats
    smooth: Floats
    design: Floats
    wash: Floats
    log_loss: float
    scatter: float
    town_scatter: float | None
    middle: float
    steps: tuple[Step, ...]


def _new_days(site: SiteReadings, memory: Memory, as_of: date | None) -> _Going | None:
    facts = memory.facts
    if facts["made_of"] != fingerprint(site.array, site.interval_minutes):
        return None
    if facts["visits"] != sorted(visit.isoformat() for visit in site.visits):
        return None
    energy = _until(site, as_of)
    rows = new_days(site.array, energy, site.interval_minutes, memory.rows, Meter(**facts["meter"]))
    if len(rows) >= FULL_FIT_EVERY or _odd(rows):
        return None
    steps = tuple(Step(first, last, size) for first, last, size in facts["steps"])
    days = np.concatenate([memory.rows["day"], rows["day"]]).astype(np.int64)
    design = _design_of(days, steps, int(memory.rows["day"][-1]))[0][len(memory.rows) :]
    base = _remembered(memory)
    share = np.exp(base.resume.log_share)
    share /= share.sum()
    tail = Daily(np.concatenate([memory.rows[-70:], rows]), site.interval_minutes, 0, 0, Meter(**facts["meter"]))
    index = Index(np.zeros(0), facts["scatter"], facts["haze_gain"], facts["haze_level"])
    return _Going(
        site=site,
        memory=memory,
        base=base,
        rows=rows,
        log_index=new_index(index, rows),
        smooth=share @ (base.resume.level[:, None] + base.resume.theta @ design.T),
        design=design,
        wash=wash_chance(tail, site.rain_mm)[len(tail.rows) - len(rows) :],
        log_loss=float(-np.log1p(-base.loss_mean[-1])),
        scatter=facts["scatter"],
        town_scatter=facts["town_scatter"],
        middle=facts["middle"],
        steps=steps,
    )


def _odd(rows: npt.NDArray[np.void]) -> bool:
    """Whether new rows look like another unit: then the whole record is read again."""
    bright = rows["bright"][np.isfinite(rows["bright"])]
    return bool(((bright > 3) | ((bright > 1e-6) & (bright < 0.004))).any())


def _remembered(memory: Memory) -> Fit:
    """The last full fit, from its memory."""
    facts, arrays = memory.facts, memory.arrays
    loss = arrays["loss_mean"].astype(np.float64)
    resume = Resume(
        state=arrays["state"],
        half_days=facts["half_days"],
        log_share=arrays["log_share"].astype(np.float64),
        level=arrays["level"].astype(np.float64),
        theta=arrays["theta"].astype(np.float64),
        theta_sd=facts["theta_sd"],
    )
    return Fit(
        level=facts["level"],
        log_mean=-np.log1p(-loss),
        loss_mean=loss,
        loss_low=arrays["loss_low"].astype(np.float64),
        loss_high=arrays["loss_high"].astype(np.float64),
        present_grid=arrays["present"].astype(np.float64),
        loss_grid=LOSS,
        rate=facts["rate"],
        rate_low=facts["rate_low"],
        rate_high=facts["rate_high"],
        drops=[(int(day), gain, low, high) for day, gain, low, high in facts["drops"]],
        visits={int(day): (gain, low, high) for day, gain, low, high in facts["gains"]},
        mean_loss=facts["mean_loss"],
        smooth=arrays["smooth"].astype(np.float64),
        theta=resume.theta[0],
        resume=resume,
    )


def _extend(one: _Going, dimming: Floats, spread: Floats, in_town: bool) -> Assessment:
    """The answer of the last full fit, gone on with new days."""
    facts, base = one.memory.facts, one.base
    meter = Meter(**facts["meter"])
    rows = np.concatenate([one.memory.rows, one.rows])
    daily = Daily(
        rows, one.site.interval_minutes, facts["unit_changes"], facts["clock_shifts"], meter, tuple(facts["notes"])
    )
    fitted = base
    if len(one.rows):
        rho, change, lasting, _ = TOGETHER if in_town else ALONE
        none = np.zeros(0, dtype=np.int64)
        steps = cut_steps(one.log_index - dimming, spread, one.wash, none, one.design, rho, lasting)
        more = advance(base.resume, steps, one.design, change)
        loss = np.concatenate([base.loss_mean, more.loss_mean])
        weight = daily["expected_wh"]
        fitted = replace(
            base,
            log_mean=-np.log1p(-loss),
            loss_mean=loss,
            loss_low=np.concatenate([base.loss_low, more.loss_low]),
            loss_high=np.concatenate([base.loss_high, more.loss_high]),
            present_grid=more.present_grid,
            rate=more.rate,
            mean_loss=float((loss * weight).sum() / weight.sum()),
            smooth=np.concatenate([base.smooth, more.smooth]),
        )
    return replace(_answer(one.site, daily, one.steps, fitted, facts["neighbours"]), memory=one.memory.to_bytes())


TOWN_ROUNDS = 3
"""Times that air and soiling are fitted in turn."""


@dataclass(frozen=True)
class _Air:
    """A town's air as one site sees it; arrays of shape (days,)."""

    log_dimming: Floats
    scatter: Floats
    """Standard deviation of a day once the air is out."""
    own: float
    """The part of it that is the site's own."""
    middle: float


def _spread(values: Floats) -> float:
    values = values[np.isfinite(values)]
    if values.size < 10:
        return 0.03
    return float(np.clip(1.4826 * np.median(np.abs(values - np.median(values))), 0.008, 0.08))


def _town_rain(sites: Sequence[SiteReadings]) -> pd.Series[float] | None:
    """One rain record for the town: the mean of those that its sites bring, None without any."""
    records = [site.rain_mm for site in sites if site.rain_mm is not None and len(site.rain_mm)]
    if not records:
        return None
    together = pd.concat(records)
    return together.groupby(level=0).mean()


def _no_answer(site: SiteReadings, as_of: date, why: str, daily: Daily | None = None) -> Assessment:
    return Assessment(
        as_of=as_of,
        verdict=Verdict.NOT_ENOUGH_DATA,
        cause=None,
        cause_began=None,
        present_loss=None,
        present_loss_ci=None,
        mean_loss=None,
        soiling_rate_per_day=None,
        soiling_rate_ci=None,
        soiling_since=None,
        clean_due=None,
        reasons=(why,),
        cleanings=tuple(Cleaning(visit, None, None) for visit in site.visits),
        recoveries=(),
        data_quality=_quality(daily) if daily is not None else DataQuality(0, 0, 0, 0, 0, 0),
        neighbours=0,
        loss_quantiles=(),
        daily=_frame(daily, None) if daily is not None else _frame(None, None),
    )


def _until(site: SiteReadings, as_of: date | None) -> pd.Series[float]:
    """The readings up to a day."""
    energy = site.energy_wh
    if isinstance(energy.index, pd.DatetimeIndex) and energy.index.tz is None:
        raise ValueError("energy_wh needs a zone-aware time index; naive times are refused")
    if as_of is not None and len(energy):
        energy = energy[energy.index < pd.Timestamp(as_of + timedelta(days=1), tz=site.array.tz)]
    return energy


def _known_days(site: SiteReadings, energy: pd.Series[float], memory: Memory | None) -> Daily | None:
    """Rows of known days from memory with the new ones after them; None when all must be read again."""
    if memory is None or memory.facts["made_of"] != fingerprint(site.array, site.interval_minutes):
        return None
    facts = memory.facts
    meter = Meter(**facts["meter"])
    rows = new_days(site.array, energy, site.interval_minutes, memory.rows, meter)
    if _odd(rows):
        return None
    return Daily(
        np.concatenate([memory.rows, rows]),
        site.interval_minutes,
        facts["unit_changes"],
        facts["clock_shifts"],
        meter,
        tuple(facts["notes"]),
    )


def _prepare(site: SiteReadings, as_of: date | None, memory: Memory | None = None) -> _Prepared | Assessment:
    energy = _until(site, as_of)
    if not np.isfinite(energy.to_numpy(dtype=np.float64)).any():
        return _no_answer(site, as_of or site.array.installed_on or EPOCH, "There are no readings yet.")
    daily = _known_days(site, energy, memory) or reduce_to_days(site.array, energy, site.interval_minutes)
    last = as_of or daily.dates()[-1]
    if len(daily.rows) < LEAST_DAYS:
        return _no_answer(
            site, last, f"The record holds {len(daily.rows)} days; an estimate needs at least {LEAST_DAYS}.", daily
        )
    used = int((daily.rows["flag"] == USED).sum())
    if used < LEAST_CLEAR_DAYS:
        return _no_answer(
            site, last, f"Only {used} days had enough clear sky; an estimate needs {LEAST_CLEAR_DAYS}.", daily
        )
    index = performance_index(daily)
    first = int(daily.days[0])
    visit_days = np.array(
        sorted({v for v in ((visit - EPOCH).days - first for visit in site.visits) if 0 <= v < len(daily.rows)}),
        dtype=np.int64,
    )
    return _Prepared(
        site,
        daily,
        index,
        tuple(find_steps(index.log_index, index.scatter, daily["expected_wh"])),
        visit_days,
        wash_chance(daily, site.rain_mm),
    )


def wash_chance(daily: Daily, rain_mm: pd.Series[float] | None) -> Floats:
    """Chance of a light and of a heavy wash by rain on each day, shape (days, 2).

    From a rain gauge where there is one: below 1 mm rarely, then a light wash, from about 5 to 8 mm a heavy one
    (thresholds of Kimber et al. 2006 and later, 3 to 10 mm). Without a gauge from the sky: it does not rain from a
    clear one, and rains on some four in ten of the darkest days (common practice, no source).
    """
    top = pd.Series(daily["bright"]).rolling(61, center=True, min_periods=9).quantile(0.9).to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.nan_to_num(daily["bright"] / top, nan=0.55)
    dark = np.interp(share, [0, 0.4, 0.55, 0.7, 0.85, 1.0], [0.42, 0.40, 0.16, 0.06, 0.02, 0.006])
    unknown = np.stack([0.45 * dark, 0.55 * dark], axis=1)
    if rain_mm is None or not len(rain_mm):
        return unknown
    gauge = pd.Series(rain_mm.to_numpy(dtype=np.float64), index=list(rain_mm.index))
    mm = gauge[~gauge.index.duplicated()].reindex(daily.dates()).to_numpy(dtype=np.float64)
    light = np.interp(mm, [0.0, 0.4, 1.5, 4.0, 7.0, 12.0], [0.0, 0.1, 0.85, 0.7, 0.25, 0.03])
    heavy = np.interp(mm, [0.0, 2.0, 4.0, 7.0, 12.0], [0.0, 0.05, 0.25, 0.72, 0.96])
    known = np.stack([light, heavy], axis=1)
    # A gauge misses a rain now and then.
    known = np.maximum(known, 0.12 * unknown)
    return np.where(np.isfinite(mm)[:, None], known, unknown)


def _design_of(days: Ints, steps: Sequence[Step], now: int) -> tuple[Floats, Floats, Floats]:
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


def _fit_site(
    prepared: _Prepared, air: _Air | None, rounds: int, start: Floats | None = None, falls: bool = True
) -> Fit:
    """Fit the soiling of one site, the town's air taken out where it is known."""
    days = prepared.daily.days
    design, mean, sd = _design_of(days, prepared.steps, int(days[-1]))
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


def _conclude(prepared: _Prepared, air: _Air | None, neighbours: int, start: Floats | None = None) -> Assessment:
    """Fit the soiling and say what it means."""
    fitted = _fit_site(prepared, air, rounds=3, start=start)
    answer = _answer(prepared.site, prepared.daily, prepared.steps, fitted, neighbours)
    return replace(answer, memory=_remember(prepared, fitted, air, neighbours).to_bytes())


def _remember(prepared: _Prepared, fitted: Fit, air: _Air | None, neighbours: int) -> Memory:
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


def _answer(site: SiteReadings, daily: Daily, steps: Sequence[Step], fitted: Fit, neighbours: int) -> Assessment:
    """What a fit means."""
    quantiles = loss_quantiles(fitted.present_grid, fitted.loss_grid, np.array(QUANTILES))
    low, middle, high = loss_quantiles(fitted.present_grid, fitted.loss_grid, np.array([0.05, 0.5, 0.95]))
    dates = daily.dates()
    result = Assessment(
        as_of=dates[-1],
        verdict=Verdict.CLEAN,
        cause=None,
        cause_began=None,
        present_loss=float(middle),
        present_loss_ci=Band(float(low), float(high)),
        mean_loss=fitted.mean_loss,
        soiling_rate_per_day=fitted.rate,
        soiling_rate_ci=Band(fitted.rate_low, fitted.rate_high),
        soiling_since=_since(fitted, dates),
        clean_due=clean_due(dates[-1], float(middle), fitted.rate),
        reasons=(),
        cleanings=tuple(
            Cleaning(visit, gain and gain[0], gain and Band(gain[1], gain[2]))
            for visit, gain in visit_gains(fitted, daily, site.visits)
        ),
        recoveries=tuple(
            Recovery(day, gain, Band(gain_low, gain_high))
            for day, gain, gain_low, gain_high in recoveries(fitted, daily)
        ),
        data_quality=_quality(daily),
        neighbours=neighbours,
        loss_quantiles=tuple(float(q) for q in quantiles),
        daily=_frame(daily, fitted),
    )
    return _judge(site, daily, steps, result)


def _judge(site: SiteReadings, daily: Daily, steps: Sequence[Step], result: Assessment) -> Assessment:
    """Verdict, cause and reasons."""
    dates = daily.dates()
    off = off_since(daily)
    if off is not None:
        if is_freezing(daily, off, site.array.latitude, site.array.longitude):
            return replace(
                result,
                verdict=Verdict.OTHER_FAULT,
                cause=Cause.SNOW,
                cause_began=dates[off],
                reasons=(
                    f"Since {dates[off]:%d %B %Y} there is almost no production, in a season when snow can lie.",
                    "Nobody should climb a snowy roof. If production stays out after the thaw, check the inverter.",
                ),
            )
        return replace(
            result,
            verdict=Verdict.OTHER_FAULT,
            cause=Cause.OUTAGE,
            cause_began=dates[off],
            reasons=(
                f"Since {dates[off]:%d %B %Y} there is no production by day.",
                "Look at the inverter's display, the AC breaker and the meter before anything else.",
            ),
        )
    active = [step for step in steps if step.last is None]
    winter = is_freezing(daily, len(dates) - 1, site.array.latitude, site.array.longitude)
    told = [
        step
        for step in active
        if _clear_days_from(daily, step.first) >= LEAST_STEP_DAYS
        and not (winter and is_freezing(daily, step.first, site.array.latitude, site.array.longitude))
    ]
    if told:
        step = told[-1]
        return replace(
            result,
            verdict=Verdict.OTHER_FAULT,
            cause=Cause.STRING_LOSS,
            cause_began=dates[step.first],
            reasons=(
                f"From {dates[step.first]:%d %B %Y} output is {percent(step.lost)} lower, at all hours alike.",
                "It fell from one day to the next. Dirt does not come like that.",
                "Have an electrician check string fuses, connectors and the inverter's inputs.",
            ),
        )
    shade = find_shade(daily)
    if shade is not None:
        end = "afternoon" if shade.evening else "morning"
        return replace(
            result,
            verdict=Verdict.OTHER_FAULT,
            cause=Cause.SHADING,
            cause_began=dates[shade.first],
            reasons=(
                f"With the sun lower than about {shade.height:.0f} degrees, the {end} yields far less than it should.",
                "Look for a tree, chimney or new building on that side. Washing will not bring this back.",
            ),
        )
    if result.data_quality.clear_days_last_30 == 0 and _days_since_clear(daily) > 45:
        return replace(
            result,
            verdict=Verdict.NOT_ENOUGH_DATA,
            reasons=("There was no clear day in the last six weeks, so the present state cannot be told.",),
        )
    loss = result.present_loss or 0.0
    band = result.present_loss_ci or Band(0.0, 0.0)
    chance = result.chance_loss_exceeds(TOLD_LOSS)
    said = f"The estimate of the loss is {percent(loss)} (between {percent(band.low)} and {percent(band.high)})."
    if chance >= (SURE if result.neighbours else SURE_ALONE) and loss >= TOLD_LOSS:
        since = f" since {result.soiling_since:%d %B %Y}" if result.soiling_since else ""
        return replace(
            result,
            verdict=Verdict.SOILING,
            reasons=(said, f"Output has drifted down slowly{since}, alike at all hours, as dirt does."),
        )
    if active:
        step = active[-1]
        return replace(
            result,
            verdict=Verdict.NOT_ENOUGH_DATA,
            reasons=(
                f"From {dates[step.first]:%d %B %Y} output is {percent(step.lost)} lower, and fell in a day.",
                "There is too little to tell a fault from haze or snow yet; if it stays, it is no dirt.",
            ),
        )
    if band.high < TOLD_LOSS:
        return replace(result, reasons=(said, "The modules are clean enough."))
    if result.chance_loss_exceeds(2 * TOLD_LOSS) >= PERHAPS:
        return replace(
            result,
            verdict=Verdict.NOT_ENOUGH_DATA,
            reasons=(
                said,
                "There may well be dirt, but this is too unsure to call for a wash; more clear days will tell.",
            ),
        )
    return replace(
        result, reasons=(said, "This is too small or too unsure to call for a wash; more clear days will tell.")
    )


def _clear_days_from(daily: Daily, first: int) -> int:
    return int((daily.rows["flag"][first:] == USED).sum())


def _days_since_clear(daily: Daily) -> int:
    used = np.flatnonzero(daily.rows["flag"] == USED)
    return int(len(daily.rows) - 1 - used[-1]) if used.size else len(daily.rows)


def _since(fitted: Fit, dates: Sequence[date]) -> date | None:
    """Start of the present drift: the last day on which the fitted loss was at its lowest."""
    loss = fitted.loss_mean
    if loss[-1] < 0.01:
        return None
    floor = 0.15 * loss[-1]
    back = np.flatnonzero(loss <= max(floor, float(loss[-400:].min()) + 0.002))
    return dates[int(back[-1])] if back.size else dates[0]


def _quality(daily: Daily, duplicates: int = 0) -> DataQuality:
    flag = daily.rows["flag"]
    return DataQuality(
        days=len(flag),
        gap_days=int(np.isin(flag, (NO_READINGS, GAPS)).sum()),
        clear_days=int((flag == USED).sum()),
        clear_days_last_30=int((flag[-30:] == USED).sum()),
        duplicates_dropped=duplicates,
        unit_changes_mended=daily.unit_changes_mended,
        notes=daily.notes,
    )


def _frame(daily: Daily | None, fitted: Fit | None) -> pd.DataFrame:
    columns = [
        "energy_wh",
        "expected_wh",
        "index",
        "used",
        "refused",
        "soiling_ratio",
        "soiling_ratio_low",
        "soiling_ratio_high",
    ]
    if daily is None:
        return pd.DataFrame(columns=columns)
    missing = np.full(len(daily.rows), np.nan)
    level = np.nanmedian(daily["index"]) if fitted is None and np.isfinite(daily["index"]).any() else 1.0
    return pd.DataFrame(
        {
            "energy_wh": daily["energy_wh"],
            "expected_wh": daily["expected_wh"],
            "index": daily["index"] / (np.exp(fitted.smooth) if fitted is not None else level),
            "used": daily.rows["flag"] == USED,
            "refused": [REFUSED[int(flag)] for flag in daily.rows["flag"]],
            "soiling_ratio": 1 - fitted.loss_mean if fitted is not None else missing,
            "soiling_ratio_low": 1 - fitted.loss_high if fitted is not None else missing,
            "soiling_ratio_high": 1 - fitted.loss_low if fitted is not None else missing,
        },
        index=pd.Index(daily.dates(), dtype=object),
    )
