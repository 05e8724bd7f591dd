"""What a cleaning's gain amounts to in energy, and what the season alone would say of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from portal.pv.advice import Range
from portal.pv.arrays import Floats
from portal.pv.forecast import kept_by_rain
from portal.pv.result import BAND_90, Band, Recovery
from portal.pv.worth import LEAST_SOILING_RATIO, clean_energy_wh
from portal.pv.year import PENTAD_DAYS, SoilingYear, pentad_of

GONE = 0.02
"""Share of a gain below which nothing of it is counted any more. Common practice, no source."""
FEWEST_COMPARED_DAYS = 3
"""Days of either year from which the same weeks are compared. Common practice, no source."""
CONFIDENCE = 0.9
"""Chance that an interval that is shown holds the truth; of all of them, by definition."""


@dataclass(frozen=True, slots=True)
class Recovered:
    """Clean energy over which a gain holds, so that gain [fraction] times ``clean_wh`` [Wh] is the energy recovered."""

    clean_wh: float
    days_without_readings: int
    last: date
    """Last day counted: the gain's last, or the record's."""
    share_left: float
    """Share of the gain still there after ``last`` (1: all of it, 0: rain or a later wash would have brought it)."""


def share_left(daily: pd.DataFrame, recoveries: Sequence[Recovery], cleaned_on: date) -> Floats:
    """Share of a cleaning's gain that is still its own on each day of the record.

    Rain that takes a fraction of the dirt off the washed roof would have taken the same fraction off the unwashed
    one, and with it that fraction of what the wash gained. Where the washed roof had no dirt to lose, all of it.

    Parameters
    ----------
    daily : pd.DataFrame
        ``Assessment.daily``; ``soiling_ratio`` is read the day before each recovery, NaN counts as clean.
    recoveries : sequence of Recovery
        Falls of the loss found in the data, washes excluded.
    cleaned_on : date
        The day of the cleaning.

    Returns
    -------
    np.ndarray
        Shares, shape (days,); 0 up to and including ``cleaned_on``.

    Notes
    -----
    Proportional removal by rain is an assumption of ours, no source.

    Examples
    --------
    >>> days = pd.date_range("2025-05-01", periods=6).date
    >>> daily = pd.DataFrame({"soiling_ratio": [0.9, 1.0, 0.99, 0.98, 0.99, 0.99]}, index=days)
    >>> rain = Recovery(date(2025, 5, 5), 0.01, Band(0.0, 0.02))
    >>> share_left(daily, [rain], date(2025, 5, 1)).round(3).tolist()
    [0.0, 1.0, 1.0, 1.0, 0.5, 0.5]
    """
    days = list(daily.index)
    left = np.array([1.0 if day > cleaned_on else 0.0 for day in days])
    ratio = daily["soiling_ratio"].ffill().fillna(1.0)
    for recovery in recoveries:
        if recovery.date <= cleaned_on:
            continue
        before = ratio[[day < recovery.date for day in days]]
        loss = 1 - float(before.iloc[-1]) if len(before) else 0.0
        washed_off = 1.0 if loss <= 0 else min(1.0, max(0.0, recovery.gain / loss))
        left[[day >= recovery.date for day in days]] *= 1 - washed_off
    return left


def recovered(
    daily: pd.DataFrame, recoveries: Sequence[Recovery], *, cleaned_on: date, next_wash: date | None
) -> Recovered:
    """Clean energy of the days on which the gain of a cleaning holds, by the readings.

    Parameters
    ----------
    daily : pd.DataFrame
        ``Assessment.daily``: ``energy_wh`` [Wh, NaN where missing] and ``soiling_ratio``.
    recoveries : sequence of Recovery
        Falls of the loss found in the data, washes excluded.
    cleaned_on : date
        Counting starts the day after.
    next_wash : date or None
        Counting ends the day before.

    Returns
    -------
    Recovered
        Days without readings count nothing and are counted.

    Examples
    --------
    >>> days = pd.date_range("2025-05-01", periods=4).date
    >>> daily = pd.DataFrame({"energy_wh": [9.0, 19.0, np.nan, 19.0], "soiling_ratio": 0.95}, index=days)
    >>> recovered(daily, [], cleaned_on=date(2025, 5, 1), next_wash=None).clean_wh
    40.0
    """
    left = share_left(daily, recoveries, cleaned_on)
    days = list(daily.index)
    if next_wash is not None:
        left[[day >= next_wash for day in days]] = 0.0
    left[left < GONE] = 0.0
    clean = (daily["energy_wh"] / daily["soiling_ratio"].fillna(1.0).clip(lower=LEAST_SOILING_RATIO)).to_numpy(
        dtype=float
    )
    counts = left > 0
    with_readings = counts & np.isfinite(clean)
    held = [day for day, yes in zip(days, counts, strict=True) if yes]
    return Recovered(
        float((clean * left)[with_readings].sum()),
        int((counts & ~np.isfinite(clean)).sum()),
        max(held, default=cleaned_on),
        float(left[-1]) if len(left) else 1.0,
    )


def expected_clean_wh(daily: pd.DataFrame, year: SoilingYear, *, after: date, until: date) -> Range:
    """Clean energy over which what is left of a gain will hold, weather as usual and rain as on this roof.

    Each rain takes of the gain what it would have taken of the dirt (:func:`share_left`).

    Parameters
    ----------
    daily : pd.DataFrame
        ``Assessment.daily``.
    year : SoilingYear
        What rain does to this roof through the year, by its own record.
    after, until : date
        First day less one, and last day.

    Returns
    -------
    Range
        [Wh], the mean of possible futures and the 9 in 10 around it; 0 when there is no day between, NaN when the
        record holds no energy.

    Examples
    --------
    >>> days = pd.date_range("2025-05-01", periods=40).date
    >>> daily = pd.DataFrame({"energy_wh": 9.0, "soiling_ratio": 0.9}, index=days)
    >>> dry = SoilingYear(np.zeros(73), np.zeros(73), np.array([0.4]))
    >>> round(expected_clean_wh(daily, dry, after=date(2025, 6, 9), until=date(2025, 6, 19)).middle, 6)
    100.0
    """
    days = [after + timedelta(days=n) for n in range(1, (until - after).days + 1)]
    if not days:
        return Range(0.0, 0.0, 0.0)
    pentads = np.array([pentad_of(day) for day in days[::PENTAD_DAYS]])
    left = np.cumprod(kept_by_rain(year, pentads), axis=0)
    before = np.vstack([np.ones_like(left[:1]), left[:-1]])
    clean = clean_energy_wh(daily, days).to_numpy(dtype=np.float64)
    by_pentad = np.add.reduceat(clean, np.arange(0, len(days), PENTAD_DAYS))
    futures = by_pentad @ ((before + left) / 2)
    low, _, high = np.quantile(futures, BAND_90)
    return Range(float(low), float(futures.mean()), float(high))


@dataclass(frozen=True, slots=True)
class Season:
    """The index after a cleaning, less the index of the same days a year earlier."""

    difference: float
    ci: Band
    days_before: int
    """Days of the year before that were compared."""


def same_season(daily: pd.DataFrame, *, cleaned_on: date, window: int = 30) -> Season | None:
    """Compare the days after a cleaning with the same days a year earlier, whatever the trend between.

    Parameters
    ----------
    daily : pd.DataFrame
        ``Assessment.daily``: ``index`` and ``used``.
    cleaned_on : date
        The day of the cleaning.
    window : int
        Days after the cleaning that are compared.

    Returns
    -------
    Season or None
        Difference of means with Welch's 90 % interval (Welch 1947, doi:10.1093/biomet/34.1-2.28), which takes days for
        independent and is therefore a little too narrow; None with fewer than three used days in either year.

    Examples
    --------
    >>> days = pd.date_range("2024-05-01", "2025-06-30").date
    >>> daily = pd.DataFrame({"index": 0.9, "used": True}, index=days)
    >>> daily.loc[date(2025, 6, 1):, "index"] = 0.95
    >>> round(same_season(daily, cleaned_on=date(2025, 5, 31)).difference, 3)
    0.05
    """
    good = daily.loc[daily["used"].astype(bool), "index"].dropna()
    span = [(cleaned_on, cleaned_on + timedelta(days=window))]
    span.append((span[0][0] - timedelta(days=365), span[0][1] - timedelta(days=365)))
    after, before = (good[[first < day <= last for day in good.index]].to_numpy(dtype=float) for first, last in span)
    if min(len(after), len(before)) < FEWEST_COMPARED_DAYS:
        return None
    difference = float(after.mean() - before.mean())
    if np.ptp(after) == 0 and np.ptp(before) == 0:
        return Season(difference, Band(difference, difference), len(before))
    from scipy import stats  # the slowest import of all, and each process of the portal would wait for it

    interval = stats.ttest_ind(after, before, equal_var=False).confidence_interval(CONFIDENCE)
    return Season(difference, Band(float(interval.low), float(interval.high)), len(before))
