"""Readings laid out as a matrix of local days and intervals, beside what a clean system makes in them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from portal.pv.array import Array
from portal.pv.arrays import Bools, Floats, Ints
from portal.pv.expected import Light, energy_in, light_in
from portal.pv.sun import DAY_S

FINE_STEP = 0.02
"""Share of the highest interval that the step of a meter may be without hiding clouds. Tuned on planted sites with
meters that count in 1 to 1,000 Wh: a fifth more or less moves none of them to another block."""
LONGEST_BLOCK = 60
"""Minutes that intervals are taken together at most: in an hour the sun moves by 15 degrees. Common practice, no
source."""


@dataclass(frozen=True)
class Grid:
    """Readings by local day; arrays of shape (days, slots)."""

    first_day: int
    """Days since 1970-01-01, local."""
    start_unix: Ints
    """Interval starts [s since 1970 UTC]."""
    energy_wh: Floats
    """NaN where missing."""


@dataclass(frozen=True)
class MeteredDays:
    """Days of readings beside the sun and what a clean system makes; arrays of shape (days, slots) unless said."""

    first_day: int
    """Days since 1970-01-01, local."""
    interval_minutes: int
    start_unix: Ints
    """Interval starts [s since 1970 UTC]."""
    energy_wh: Floats
    """Interval energies [Wh], NaN where missing."""
    expected_wh: Floats
    """Under a clear sky [Wh]."""
    elevation: Floats
    """Sun's apparent elevation [degrees]."""
    hour_angle: Floats
    """Sun's hour angle, negative before solar noon [degrees]."""
    torn: Bools
    """Days that hold two units, shape (days,)."""

    @property
    def read(self) -> Bools:
        """Intervals that hold a reading."""
        return np.isfinite(self.energy_wh)


def standard_offset(tz: str, year: int) -> int:
    """Offset of a zone's winter clock from UTC.

    Parameters
    ----------
    tz : str
        IANA zone.
    year : int
        Of the calendar.

    Returns
    -------
    int
        Seconds, east positive.

    Examples
    --------
    >>> standard_offset("America/Denver", 2024), standard_offset("Australia/Sydney", 2024)
    (-25200, 36000)
    """
    zone = ZoneInfo(tz)
    offsets = [datetime(year, month, 1, tzinfo=zone).utcoffset() for month in (1, 7)]
    return min(int(offset.total_seconds()) for offset in offsets if offset is not None)


