"""What an assessment says of one site: one frozen result. Losses and gains are fractions of the clean yield."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

import numpy as np
import pandas as pd

from portal.pv.orientation import Seen
from portal.pv.said import Said

QUANTILES = tuple(round(0.05 + 0.1 * i, 2) for i in range(10))
"""Levels of the quantiles of the present loss that an assessment keeps."""
BAND_90 = (0.05, 0.5, 0.95)
"""Levels of the ends and the middle of a 90 % interval, by definition."""
NORMAL_90 = 1.645
"""Half the width of a normal distribution's 90 % interval in standard deviations, by definition."""
SUREST = 0.99
"""Highest chance that is ever said of a loss, and 1 less it the lowest: beyond the outermost quantiles stands only the
shape of a tail, and nothing that readings tell is certain. No source; a fifth more doubt (0.988) changes no verdict."""


class Verdict(StrEnum):
    """What the readings say of a site."""

    SOILING = "soiling"
    CLEAN = "clean"
    UNSURE = "unsure"
    """Nothing to wash yet, and too unsure for "clean"."""
    OTHER_FAULT = "other fault"
    NOT_ENOUGH_DATA = "not enough data"


class Cause(StrEnum):
    """What an "other fault" is: something no wash will mend."""

    STRING_LOSS = "string_loss"
    OUTAGE = "outage"
    SHADING = "shading"
    SNOW = "snow"
    DEGRADATION = "degradation"
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
    unit_changes_mended: int
    notes: tuple[Said, ...] = ()


@dataclass(frozen=True)
class Assessment:
    """What the readings say of one site. Losses and gains are fractions of the clean yield.

    ``daily`` has one row a local day (``datetime.date`` index) with the columns
    ``energy_wh`` and ``expected_wh`` (clear-sky expected energy of the whole day), ``index`` (daily performance
    index, about 1 when clean and healthy; NaN on refused days), ``used`` (bool), ``refused`` (a ``Refused``, "" when
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
    reasons: tuple[Said, ...]
    cleanings: tuple[Cleaning, ...]
    recoveries: tuple[Recovery, ...]
    data_quality: DataQuality
    neighbours: int
    loss_quantiles: tuple[float, ...]
    """Quantiles 0.05, 0.15 … 0.95 of the present loss; empty when there is no estimate."""
    daily: pd.DataFrame = field(repr=False)
    seen: Seen | None = None
    """Slope and direction that the readings show where what was told cannot be right; what is said goes by it."""
    memory: bytes = field(default=b"", repr=False)
    """Keep it beside the result and hand it back as ``previous``: then a new day costs milliseconds."""
    stands: int = 0
    """Days of ``daily``, from its begin, that stand as the assessment which left ``previous`` told them, whose memory
    this is too; 0 after a full fit."""


def chance_loss_exceeds(loss_quantiles: Sequence[float], loss: float) -> float:
    """Chance that the present loss exceeds a loss, read off the quantiles that an assessment keeps.

    Parameters
    ----------
    loss_quantiles : sequence of float
        Two or more, at evenly spaced levels (0.05, 0.15 … 0.95 for ten) [fraction of clean yield]; empty without an
        estimate.
    loss : float
        [fraction of clean yield]

    Returns
    -------
    float
        0 when there is no estimate; else between 1 − :data:`SUREST` and :data:`SUREST`.

    Notes
    -----
    Straight lines between the quantiles; beyond the outermost a tail that ends as far out as those two are apart.

    Examples
    --------
    Of a loss that is evenly spread from 0 to 20 %, three quarters lie above 5 %:

    >>> evenly = [0.01 + 0.02 * step for step in range(10)]
    >>> [round(chance_loss_exceeds(evenly, loss), 3) for loss in (0.05, 0.5)], chance_loss_exceeds([], 0.05)
    ([0.75, 0.01], 0.0)
    """
    count = len(loss_quantiles)
    if not count:
        return 0.0
    points = np.asarray(loss_quantiles, dtype=np.float64)
    points = np.concatenate([[2 * points[0] - points[1]], points, [2 * points[-1] - points[-2]]])
    points = np.maximum.accumulate(points + np.arange(-1, count + 1) * 1e-9)  # quantiles of a clean roof coincide
    levels = np.concatenate([[0.0], (np.arange(count) + 0.5) / count, [1.0]])
    return float(np.clip(1 - np.interp(loss, points, levels), 1 - SUREST, SUREST))
