"""Which readings count: gaps, stuck values, wrong units, a shifted clock, clipping, outage, clear sky.

Readings are laid out as a matrix of days × intervals and reduced to one row of numbers a day
(:data:`portal.pv.daily.DAY`), which is all that the later steps see. A day's row depends on that day and on the weeks
before it, so rows of known days are kept and only new days are computed (:mod:`portal.pv.memory`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.array import Array
from portal.pv.arrays import Bools, Floats, Floats32
from portal.pv.clear import (
    BEST_DAYS,
    LEAST_OUTPUT,
    ClearSky,
    clear_intervals,
    level_ahead,
    low_sun,
    part_mean,
    row_quantile,
)
from portal.pv.daily import CLOUD, DAY, DEAD, EPOCH, GAPS, LOW_SUN, NO_READINGS, STUCK, UNITS, USED, Daily, Metering
from portal.pv.grid import MeteredDays, beside_the_sun, block_for, join_intervals, light_on, to_grid
from portal.pv.haze import dimming_shown, haze_response
from portal.pv.mend import hours_late, mark_stuck, mend_units, meter_quantum
from portal.pv.orientation import as_seen, seen_orientation
from portal.pv.said import Code, Said

LOWEST_SUN = 10.0
"""Sun elevation [degrees] below which horizon, reflection and the sky model are not trusted. Common practice, no
source; on a made fleet (16 roofs alone, 8 in a town) a fifth less raises mean errors of loss and gain by 0.04 and 0.09
points and leaves one present loss more outside its interval, a fifth more by 0.04 and 0.02."""
CLEAR_SHARE = 0.25
"""Share of a day's expected energy that clear intervals must hold for the day to count. Tuned on planted sites; a
fifth either way raises mean errors of loss and gain on the same 24 roofs by 0.04 and 0.05 points."""
DECLARED_DEAD = 0.003
"""Production over expectation below which an interval reads as no production: an inverter that is off still lets a
meter creep by some watts. Common practice, no source."""
DEAD_SHARE = 0.3
"""Share of a day's expected energy whose intervals read as no production, from which the day is refused. Common
practice, no source."""
SEEN_SHARE = 0.7
"""Share of a day's expected energy whose intervals must be read for the day to count. Common practice, no source."""
STUCK_SHARE = 0.2
"""Share of a day's expected energy in stuck intervals from which the day is refused. Common practice, no source."""
FAINT_DAY = 0.02
"""Expected energy of a day over the record's best below which the sun is too low. Common practice, no source."""
CLOUD_EDGE = 1.6
"""Ratio of power to the rating that no array reaches, reflection from cloud edges included; more is a meter's slip.
Measured enhancement of irradiance reaches about 1.5 (Gueymard 2017, doi:10.1016/j.solener.2017.04.012; from memory)."""
NEAR_A_TURN = 10
"""Days beside a change of unit whose readings do not tell the meter's step: more than the week that must agree on the
unit (:func:`portal.pv.mend.mend_units`). No source."""
CONTEXT_DAYS = 40
"""Known days before new ones by which the level of clear intervals is judged: more than half its window of 61.
No source."""

PEAK_QUANTILE = 0.9995
"""Quantile of the readings that is the record's peak: the few above it are slips of a meter. No source."""
DEAD_LIGHT = 0.05
"""Expected energy of an interval over the record's highest below which silence tells nothing. No source."""
UPPER = 0.8
"""Quantile of a day's ratios near which its clear intervals lie. No source."""
BRIGHT_SHARE = 0.3
"""Share of a day's expected energy that must be read for its whole ratio. No source."""
AT_LIMIT, AT_PEAK, PEAK_SEEN = 0.98, 0.985, 0.8
"""Expectation over the inverter's rating, and reading over the record's peak, from which an interval is clipped; the
latter where the peak is this share of the highest expectation at least. No source."""
LIGHT_OF_DAY, LIGHT_OF_RECORD = 0.06, 0.03
"""Expected energy over the day's and the record's highest below which an interval tells of no sky. No source."""
NOON = 20
"""Hour angle up to which it is noon: an hour and a third either side [degrees]. Common practice, no source."""
BEST_OF_DAYS = 31
"""Days around a daily total whose best it is held to. Common practice, no source."""
BRIGHT_TOTAL = 0.93
"""Ratio of a daily total to the best days around it from which the day counts as clear. No source."""


