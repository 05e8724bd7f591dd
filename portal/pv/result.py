"""What an assessment says of one site: one frozen result. Losses and gains are fractions of the clean yield."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

import numpy as np
import pandas as pd

QUANTILES = tuple(round(0.05 + 0.1 * i, 2) for i in range(10))


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
