"""One site's readings and what is known of it: the input to an assessment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd

from portal.pv.array import Array


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


def until(site: SiteReadings, as_of: date | None) -> pd.Series[float]:
    """The readings up to a day.

    Parameters
    ----------
    site : SiteReadings
        The readings.
    as_of : date or None
        Last local day to keep; all of them by default.

    Returns
    -------
    pd.Series
        Energy per interval [Wh].

    Raises
    ------
    ValueError
        For naive times.
    """
    energy = site.energy_wh
    if isinstance(energy.index, pd.DatetimeIndex) and energy.index.tz is None:
        raise ValueError("energy_wh needs a zone-aware time index; naive times are refused")
    if as_of is not None and len(energy):
        energy = energy[energy.index < pd.Timestamp(as_of + timedelta(days=1), tz=site.array.tz)]
    return energy
