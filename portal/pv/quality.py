"""Which readings count: gaps, stuck values, wrong units, a shifted clock, clipping, outage, clear sky.

Readings are laid out as a matrix of days × intervals and reduced to one row of numbers a day (:data:`DAY`), which is
all that the later steps see. A day's row depends on that day and on the weeks before it, so rows of known days are
kept and only new days are computed (:mod:`portal.pv.memory`)."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.array import Array
from portal.pv.arrays import Bools, Floats
from portal.pv.clear import clear_intervals, haze_slope, level_ahead, low_sun, row_quantile
from portal.pv.daily import CLOUD, DAY, DEAD, EPOCH, GAPS, LOW_SUN, NO_READINGS, STUCK, UNITS, USED, Daily, Metering
from portal.pv.expected import ExpectedIntervals, expected_intervals
from portal.pv.grid import block_for, join_intervals, to_grid
from portal.pv.mend import hours_late, mark_stuck, mend_units, meter_quantum

LOWEST_SUN = 10.0
"""Sun elevation [degrees] below which horizon, reflection and the sky model are not trusted."""

CLEAR_SHARE = 0.25
"""Share of a day's expected energy that clear intervals must hold for the day to count."""

DECLARED_DEAD = 0.003
"""Ratio below which an interval reads as no production."""


def reduce_to_days(array: Array, energy_wh: pd.Series[float], interval_minutes: int) -> Daily:
    """Reduce readings to one row a day.

    Parameters
    ----------
    array : Array
    energy_wh : Series
        Interval energies [Wh], index zone-aware interval starts; NaN or absent where missing.
    interval_minutes : int
        5, 10, 15, 30, 60 or 1440.

    Raises
    ------
    ValueError
        For naive times or when no reading is finite.
    """
    if not np.isfinite(energy_wh.to_numpy(dtype=np.float64)).any():
        raise ValueError("there is no reading at all")
    grid = to_grid(array, energy_wh, interval_minutes)
    model = expected_intervals(array, grid.start_unix.ravel(), interval_minutes)
    shape = grid.energy_wh.shape
    expected = model.energy_wh.reshape(shape)
    energy = np.where(grid.energy_wh < 0, 0.0, grid.energy_wh)  # meters read a little below zero at night
    energy, torn, unit_changes, scale = mend_units(energy, expected)
    shifts = late = 0
    if interval_minutes < 1440:
        hours = hours_late(energy, expected, model.hour_angle.reshape(shape), interval_minutes)
        late = int(hours[-1])
        if hours.any():
            shifts = int((np.diff(hours) != 0).sum()) or 1
            slots = hours * 60 // interval_minutes
            energy = np.stack([np.roll(row, -int(n)) for row, n in zip(energy, slots, strict=True)])
    notes = []
    quantum = meter_quantum(energy)
    coarse = block_for(quantum, float(expected.max()), interval_minutes)
    if coarse > 1:
        notes.append(f"The meter counts in steps of {quantum:.0f} Wh; its readings were taken {coarse} together.")
        energy = energy.reshape(len(energy), -1, coarse).sum(axis=2)
        model = join_intervals(model, coarse)
    meter = Metering(
        scale=scale,
        late_hours=late,
        quantum=quantum,
        peak_wh=float(np.quantile(energy[np.isfinite(energy)], 0.9995)),
        highest_expected_wh=float(model.energy_wh.max()),
        highest_day_wh=float(expected.sum(axis=1).max()),
    )
    rows = reduce_days(array, grid.first_day, energy, model, interval_minutes * coarse, torn, meter, None)
    if unit_changes:
        notes.append(f"The meter changed its unit {unit_changes} time(s); the readings were brought back to one unit.")
    if shifts:
        notes.append("The meter's clock ran wrong by an hour or more for part of the record; this was put right.")
    return Daily(rows, interval_minutes, unit_changes, shifts, meter, tuple(notes))


