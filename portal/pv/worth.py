"""What a clean roof of this site makes, by season: the base of every kWh and every sum of money on a page."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from portal.pv.arrays import Floats
from portal.pv.year import PENTAD_DAYS, PENTADS, YEAR_DAYS, day_of_year

HALF_WINDOW = 30
"""A day of the year is judged by the days within a month of it, in all years of the record [days]. Common practice, no
source."""
LEAST_SOILING_RATIO = 0.05
"""Soiling ratio below which none is divided by: it would make a dark day's energy any size. No source."""
JULIAN_YEAR = YEAR_DAYS + 0.25
"""Days, by definition of the Julian year."""


def clean_energy_wh(daily: pd.DataFrame, days: list[date]) -> pd.Series[float]:
    """Energy the site would make on given days if it were clean, weather as usual at that time of the year.

    The site's own energies, divided by the fitted soiling ratio of their day, averaged over the days of the record
    within a month of the same day of the year. A season that the record does not hold gets the record's mean: with less
    than a year of readings the figure leans to the seasons seen.

    Parameters
    ----------
    daily : pd.DataFrame
        ``Assessment.daily``: columns ``energy_wh`` and ``soiling_ratio``; NaN days are left out, a NaN soiling ratio
        counts as 1.
    days : list of date
        Days asked for, past or future.

    Returns
    -------
    pd.Series
        Energy [Wh] by day; NaN when the record holds no energy at all.

    Examples
    --------
    >>> record = pd.date_range("2024-01-01", "2024-12-31").date
    >>> daily = pd.DataFrame({"energy_wh": 9000.0, "soiling_ratio": 0.9}, index=record)
    >>> clean_energy_wh(daily, [date(2025, 6, 1)]).round(3).tolist()
    [10000.0]
    """
    asked = pd.Index(days, dtype=object)
    ratio = daily["soiling_ratio"].to_numpy(dtype=np.float64)
    with np.errstate(invalid="ignore"):  # refused days
        clean = daily["energy_wh"].to_numpy(dtype=np.float64) / np.maximum(
            np.nan_to_num(ratio, nan=1.0), LEAST_SOILING_RATIO
        )
    good = np.isfinite(clean)
    if not good.any():
        return pd.Series(np.nan, index=asked)
    clean = clean[good]
    apart = np.abs(day_of_year(days)[:, None] - day_of_year(daily.index[good])[None, :])
    near = (np.minimum(apart, YEAR_DAYS - apart) <= HALF_WINDOW).astype(np.float64)
    count = near.sum(axis=1)
    means = np.where(count > 0, near @ clean / np.maximum(count, 1), clean.mean())
    return pd.Series(means, index=asked)


def value_by_pentad(clean_energy_wh: pd.Series[float], price_per_kwh: float) -> Floats:
    """Value of a day's clean yield in each pentad of the year.

    Parameters
    ----------
    clean_energy_wh : pd.Series
        Clean yield of a day [Wh] by date, every day of a year or some.
    price_per_kwh : float
        [money]

    Returns
    -------
    ndarray (73,)
        [money/day], linear between the days given.

    Raises
    ------
    ValueError
        When a yield is missing.
    """
    energy = clean_energy_wh.to_numpy(dtype=np.float64)
    if not energy.size or not np.isfinite(energy).all():
        raise ValueError("clean_energy_wh is empty or has gaps; without the value of a day nothing pays or fails to")
    at = np.array([pd.Timestamp(day).timetuple().tm_yday for day in clean_energy_wh.index], dtype=np.float64)
    order = np.argsort(at)
    middles = np.arange(PENTADS) * PENTAD_DAYS + (PENTAD_DAYS + 1) / 2
    by_pentad: Floats = np.interp(middles, at[order], energy[order], period=JULIAN_YEAR)
    return by_pentad / 1000 * price_per_kwh
