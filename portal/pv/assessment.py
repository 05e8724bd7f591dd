"""The pipeline: readings and site facts in, one frozen result out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from enum import StrEnum

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.air import companions, exposure, shared_air
from portal.pv.array import Array
from portal.pv.diagnosis import Step, find_shade, find_steps, is_freezing, off_since
from portal.pv.due import clean_due
from portal.pv.effect import recoveries, visit_gains
from portal.pv.performance import Index, performance_index
from portal.pv.quality import EPOCH, GAPS, NO_READINGS, REFUSED, USED, Daily
from portal.pv.quality import daily as reduce_to_days
from portal.pv.soiling import Fit, cut_steps, fit
from portal.pv.soiling import quantiles as loss_quantiles

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

QUANTILES = tuple(round(0.05 + 0.1 * i, 2) for i in range(10))
LEAST_DAYS = 45
ALONE = (0.4, 0.0005, 0.02)
"""How much a day's error lasts to the next (autocorrelation), the chance a day that the soiling rate moves, and the
standard deviation of errors that last for weeks."""
TOGETHER = (0.2, 0.005, 0.008)
"""The same with the town's air taken out."""
LEAST_CLEAR_DAYS = 20
TOLD_LOSS = 0.025
"""Loss below which nobody is told to wash."""
SURE = 0.85
"""Chance that the loss exceeds :data:`TOLD_LOSS` from which the verdict is "soiling"."""


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


def assess(site: SiteReadings, *, as_of: date | None = None) -> Assessment:
    """Assess one site on its own readings.

    Parameters
    ----------
    site : SiteReadings
    as_of : date, optional
        Last day that may be used; the record's last day by default.

    Raises
    ------
    ValueError
        For naive times.
    """
    prepared = _prepare(site, as_of)
    if isinstance(prepared, Assessment):
        return prepared
    return _conclude(prepared, None, 0)


def assess_town(sites: Sequence[SiteReadings], *, as_of: date | None = None) -> list[Assessment]:
    """Assess sites under the same sky together; results in the order given.

    Each site is fitted alone first; what the residuals of all have in common on a day is the town's air
    (:mod:`portal.pv.air`), which is taken out, and the sites are fitted again. A site whose days do not go with the
    others' is assessed on its own.
    """
    prepared = [_prepare(site, as_of) for site in sites]
    rain = _town_rain(sites)
    together = [one for one in prepared if isinstance(one, _Prepared)]
    if len(together) < 2:
        return [one if isinstance(one, Assessment) else _conclude(one, None, 0) for one in prepared]
    if rain is not None:
        together = [replace(one, wash=wash_chance(one.daily, rain)) for one in together]
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

    alike = companions(residuals())
    chosen = np.flatnonzero(alike)
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
            air = shared_air(rest, scatter, dust, season)
            off = rest - air.log_dimming
            scatter = np.array([_spread(row) for row in off])
            for n, i in enumerate(chosen):
                airs[int(i)] = _Air(air.log_dimming[n, place[i]], np.sqrt(scatter[n] ** 2 + air.variance[n, place[i]]))
                if turn < TOWN_ROUNDS - 1:
                    fits[i] = _fit_site(together[i], airs[int(i)], rounds=2, start=fits[i].theta, falls=False)
    answers = iter(
        [
            _conclude(one, airs.get(i), len(chosen) - 1 if i in airs else 0, fits[i].theta)
            for i, one in enumerate(together)
        ]
    )
    return [one if isinstance(one, Assessment) else next(answers) for one in prepared]


TOWN_ROUNDS = 3
"""Times that air and soiling are fitted in turn."""


@dataclass(frozen=True)
class _Air:
    """A town's air as one site sees it; arrays of shape (days,)."""

    log_dimming: Floats
    scatter: Floats
    """Standard deviation of a day once the air is out."""


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


def _prepare(site: SiteReadings, as_of: date | None) -> _Prepared | Assessment:
    energy = site.energy_wh
    if isinstance(energy.index, pd.DatetimeIndex) and energy.index.tz is None:
        raise ValueError("energy_wh needs a zone-aware time index; naive times are refused")
    if as_of is not None and len(energy):
        end = pd.Timestamp(as_of + timedelta(days=1), tz=site.array.tz)
        energy = energy[energy.index < end]
    if not np.isfinite(energy.to_numpy(dtype=np.float64)).any():
        return _no_answer(site, as_of or date.today(), "There are no readings yet.")  # noqa: DTZ011
    daily = reduce_to_days(site.array, energy, site.interval_minutes)
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


def _design(prepared: _Prepared) -> tuple[Floats, Floats, Floats]:
    """Smooth terms by day: ageing [1/year], two harmonics of season, steps of level; with prior mean and sd."""
    days = prepared.daily.days
    angle = 2 * np.pi * days / 365.2425
    columns = [(days - days[-1]) / 365.2425, np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)]
    mean = [-0.006, 0.0, 0.0, 0.0, 0.0]
    sd = [0.004, 0.03, 0.02, 0.01, 0.01]
    for step in prepared.steps:
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
    design, mean, sd = _design(prepared)
    if air is None:
        log_index, scatter = prepared.index.log_index, np.array(prepared.index.scatter)
        rho, change, lasting = ALONE
    else:
        log_index, scatter = prepared.index.log_index - air.log_dimming, air.scatter
        rho, change, lasting = TOGETHER
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
        start=start,
        falls=falls,
    )


def _conclude(prepared: _Prepared, air: _Air | None, neighbours: int, start: Floats | None = None) -> Assessment:
    """Fit the soiling, look for faults, and say what it means."""
    daily, site = prepared.daily, prepared.site
    fitted = _fit_site(prepared, air, rounds=3, start=start)
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
    return _judge(prepared, result)


def _judge(prepared: _Prepared, result: Assessment) -> Assessment:
    """Verdict, cause and reasons."""
    daily, site = prepared.daily, prepared.site
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
    active = [step for step in prepared.steps if step.last is None]
    if active:
        step = active[-1]
        return replace(
            result,
            verdict=Verdict.OTHER_FAULT,
            cause=Cause.STRING_LOSS,
            cause_began=dates[step.first],
            reasons=(
                f"From {dates[step.first]:%d %B %Y} output is {-np.expm1(step.size):.0%} lower, at all hours alike.",
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
    said = f"The estimate of the loss is {loss:.1%} (between {band.low:.1%} and {band.high:.1%})."
    if chance >= SURE and loss >= TOLD_LOSS:
        since = f" since {result.soiling_since:%d %B %Y}" if result.soiling_since else ""
        return replace(
            result,
            verdict=Verdict.SOILING,
            reasons=(said, f"Output has drifted down slowly{since}, alike at all hours, as dirt does."),
        )
    if band.high < TOLD_LOSS:
        return replace(result, reasons=(said, "The modules are clean enough."))
    return replace(
        result, reasons=(said, "This is too small or too unsure to call for a wash; more clear days will tell.")
    )


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
