"""A day of readings reduced to one row of numbers, which is all that the later steps see."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum, auto

import numpy as np
import numpy.typing as npt

from portal.pv.arrays import Floats, Ints
from portal.pv.orientation import Seen
from portal.pv.said import Said

EPOCH = date(1970, 1, 1)

DAY = np.dtype(
    [
        ("day", "i4"),  # days since 1970-01-01, local
        ("energy_wh", "f4"),  # NaN on a day without readings
        ("expected_wh", "f4"),
        ("seen", "f4"),  # share of the day's expected energy whose intervals were read
        ("bright", "f4"),  # energy over expected energy of the intervals read: cloud and all
        ("index", "f4"),  # clear intervals only; NaN where too few
        ("clear_share", "f4"),  # share of the day's expected energy in clear intervals
        ("haze", "f4"),  # log of what haze makes of the index, by the day's shape; NaN where it cannot be told
        ("morning", "f4"),  # mean log ratio of clear morning, noon and evening intervals
        ("noon", "f4"),
        ("evening", "f4"),
        ("low_sun", "f4", (2, 5)),  # log ratio to noon, morning and evening, by SUN_BANDS, clouds and all
        ("upper", "f4"),  # 80 % quantile of interval ratio
        ("clipped", "f4"),  # share of expected energy at the inverter's limit
        ("dead", "f4"),  # share of expected energy whose intervals read (almost) zero
        ("flag", "i2"),  # REFUSED key, or USED
    ]
)

USED, NO_READINGS, GAPS, DEAD, CLOUD, STUCK, UNITS, LOW_SUN = range(8)


class Refused(StrEnum):
    """Why a day is not judged by."""

    NO_READINGS = auto()
    GAPS = auto()  # by day
    OFF = auto()  # or snow on the modules
    CLOUD = auto()
    STUCK = auto()
    UNITS = auto()
    LOW_SUN = auto()


REFUSED = {
    NO_READINGS: Refused.NO_READINGS,
    GAPS: Refused.GAPS,
    DEAD: Refused.OFF,
    CLOUD: Refused.CLOUD,
    STUCK: Refused.STUCK,
    UNITS: Refused.UNITS,
    LOW_SUN: Refused.LOW_SUN,
}


@dataclass(frozen=True, slots=True)
class Metering:
    """How the meter reads at the record's end: what a new day's readings need to be read the same way."""

    scale: float
    """Factor that brings its unit to Wh."""
    late_hours: int
    """Whole hours its clock runs late."""
    quantum: float
    """Step in which it counts [Wh]."""
    peak_wh: float
    """Highest interval."""
    highest_expected_wh: float
    """Highest expected interval of the record."""
    highest_day_wh: float
    """Highest expected day of the record."""


@dataclass(frozen=True)
class Daily:
    """One row of :data:`DAY` a local day, without holes, and what was mended on the way."""

    rows: npt.NDArray[np.void]
    interval_minutes: int
    unit_changes_mended: int
    clock_shifts_mended: int
    meter: Metering
    notes: tuple[Said, ...] = ()
    seen: Seen | None = None
    """How the readings see the modules, by which the rows were made; None where as told."""
    looked_at: int = 0
    """Days of the record when that was looked at."""

    @property
    def days(self) -> Ints:
        """Days since 1970-01-01."""
        return np.asarray(self.rows["day"].astype(np.int64))

    def __getitem__(self, name: str) -> Floats:
        return np.asarray(self.rows[name], dtype=np.float64)

    def dates(self) -> list[date]:
        """The local dates.

        Returns
        -------
        list of date
            One a row.
        """
        return [EPOCH + timedelta(days=int(day)) for day in self.rows["day"]]
