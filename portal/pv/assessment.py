"""The pipeline: readings and site facts in, one frozen result out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

import pandas as pd

from portal.pv.array import Array


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
        """Chance (0 to 1) that the present loss exceeds ``loss``; 0 when there is no estimate."""
        raise NotImplementedError


def assess(site: SiteReadings, *, as_of: date | None = None) -> Assessment:
    """Assess one site on its own readings."""
    raise NotImplementedError


def assess_town(sites: Sequence[SiteReadings], *, as_of: date | None = None) -> list[Assessment]:
    """Assess sites under the same sky together; results in the order given."""
    raise NotImplementedError
