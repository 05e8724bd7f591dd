"""Totals of days, and intervals that are kept as such."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from portal.pv.arrays import Floats, Ints
from portal.pv.sun import DAY_S
from portal.readers import daylight
from portal.readers.clock import utc_offset_s
from portal.readers.mapping import Mapping
from portal.readers.meters import lay_out
from portal.readers.reading import ReadError
from portal.readers.register import from_registers
from portal.readers.series import NEARLY_A_DAY_S, Series, to_wh
from portal.readers.table import Loaded, sum_columns

MOST_STEP = 1.5
"""Days between readings up to which they are daily totals: summer time and jitter make one a little longer. Common
practice, no source."""

MIDNIGHTS_LOOKED_AT = 2_000
"""Days from whose stamps it is told whether they begin at midnight here. A bound on the work, no source."""
FIRST_DAY = 1.5
"""Energy of a first day as a ratio to the best of the others at most. Common practice, no source."""


def daily_series(loaded: Loaded, mapping: Mapping, zone: ZoneInfo, step: int) -> Series:
    """Take daily totals by the date they are written on.

    Parameters
    ----------
    loaded
        The readings as they came.
    mapping
        How the file is read.
    zone
        The site's zone.
    step
        Seconds between readings.

    Returns
    -------
    Series
        Energies of days; their starts are local midnights written as if they were UTC.

    Raises
    ------
    ReadError
        When they are more than a day apart, or powers.
    """
    if step > MOST_STEP * DAY_S:
        raise ReadError(
            "The readings are more than a day apart. Weekly or monthly totals do not show what dirt does: export daily "
            "totals or, better, intervals of an hour or less."
        )
    if mapping.kind == "power":
        raise ReadError(
            "One power a day is no energy. Export the daily energy or, better, intervals of an hour or less."
        )
    naive = loaded.stamps.naive_s.copy()
    offset = loaded.stamps.offset_s
    if (offset is not None or mapping.clock.kind == "utc") and len(naive):
        utc = naive if offset is None else naive - offset
        near = np.array([at + utc_offset_s(zone, int(at)) for at in utc[:MIDNIGHTS_LOOKED_AT]])
        if (near % DAY_S == 0).all():
            naive = np.array([at + utc_offset_s(zone, int(at)) for at in utc])
    register = mapping.kind == "register"
    if mapping.clock.label == "end" and not register:
        naive -= 1
    laid = lay_out(loaded, naive // DAY_S * DAY_S, to_wh(loaded.columns, mapping.unit))
    if register and _counts_its_day(laid.columns):
        laid = replace(laid, columns=[_moves(column) for column in laid.columns])
        register = False
    if register:
        series = from_registers(laid.start_s, laid.columns, laid.signs, laid.place, DAY_S)
    else:
        values = sum_columns(laid.columns, laid.signs).copy()
        series = Series(laid.start_s, np.full(len(laid.start_s), DAY_S), values, laid.place, DAY_S)
    series.duplicates, series.conflicts = laid.duplicates, laid.conflicts
    return series


def _counts_its_day(columns: list[Floats]) -> bool:
    """Say whether the first figures are no more than a day's energy, so that each has its own day in it: a month's sum.

    A meter that has run for long stands far higher, and may have been read at any hour of its day.
    """
    firsts = [column[~np.isnan(column)] for column in columns]
    return all(len(known) > 1 and 0 < known[0] <= FIRST_DAY * max(float(np.diff(known).max()), 0.0) for known in firsts)


def _moves(column: Floats) -> Floats:
    """Return each figure's rise over the one before; the figure itself where the count began again."""
    moves = np.diff(column, prepend=0.0)
    return np.where(moves < 0, column, moves)


def whole_days(series: Series, zone: ZoneInfo) -> tuple[Ints, pd.Series[float]]:
    """Add energies of intervals, or of days as ``daily_series`` gives them, up to days.

    Parameters
    ----------
    series
        The energies, in order.
    zone
        The site's zone.

    Returns
    -------
    starts : ndarray
        UTC instants [s] (n,) of the local midnights.
    energy_wh : Series
        Energies [Wh] by these, NaN where missing or where part of the day is.

    Examples
    --------
    >>> at = np.arange(4 * 24)
    >>> series = Series(900 * at, np.full(len(at), 900), np.full(len(at), 0.5), at, 900)
    >>> whole_days(series, ZoneInfo("UTC"))[1].tolist()
    [48.0]
    """
    start = series.start_s if series.step_s == DAY_S else daylight.local_seconds(series.start_s, zone)
    day = start // DAY_S
    days, first = np.unique(day, return_index=True)
    sums = np.add.reduceat(series.energy_wh, first)
    if series.step_s < NEARLY_A_DAY_S:
        covered = np.add.reduceat(series.length_s, first)
        sums = np.where(covered >= NEARLY_A_DAY_S, sums, np.nan)
    energy_wh = _daily(days, sums, zone)
    midnights = pd.DatetimeIndex(energy_wh.index).tz_localize(None).to_numpy()
    return midnights.astype("datetime64[s]").astype(np.int64), energy_wh


def _daily(days: Ints, energy: Floats, zone: ZoneInfo) -> pd.Series[float]:
    """Return daily totals (days since 1970, in order) indexed by the UTC instants of the local midnights.

    Parameters
    ----------
    days
        Days since 1970 (n,), in order.
    energy
        Their energies [Wh] (n,), NaN where missing.
    zone
        The site's zone.

    Returns
    -------
    Series
        Energies [Wh] of all days from the first to the last, NaN where missing.
    """
    full = np.arange(days[0], days[-1] + 1)
    values = np.full(len(full), np.nan)
    values[days - days[0]] = energy
    midnights = [_midnight(date.fromordinal(int(day) + 719_163), zone) for day in full]
    return pd.Series(values, index=pd.DatetimeIndex(midnights, tz="UTC"), name="energy_wh")


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)