def to_grid(array: Array, energy_wh: pd.Series[float], interval_minutes: int, first_day: int | None = None) -> Grid:
    """Lay readings out by local day (winter clock all year: clock changes happen at night).

    Parameters
    ----------
    array : Array
        The site's facts.
    energy_wh : Series
        Interval energies [Wh], index zone-aware interval starts on one grid; NaN or absent where missing.
    interval_minutes : int
        5, 10, 15, 30, 60 or 1440.
    first_day : int, optional
        Day the grid begins with (days since 1970-01-01, local); that of the first finite reading by default.

    Returns
    -------
    Grid
        Without holes: days and intervals that were not read are NaN.

    Raises
    ------
    ValueError
        For naive times.
    """
    index = energy_wh.index
    if not isinstance(index, pd.DatetimeIndex) or index.tz is None:
        raise ValueError("energy_wh needs a zone-aware time index; naive times are refused")
    # A record starts with its first reading: a summer midnight lies in the winter clock's day before.
    begin = int(np.argmax(np.isfinite(energy_wh.to_numpy(dtype=np.float64))))
    values, index = energy_wh.to_numpy(dtype=np.float64)[begin:], index[begin:]
    offset = standard_offset(array.tz, int(index[0].year))
    length = interval_minutes * 60
    if interval_minutes == 1440:
        local = index.tz_convert(array.tz).tz_localize(None).as_unit("s").asi8
    else:
        local = index.as_unit("s").asi8 + offset
    slots = DAY_S // length
    first = int(local.min() // DAY_S) if first_day is None else first_day
    values, local = values[local >= first * DAY_S], local[local >= first * DAY_S]
    count = max(int(local.max() // DAY_S) - first + 1, 0) if local.size else 0
    flat = np.full(count * slots, np.nan)
    flat[(local - first * DAY_S) // length] = values
    starts = first * DAY_S - offset + np.arange(count * slots, dtype=np.int64) * length
    return Grid(first, starts.reshape(count, slots), flat.reshape(count, slots))


def light_on(array: Array, grid: Grid, interval_minutes: int) -> Light:
    """Sun and clear sky over a site in the intervals of a grid.

    Parameters
    ----------
    array : Array
        The site's facts.
    grid : Grid
        The readings.
    interval_minutes : int
        Length of an interval; 1440 for daily totals.

    Returns
    -------
    Light
        Interval after interval.
    """
    return light_in(array.latitude, array.longitude, grid.start_unix.ravel(), interval_minutes)


def beside_the_sun(array: Array, grid: Grid, interval_minutes: int, light: Light) -> MeteredDays:
    """Put a grid of readings beside what a clean system makes in each interval.

    Parameters
    ----------
    array : Array
        The site's facts.
    grid : Grid
        The readings.
    interval_minutes : int
        Length of an interval; 1440 for daily totals.
    light : Light
        :func:`light_on` it, whatever slope and direction the modules have.

    Returns
    -------
    MeteredDays
        Energies below zero read as zero: meters creep a little at night.
    """
    model = energy_in(light, array)
    shape = grid.energy_wh.shape
    return MeteredDays(
        first_day=grid.first_day,
        interval_minutes=interval_minutes,
        start_unix=grid.start_unix,
        energy_wh=np.where(grid.energy_wh < 0, 0.0, grid.energy_wh),
        expected_wh=model.energy_wh.reshape(shape),
        elevation=model.elevation.reshape(shape),
        hour_angle=model.hour_angle.reshape(shape),
        torn=np.zeros(shape[0], dtype=bool),
    )


def block_for(quantum: float, highest: float, interval_minutes: int) -> int:
    """How many intervals to take together, up to an hour, so that a meter's step hides no clouds.

    Parameters
    ----------
    quantum : float
        Step in which the meter counts [Wh].
    highest : float
        Highest expected interval [Wh].
    interval_minutes : int
        Length of an interval; 1440 for daily totals.

    Returns
    -------
    int
        So many that the step is at most :data:`FINE_STEP` of the highest block, or as many as fill an hour.

    Examples
    --------
    >>> block_for(1.0, 1000.0, 15), block_for(100.0, 1000.0, 15)
    (1, 4)
    """
    for block in (1, 2, 4, 6, 12):
        if interval_minutes * block > LONGEST_BLOCK:
            break
        if quantum <= FINE_STEP * highest * block:
            return block
    return max(1, LONGEST_BLOCK // interval_minutes)


def join_intervals(days: MeteredDays, block: int) -> MeteredDays:
    """Take intervals together.

    Parameters
    ----------
    days : MeteredDays
        The readings.
    block : int
        Intervals in one of the result; divides a day's.

    Returns
    -------
    MeteredDays
        Energies summed (NaN where a part is missing), angles averaged.
    """
    if block == 1:
        return days
    count = len(days.energy_wh)

    def blocks(values: Floats) -> Floats:
        return values.reshape(count, -1, block)

    return replace(
        days,
        interval_minutes=days.interval_minutes * block,
        start_unix=days.start_unix[:, ::block],
        energy_wh=blocks(days.energy_wh).sum(axis=2),
        expected_wh=blocks(days.expected_wh).sum(axis=2),
        elevation=blocks(days.elevation).mean(axis=2),
        hour_angle=blocks(days.hour_angle).mean(axis=2),
    )
