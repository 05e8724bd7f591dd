"""Whether a file's readings can be this site's at all: their size against the inverter, their hours against the sun."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from portal.pv.expected import sun_position

CIVIL_TWILIGHT = -6.0
"""Elevation of the sun [degrees] below which no PV system gives energy: the end of civil twilight, by definition."""
LOOKED_AT = 20_000
"""So many intervals, spread evenly, are enough to tell. Intervals; no source."""


@dataclass(frozen=True, slots=True)
class Plausibility:
    """How readings lie to their site."""

    size: float
    """High power over the inverter's AC size (daily totals: high energy over eight hours at that size); ratio."""
    dark: float
    """Share of the energy while the sun is more than 6° below the horizon; NaN for daily totals. Ratio."""


def plausibility_of(
    energy_wh: pd.Series[float], interval_minutes: int, *, latitude: float, longitude: float, ac_kw: float
) -> Plausibility | None:
    """Compare readings with the inverter's size and the sun's hours.

    Parameters
    ----------
    energy_wh : pd.Series
        Energy per interval [Wh], index tz-aware interval starts; NaN are left out.
    interval_minutes : int
        Interval length; 1440 for daily totals.
    latitude, longitude : float
        Degrees, north and east positive.
    ac_kw : float
        The inverter's AC size [kW].

    Returns
    -------
    Plausibility or None
        None when there is no energy to look at.

    Examples
    --------
    >>> noon = pd.date_range("2026-06-21T12:00Z", periods=4, freq="15min")
    >>> told = plausibility_of(pd.Series(1250.0, index=noon), 15, latitude=40.0, longitude=0.0, ac_kw=5.0)
    >>> told.size, told.dark
    (1.0, 0.0)
    """
    known = energy_wh[energy_wh > 0]
    if known.empty:
        return None
    known = known.iloc[:: max(1, len(known) // LOOKED_AT)]
    energy = known.to_numpy(dtype=np.float64)
    hours = 8.0 if interval_minutes == 1440 else interval_minutes / 60
    size = float(np.quantile(energy, 0.995)) / (ac_kw * 1000 * hours)
    if interval_minutes == 1440:
        return Plausibility(size, float("nan"))
    middle = pd.DatetimeIndex(known.index).as_unit("s").asi8.astype(np.float64) + interval_minutes * 30.0
    zenith, _, _ = sun_position(middle, latitude, longitude)
    return Plausibility(size, float(energy[zenith > 90 - CIVIL_TWILIGHT].sum() / energy.sum()))