def reduce_to_days(array: Array, energy_wh: pd.Series[float], interval_minutes: int) -> Daily:
    """Reduce readings to one row a day.

    Parameters
    ----------
    array : Array
        As told; where the readings see another slope or direction (:mod:`portal.pv.orientation`), that is used.
    energy_wh : Series
        Interval energies [Wh], index zone-aware interval starts; NaN or absent where missing.
    interval_minutes : int
        5, 10, 15, 30, 60 or 1440.

    Returns
    -------
    Daily
        A row for each day from the first with a reading to the last, without holes.

    Raises
    ------
    ValueError
        For naive times or when no reading is finite.
    """
    if not np.isfinite(energy_wh.to_numpy(dtype=np.float64)).any():
        raise ValueError("there is no reading at all")
    grid = to_grid(array, energy_wh, interval_minutes)
    light = light_on(array, grid, interval_minutes)
    mended = _mended(beside_the_sun(array, grid, interval_minutes, light))
    seen = seen_orientation(array, mended.days)
    if seen is not None:
        array = as_seen(array, seen)
        mended = _mended(beside_the_sun(array, grid, interval_minutes, light))
    rows = _rows(array, mended.days, mended.meter, np.zeros(0, dtype=DAY))
    return Daily(
        rows,
        interval_minutes,
        mended.unit_changes,
        mended.clock_shifts,
        mended.meter,
        mended.notes,
        seen,
        len(rows),
    )


@dataclass(frozen=True)
class _Mended:
    """Days in one unit, on the right clock and no finer than their meter counts, and what was done for it."""

    days: MeteredDays
    meter: Metering
    unit_changes: int
    clock_shifts: int
    notes: tuple[Said, ...]


def _mended(days: MeteredDays) -> _Mended:
    from scipy.ndimage import maximum_filter1d  # as pvlib in portal.pv.sun

    minutes = days.interval_minutes
    energy, torn, unit_changes, scale = mend_units(days.energy_wh, days.expected_wh)
    shifts = late = 0
    if minutes < 1440:
        hours = hours_late(energy, days.expected_wh, days.hour_angle, minutes)
        late = int(hours[-1])
        if hours.any():
            shifts = int((np.diff(hours) != 0).sum()) or 1
            slots = hours * 60 // minutes
            energy = np.stack([np.roll(row, -int(n)) for row, n in zip(energy, slots, strict=True)])
    days = replace(days, energy_wh=energy, torn=torn)
    notes = []
    # Beside a change of unit some readings are scaled the wrong way, and are no step of the meter's.
    near = maximum_filter1d(torn, 2 * NEAR_A_TURN + 1)
    quantum = meter_quantum(energy[~near])
    block = block_for(quantum, float(days.expected_wh.max()), minutes)
    highest_day = float(days.expected_wh.sum(axis=1).max())
    if block > 1:
        notes.append(Said(Code.COARSE_METER, {"quantum_wh": quantum, "block": block}))
        days = join_intervals(days, block)
    if unit_changes:
        notes.append(Said(Code.UNIT_CHANGED, {"changes": unit_changes}))
    if shifts:
        notes.append(Said(Code.CLOCK_WRONG))
    meter = Metering(
        scale=scale,
        late_hours=late,
        quantum=quantum,
        peak_wh=float(np.quantile(days.energy_wh[days.read], PEAK_QUANTILE)),
        highest_expected_wh=float(days.expected_wh.max()),
        highest_day_wh=highest_day,
    )
    return _Mended(days, meter, unit_changes, shifts, tuple(notes))