def new_days(
    array: Array, energy_wh: pd.Series[float], interval_minutes: int, known: npt.NDArray[np.void], meter: Metering
) -> npt.NDArray[np.void]:
    """Rows of the days after the known ones, read the way the meter read at their end.

    Only the new days' expected energy is computed. Empty when there are none.
    """
    first = int(known["day"][-1]) + 1
    index = energy_wh.index
    if not isinstance(index, pd.DatetimeIndex):
        raise ValueError("energy_wh needs a time index")
    start = pd.Timestamp(EPOCH + timedelta(days=first), tz=array.tz)
    energy_wh = energy_wh[index >= start]
    if not len(energy_wh):
        return known[:0]
    grid = to_grid(array, energy_wh, interval_minutes)
    model = expected_intervals(array, grid.start_unix.ravel(), interval_minutes)
    energy = np.where(grid.energy_wh < 0, 0.0, grid.energy_wh) * meter.scale
    if meter.late_hours:
        energy = np.roll(energy, -(meter.late_hours * 60 // interval_minutes), axis=1)
    coarse = block_for(meter.quantum, meter.highest_expected_wh, interval_minutes)
    if interval_minutes < 1440 and coarse > 1:
        energy = energy.reshape(len(energy), -1, coarse).sum(axis=2)
        model = join_intervals(model, coarse)
    torn = np.zeros(len(energy), dtype=bool)
    rows = reduce_days(array, grid.first_day, energy, model, interval_minutes * coarse, torn, meter, known[-40:])
    return rows[rows["day"] >= first]


def reduce_days(
    array: Array,
    first_day: int,
    energy: Floats,
    model: ExpectedIntervals,
    interval_minutes: int,
    torn: Bools,
    meter: Metering,
    before: npt.NDArray[np.void] | None,
) -> npt.NDArray[np.void]:
    """The numbers of each day from mended readings; ``before`` are rows of the days just before, where known."""
    shape = energy.shape
    expected = model.energy_wh.reshape(shape)
    elevation = model.elevation.reshape(shape)
    hour_angle = model.hour_angle.reshape(shape)
    stuck = mark_stuck(energy, expected, interval_minutes)
    # No array makes more than its rating and a little cloud-edge gain; such a value is a meter's slip.
    wild = energy > 1.6 * array.dc_kw * 1000 * min(interval_minutes, 600) / 60
    energy = np.where(stuck | wild, np.nan, energy)
    read = np.isfinite(energy)
    whole = expected.sum(axis=1)
    safe = np.maximum(whole, 1e-9)
    rows = np.zeros(shape[0], dtype=DAY)
    rows["day"] = first_day + np.arange(shape[0])
    any_read = (read & (expected > 0)).any(axis=1)
    rows["energy_wh"] = np.where(any_read, np.nansum(energy, axis=1), np.nan)
    rows["expected_wh"] = whole
    rows["seen"] = np.where(read, expected, 0).sum(axis=1) / safe
    with np.errstate(invalid="ignore", divide="ignore"):
        seen_wh = np.where(read, expected, 0).sum(axis=1)
        bright = np.where(seen_wh > 0.3 * whole, np.nansum(energy, axis=1) / seen_wh, np.nan)
    rows["bright"] = bright
    for name in ("haze", "morning", "noon", "evening", "low_sun", "index", "upper"):
        rows[name] = np.nan
    if interval_minutes == 1440:
        return _reduce_totals(rows, bright, torn, whole / meter.highest_day_wh, before)

    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(read & (expected > 0), energy / expected, np.nan)
    limit = array.ac_kw * 1000 * interval_minutes / 60
    highest = meter.highest_expected_wh
    clipped = (expected > 0.98 * limit) | ((energy > 0.985 * meter.peak_wh) & (meter.peak_wh > 0.8 * highest))
    usable = read & (elevation > LOWEST_SUN) & (expected > 0.06 * expected.max(axis=1, keepdims=True)) & ~clipped
    usable &= expected > 0.03 * highest
    ratio_ok = np.where(usable, ratio, np.nan)
    dead = read & (expected > 0.05 * highest) & (np.nan_to_num(ratio) < DECLARED_DEAD)
    rows["dead"] = np.where(dead, expected, 0).sum(axis=1) / safe
    rows["clipped"] = np.where(clipped, expected, 0).sum(axis=1) / safe
    upper = row_quantile(ratio_ok, 0.8)
    rows["upper"] = upper
    context = np.zeros(0) if before is None else before["upper"].astype(np.float64)
    levels = np.concatenate([context, upper])
    top = pd.Series(np.where(levels > 0.02, levels, np.nan)).rolling(61, center=True, min_periods=5).quantile(0.85)
    top_level = top.ffill().bfill().to_numpy()[len(context) :]
    rounding = meter.quantum / np.maximum(expected, 1e-9)
    clear = clear_intervals(ratio_ok, usable, top_level, interval_minutes, rounding)
    lower = level_ahead(ratio_ok, usable, expected, top_level)
    clear |= clear_intervals(ratio_ok, usable, lower, interval_minutes, rounding)

    weight = np.where(clear, expected, 0.0)
    share = weight.sum(axis=1) / safe
    rows["clear_share"] = share
    with np.errstate(invalid="ignore", divide="ignore"):
        index = np.where(share >= CLEAR_SHARE, np.where(clear, energy, 0).sum(axis=1) / weight.sum(axis=1), np.nan)
        log_ratio = np.where(clear, np.log(np.where(clear, ratio, 1.0)), 0.0)
    haze, haze_weight = haze_slope(log_ratio, clear, expected, elevation, hour_angle)
    rows["haze"], rows["haze_weight"] = haze, haze_weight
    for name, part in (
        ("morning", hour_angle < -20),
        ("noon", np.abs(hour_angle) <= 20),
        ("evening", hour_angle > 20),
    ):
        rows[name] = _part_mean(log_ratio, weight, part)
    rows["low_sun"] = low_sun(energy, expected, elevation, hour_angle, read & ~clipped, rows["noon"], rows["index"])

    flag = np.full(shape[0], USED)
    flag[~np.isfinite(index)] = CLOUD
    flag[whole < 0.02 * meter.highest_day_wh] = LOW_SUN
    flag[rows["dead"] > 0.3] = DEAD
    flag[rows["seen"] < 0.7] = GAPS
    flag[(np.where(stuck, expected, 0).sum(axis=1) / safe) > 0.2] = STUCK
    flag[torn] = UNITS
    flag[~any_read] = NO_READINGS
    rows["flag"] = flag
    rows["index"] = np.where(flag == USED, index, np.nan)
    return rows


def _reduce_totals(
    rows: npt.NDArray[np.void], bright: Floats, torn: Bools, sun: Floats, before: npt.NDArray[np.void] | None
) -> npt.NDArray[np.void]:
    """Daily totals tell no clouds apart within a day: a day counts when it comes near the best days around it.

    ``sun`` is each day's expected energy over the record's highest.
    """
    context = np.zeros(0) if before is None else before["bright"].astype(np.float64)
    levels = np.concatenate([context, bright])
    top = pd.Series(np.where(levels > 0.02, levels, np.nan)).rolling(31, center=True, min_periods=5)
    level = top.quantile(0.85).ffill().bfill().to_numpy()[len(context) :]
    with np.errstate(invalid="ignore"):
        good = bright > 0.93 * level
    flag = np.where(good, USED, CLOUD)
    flag[np.nan_to_num(bright, nan=1) < DECLARED_DEAD] = DEAD
    flag[~np.isfinite(bright)] = NO_READINGS
    flag[torn] = UNITS
    flag[sun < 0.02] = LOW_SUN
    rows["flag"] = flag
    rows["dead"] = (np.nan_to_num(bright, nan=1) < DECLARED_DEAD).astype(float)
    rows["clear_share"] = good.astype(float)
    rows["upper"] = bright
    rows["index"] = np.where(flag == USED, bright, np.nan)
    return rows


def _part_mean(log_ratio: Floats, weight: Floats, part: Bools) -> Floats:
    inside = np.where(part, weight, 0.0)
    total = inside.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where((inside > 0).sum(axis=1) >= 1, (inside * log_ratio).sum(axis=1) / total, np.nan)
