"""Hours of the day that look shaded, for somebody who stands on the roof and can look where the shade comes from."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date

import pandas as pd

from portal.pv.array import Array
from portal.pv.expected import expected_energy

LOOKS_SHADED = 0.7
"""Share of what the best hours yield of their expectation, below which an hour looks shaded. Common practice, no
source."""
FEWEST_CLEAR_DAYS = 5
"""Clear days below which nothing is said. Common practice, no source."""
WORTH_A_LOOK = 0.1
"""Share of the best hour's expected energy below which an hour is dawn or dusk, and left out. Common practice, no
source."""


def hours_that_look_shaded(
    array: Array, energy_wh: pd.Series[float], interval_minutes: int, days: Collection[date]
) -> list[int]:
    """Local clock hours in which a clear day's output falls short against the rest of the day.

    A hint where to look, not a verdict: planes whose facts are wrong make hours look shaded too.

    Parameters
    ----------
    array : Array
        The site's facts.
    energy_wh : pd.Series
        Energy per interval [Wh], index interval starts in UTC; NaN is left out.
    interval_minutes : int
        Nothing is found in daily totals (1440).
    days : collection of date
        Clear local days to judge by; fewer than :data:`FEWEST_CLEAR_DAYS` say nothing.

    Returns
    -------
    list of int
        Hours of the local clock, 0 to 23, each from its full hour on.

    Examples
    --------
    >>> from portal.pv.array import Plane
    >>> array = Array(39.7, -105.2, "America/Denver", (Plane(30, 180, 6.0),), 6.0)
    >>> starts = pd.date_range("2026-06-01T06:00Z", periods=24 * 6, freq="h")
    >>> energy_wh = expected_energy(array, starts, 60)
    >>> energy_wh[starts.tz_convert("America/Denver").hour == 16] *= 0.5
    >>> days = {date(2026, 6, number) for number in range(1, 7)}
    >>> hours_that_look_shaded(array, energy_wh, 60, days)
    [16]
    """
    if interval_minutes >= 1440 or len(days) < FEWEST_CLEAR_DAYS:
        return []
    local = pd.DatetimeIndex(energy_wh.index).tz_convert(array.tz)
    wanted = set(days)
    chosen = energy_wh.loc[[day in wanted for day in local.date]].dropna()
    if chosen.empty:
        return []
    starts = pd.DatetimeIndex(chosen.index)
    table = pd.DataFrame({"made": chosen, "expected": expected_energy(array, starts, interval_minutes)})
    by_hour = table.groupby(starts.tz_convert(array.tz).hour).sum()
    by_hour = by_hour[by_hour["expected"] > WORTH_A_LOOK * by_hour["expected"].max()]
    share = by_hour["made"] / by_hour["expected"]
    best = share.nlargest(3).median()
    return [int(hour) for hour in share.index[share < LOOKS_SHADED * best]]