def new_days(
    array: Array, energy_wh: pd.Series[float], interval_minutes: int, known: npt.NDArray[np.void], meter: Metering
) -> npt.NDArray[np.void]:
    """Rows of the days after the known ones, read the way the meter read at their end.

    Parameters
    ----------
    array : Array
        As the known rows were made: :func:`portal.pv.orientation.as_seen`.
    energy_wh : Series
        As for :func:`reduce_to_days`; may begin at any day up to the first new one.
    interval_minutes : int
        As of the known rows.
    known : ndarray of DAY
        At least one row.
    meter : Metering
        How the meter read at the known record's end.

    Returns
    -------
    ndarray of DAY
        From the day after the last known one, without holes, so that known and new rows lie end to end; empty when
        there are no new readings. Only the new days' expected energy is computed.

    Raises
    ------
    ValueError
        For naive times.
    """
    first = int(known["day"][-1]) + 1
    index = energy_wh.index
    if not isinstance(index, pd.DatetimeIndex):
        raise ValueError("energy_wh needs a time index")
    energy_wh = energy_wh[index >= pd.Timestamp(EPOCH + timedelta(days=first), tz=array.tz)]
    if not np.isfinite(energy_wh.to_numpy(dtype=np.float64)).any():
        return known[:0]
    grid = to_grid(array, energy_wh, interval_minutes, first)
    if not len(grid.energy_wh):
        return known[:0]
    days = beside_the_sun(array, grid, interval_minutes, light_on(array, grid, interval_minutes))
    energy = days.energy_wh * meter.scale
    if meter.late_hours:
        energy = np.roll(energy, -(meter.late_hours * 60 // interval_minutes), axis=1)
    days = replace(days, energy_wh=energy)
    if interval_minutes < 1440:
        # As the record's own block, which was chosen by its finest intervals.
        days = join_intervals(days, block_for(meter.quantum, meter.highest_expected_wh, interval_minutes))
    return _rows(array, days, meter, known[-CONTEXT_DAYS:])


def _rows(array: Array, days: MeteredDays, meter: Metering, before: npt.NDArray[np.void]) -> npt.NDArray[np.void]:
    """The numbers of each day from mended readings; ``before`` are rows of the days just before, where known."""
    stuck = mark_stuck(days.energy_wh, days.expected_wh, days.interval_minutes)
    wild = days.energy_wh > CLOUD_EDGE * array.dc_kw * 1000 * min(days.interval_minutes, 600) / 60
    days = replace(days, energy_wh=np.where(stuck | wild, np.nan, days.energy_wh))
    rows = _totals(days)
    if days.interval_minutes == 1440:
        return _judge_totals(rows, days, meter, before)
    expected, safe = days.expected_wh, np.maximum(days.expected_wh.sum(axis=1), 1e-9)
    ratio, clipped, usable = _usable(array, days, meter)
    dead = days.read & (expected > DEAD_LIGHT * meter.highest_expected_wh) & (np.nan_to_num(ratio) < DECLARED_DEAD)
    rows["dead"] = np.where(dead, expected, 0).sum(axis=1) / safe
    rows["clipped"] = np.where(clipped, expected, 0).sum(axis=1) / safe
    seen = np.where(usable, ratio, np.nan)
    rows["upper"] = row_quantile(seen, UPPER)
    level = _level(rows["upper"], before["upper"], days=61)
    sky = ClearSky(seen, usable, days.interval_minutes, meter.quantum / np.maximum(expected, 1e-9))
    clear = clear_intervals(sky, level)
    clear |= clear_intervals(sky, level_ahead(seen, usable, expected, level))
    _index(array, rows, days, ratio, clear)
    rows["low_sun"] = low_sun(days, days.read & ~clipped, rows["noon"], rows["index"], meter.quantum)

    flag = np.full(len(rows), USED)
    flag[~np.isfinite(rows["index"])] = CLOUD
    flag[rows["expected_wh"] < FAINT_DAY * meter.highest_day_wh] = LOW_SUN
    flag[rows["dead"] > DEAD_SHARE] = DEAD
    flag[rows["seen"] < SEEN_SHARE] = GAPS
    flag[(np.where(stuck, expected, 0).sum(axis=1) / safe) > STUCK_SHARE] = STUCK
    flag[days.torn] = UNITS
    flag[~np.isfinite(rows["energy_wh"])] = NO_READINGS
    rows["flag"] = flag
    rows["index"] = np.where(flag == USED, rows["index"], np.nan)
    return rows


def _totals(days: MeteredDays) -> npt.NDArray[np.void]:
    """Rows with what each day made and could have made; the rest NaN or zero."""
    expected, read = days.expected_wh, days.read
    whole = expected.sum(axis=1)
    seen_wh = np.where(read, expected, 0).sum(axis=1)
    rows = np.zeros(len(expected), dtype=DAY)
    rows["day"] = days.first_day + np.arange(len(expected))
    rows["energy_wh"] = np.where((read & (expected > 0)).any(axis=1), np.nansum(days.energy_wh, axis=1), np.nan)
    rows["expected_wh"] = whole
    rows["seen"] = seen_wh / np.maximum(whole, 1e-9)
    with np.errstate(invalid="ignore", divide="ignore"):
        rows["bright"] = np.where(seen_wh > BRIGHT_SHARE * whole, np.nansum(days.energy_wh, axis=1) / seen_wh, np.nan)
    for name in ("haze", "morning", "noon", "evening", "low_sun", "index", "upper"):
        rows[name] = np.nan
    return rows


def _usable(array: Array, days: MeteredDays, meter: Metering) -> tuple[Floats, Bools, Bools]:
    """Production over expectation of each interval, those at the inverter's limit, and those that can tell a sky."""
    expected, energy = days.expected_wh, days.energy_wh
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(days.read & (expected > 0), energy / expected, np.nan)
    highest = meter.highest_expected_wh
    limit = array.ac_kw * 1000 * days.interval_minutes / 60
    clipped = expected > AT_LIMIT * limit
    clipped |= (energy > AT_PEAK * meter.peak_wh) & (meter.peak_wh > PEAK_SEEN * highest)
    usable = days.read & (days.elevation > LOWEST_SUN) & ~clipped
    usable &= expected > np.maximum(LIGHT_OF_DAY * expected.max(axis=1, keepdims=True), LIGHT_OF_RECORD * highest)
    return ratio, clipped, usable


def _level(values: Floats32, before: Floats32, *, days: int) -> Floats:
    """Level of clear readings around each day, the quantile BEST_DAYS of a centred window; ``before`` counts in."""
    levels = np.concatenate([before, values]).astype(np.float64)
    lit = pd.Series(np.where(levels > LEAST_OUTPUT, levels, np.nan))
    top = lit.rolling(days, center=True, min_periods=5).quantile(BEST_DAYS)
    return np.asarray(top.ffill().bfill().to_numpy()[len(before) :])


def _index(array: Array, rows: npt.NDArray[np.void], days: MeteredDays, ratio: Floats, clear: Bools) -> None:
    """Fill in the index of each day's clear intervals, its haze, and its parts."""
    expected, hour_angle = days.expected_wh, days.hour_angle
    weight = np.where(clear, expected, 0.0)
    share = weight.sum(axis=1) / np.maximum(expected.sum(axis=1), 1e-9)
    rows["clear_share"] = share
    with np.errstate(invalid="ignore", divide="ignore"):
        index = np.where(clear, days.energy_wh, 0).sum(axis=1) / weight.sum(axis=1)
        rows["index"] = np.where(share >= CLEAR_SHARE, index, np.nan)
        log_ratio = np.where(clear, np.log(np.where(clear, ratio, 1.0)), 0.0)
    rows["haze"] = dimming_shown(log_ratio, clear, days, haze_response(array, days))
    rows["morning"] = part_mean(log_ratio, weight, hour_angle < -NOON)
    rows["noon"] = part_mean(log_ratio, weight, np.abs(hour_angle) <= NOON)
    rows["evening"] = part_mean(log_ratio, weight, hour_angle > NOON)


def _judge_totals(
    rows: npt.NDArray[np.void], days: MeteredDays, meter: Metering, before: npt.NDArray[np.void]
) -> npt.NDArray[np.void]:
    """Daily totals tell no clouds apart within a day: a day counts when it comes near the best days around it."""
    bright = rows["bright"].astype(np.float64)
    with np.errstate(invalid="ignore"):
        good = bright > BRIGHT_TOTAL * _level(rows["bright"], before["bright"], days=BEST_OF_DAYS)
    dead = np.nan_to_num(bright, nan=1) < DECLARED_DEAD
    flag = np.where(good, USED, CLOUD)
    flag[dead] = DEAD
    flag[~np.isfinite(bright)] = NO_READINGS
    flag[days.torn] = UNITS
    flag[rows["expected_wh"] < FAINT_DAY * meter.highest_day_wh] = LOW_SUN
    rows["flag"] = flag
    rows["dead"] = dead.astype(float)
    rows["clear_share"] = good.astype(float)
    rows["upper"] = bright
    rows["index"] = np.where(flag == USED, bright, np.nan)
    return rows
