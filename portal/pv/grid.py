"""Readings laid out as a matrix of local days and intervals."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from portal.pv.array import Array
from portal.pv.arrays import Floats, Ints
from portal.pv.expected import ExpectedIntervals


@dataclass(frozen=True)
class Grid:
    """Readings by local day: arrays of shape (days, slots)."""

    first_day: int
    start_unix: Ints
    energy_wh: Floats
    offset_seconds: int


def standard_offset(tz: str, year: int) -> int:
    """Offset of the zone's winter clock from UTC [s] in a year."""
    zone = ZoneInfo(tz)
    offsets = [datetime(year, month, 1, tzinfo=zone).utcoffset() for month in (1, 7)]
    return min(int(offset.total_seconds()) for offset in offsets if offset is not None)


def to_grid(array: Array, energy_wh: pd.Series[float], interval_minutes: int) -> Grid:
    """Lay readings out by local day (winter clock all year: clock changes happen at night)."""
    index = energy_wh.index
    if not isinstance(index, pd.DatetimeIndex) or index.tz is None:
        raise ValueError("energy_wh needs a zone-aware time index; naive times are refused")
    # A record starts with its first reading: a summer midnight lies in the winter clock's day before.
    begin = int(np.argmax(np.isfinite(energy_wh.to_numpy(dtype=np.float64))))
    energy_wh, index = energy_wh.iloc[begin:], index[begin:]
    unix = index.as_unit("s").asi8
    values = energy_wh.to_numpy(dtype=np.float64)
    offset = standard_offset(array.tz, int(index[0].year))
    if interval_minutes == 1440:
        local = index.tz_convert(array.tz).tz_localize(None).as_unit("s").asi8 // 86_400
        first, count = int(local.min()), int(local.max() - local.min() + 1)
        matrix = np.full((count, 1), np.nan)
        matrix[local - first, 0] = values
        starts = (np.arange(count, dtype=np.int64)[:, None] + first) * 86_400 - offset
        return Grid(first, starts, matrix, offset)
    length = interval_minutes * 60
    slots = 86_400 // length
    local = unix + offset
    first = int(local.min() // 86_400)
    count = int(local.max() // 86_400) - first + 1
    flat = np.full(count * slots, np.nan)
    flat[(local - first * 86_400) // length] = values
    starts = first * 86_400 - offset + np.arange(count * slots, dtype=np.int64) * length
    return Grid(first, starts.reshape(count, slots), flat.reshape(count, slots), offset)


def block_for(quantum: float, highest: float, interval_minutes: int) -> int:
    """How many intervals to take together so that a meter's step is no more than 2 % of an interval, up to an hour."""
    for block in (1, 2, 4, 6, 12):
        if interval_minutes * block > 60:
            break
        if quantum <= 0.02 * highest * block:
            return block
    return max(1, 60 // interval_minutes) if interval_minutes < 60 else 1


def join_intervals(model: ExpectedIntervals, block: int) -> ExpectedIntervals:
    """Expected energy of blocks of intervals."""

    def blocks(values: Floats) -> Floats:
        return values.reshape(-1, block)

    return ExpectedIntervals(
        energy_wh=blocks(model.energy_wh).sum(axis=1),
        unclipped_wh=blocks(model.unclipped_wh).sum(axis=1),
        elevation=blocks(model.elevation).mean(axis=1),
        hour_angle=blocks(model.hour_angle).mean(axis=1),
    )
