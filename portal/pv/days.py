"""Local days: cut a series of interval energies into day blocks and join them again.

A block holds the intervals of one local day from midnight to midnight: 23, 24 or 25 hours at clock changes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta

import numpy as np
import pandas as pd

from portal.pv.arrays import Floats32, Ints


def day_starts(first: date, last: date, *, tz: str) -> pd.DatetimeIndex:
    """UTC instants at which local days begin.

    Where a clock change skips midnight, the day starts at the first instant that exists.

    Parameters
    ----------
    first, last : date
        Local days, both included.
    tz : str
        IANA zone.

    Returns
    -------
    pd.DatetimeIndex
        In UTC, one a day, and the midnight after ``last``.

    Examples
    --------
    >>> day_starts(date(2026, 3, 8), date(2026, 3, 8), tz="America/Denver").strftime("%d %H:%M").tolist()
    ['08 07:00', '09 06:00']
    """
    days = pd.date_range(pd.Timestamp(first), pd.Timestamp(last) + timedelta(days=1), freq="D")
    return days.tz_localize(tz, nonexistent="shift_forward", ambiguous=True).tz_convert("UTC")


def cut_days(energy_wh: pd.Series[float], *, tz: str, interval_minutes: int) -> list[tuple[date, Floats32]]:
    """Cut interval energies into local-day blocks.

    Parameters
    ----------
    energy_wh : pd.Series
        Energy per interval [Wh], index interval starts, tz-aware UTC, unique, on the interval's grid counted from
        local midnight. Daily totals are indexed by local midnight.
    tz : str
        IANA zone.
    interval_minutes : int
        Interval length; 1440 for daily totals, whose block has one value whatever the day's length.

    Returns
    -------
    list of (date, float32 array)
        One block a day that has at least one reading, NaN where missing.

    Raises
    ------
    ValueError
        When the index is naive, or a stamp is off the grid.

    Examples
    --------
    >>> stamps = pd.date_range("2026-03-07T07:00Z", periods=47, freq="h")
    >>> blocks = cut_days(pd.Series(1.0, index=stamps), tz="America/Denver", interval_minutes=60)
    >>> [(day.isoformat(), len(block)) for day, block in blocks]
    [('2026-03-07', 24), ('2026-03-08', 23)]
    """
    if not isinstance(energy_wh.index, pd.DatetimeIndex) or energy_wh.index.tz is None:
        raise ValueError("readings need a time zone: naive stamps are refused")
    readings = energy_wh.dropna().sort_index()
    if readings.empty:
        return []
    utc = pd.DatetimeIndex(readings.index).tz_convert("UTC")
    local = utc.tz_convert(tz)
    starts = day_starts(local[0].date(), local[-1].date(), tz=tz)
    nanoseconds = utc.as_unit("ns").asi8
    edges = starts.as_unit("ns").asi8
    which = np.searchsorted(edges, nanoseconds, side="right") - 1
    slots, lengths = _slots(nanoseconds - edges[which], np.diff(edges), interval_minutes)
    if (slots < 0).any():
        stamp = utc[int(np.flatnonzero(slots < 0)[0])]
        raise ValueError(f"stamp {stamp} is off the grid of {interval_minutes} minutes from local midnight")
    values = readings.to_numpy(dtype=np.float32)
    bounds = np.flatnonzero(np.diff(which)) + 1
    first = starts.tz_convert(tz)[0].date()
    blocks = []
    for begin, end in zip([0, *bounds], [*bounds, len(which)], strict=True):
        day = int(which[begin])
        block = np.full(int(lengths[day]), np.nan, dtype=np.float32)
        block[slots[begin:end]] = values[begin:end]
        blocks.append((first + timedelta(days=day), block))
    return blocks


def _slots(offset_ns: Ints, day_ns: Ints, interval_minutes: int) -> tuple[Ints, Ints]:
    """Place of each reading in its day, -1 off the grid, and how many each day holds; a day's total is its only one."""
    if interval_minutes == 1440:
        return np.where(offset_ns == 0, 0, -1), np.ones_like(day_ns)
    slots, rest = np.divmod(offset_ns, interval_minutes * 60 * 1_000_000_000)
    return np.where(rest == 0, slots, -1), day_ns // (interval_minutes * 60 * 1_000_000_000)


def join_days(blocks: Iterable[tuple[date, int, Floats32]], *, tz: str, interval_minutes: int) -> pd.Series[float]:
    """Join day blocks into one regular series, NaN where a day or an interval is missing.

    Parameters
    ----------
    blocks : iterable of (date, interval in minutes, array)
        In the order of their days. Finer blocks are summed to ``interval_minutes``; a sum misses when a part misses.
        Coarser blocks that can't be split honestly are left out (NaN).
    tz : str
        IANA zone.
    interval_minutes : int
        Interval of the result.

    Returns
    -------
    pd.Series
        Energy per interval [Wh], float64, index interval starts in UTC.

    Examples
    --------
    >>> day = date(2026, 6, 1)
    >>> quarter_hours = np.full(96, 0.25, dtype=np.float32)
    >>> join_days([(day, 15, quarter_hours)], tz="America/Denver", interval_minutes=60).sum()
    np.float64(24.0)
    """
    kept: Sequence[tuple[date, int, Floats32]] = list(blocks)
    if not kept:
        return pd.Series(dtype="float64", index=pd.DatetimeIndex([], tz="UTC"))
    first, last = kept[0][0], kept[-1][0]
    edges = day_starts(first, last, tz=tz)
    if interval_minutes == 1440:
        index = edges[:-1]
        values = np.full(len(index), np.nan)
        for day, _, block in kept:
            values[(day - first).days] = block.sum(dtype=np.float64)
        return pd.Series(values, index=index)
    index = pd.date_range(edges[0], edges[-1], freq=f"{interval_minutes}min", inclusive="left")
    values = np.full(len(index), np.nan)
    step = interval_minutes * 60
    offsets = ((edges.as_unit("s").asi8 - edges.as_unit("s").asi8[0]) // step).astype(int)
    for day, minutes, block in kept:
        if minutes > interval_minutes or interval_minutes % minutes:
            continue
        begin = offsets[(day - first).days]
        parts = interval_minutes // minutes
        whole = block.astype(np.float64)[: len(block) // parts * parts].reshape(-1, parts).sum(axis=1)
        values[begin : begin + len(whole)] = whole
    return pd.Series(values, index=index)
