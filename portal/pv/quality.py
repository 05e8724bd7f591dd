"""Which readings count: gaps, stuck values, wrong units, a shifted clock, clipping, outage, clear sky.

Readings are laid out as a matrix of days × intervals and reduced to one row of numbers a day (:data:`DAY`), which is
all that the later steps see. A day's row depends on that day and on the weeks before it, so rows of known days are
kept and only new days are computed (:mod:`portal.pv.memory`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.ndimage import maximum_filter1d

from portal.pv.array import Array
from portal.pv.arrays import Bools, Floats, Ints
from portal.pv.expected import ExpectedIntervals, expected_intervals

EPOCH = date(1970, 1, 1)

DAY = np.dtype(
    [
        ("day", "i4"),  # days since 1970-01-01, local
        ("energy_wh", "f4"),  # NaN on a day without readings
        ("expected_wh", "f4"),
        ("seen", "f4"),  # share of the day's expected energy whose intervals were read
        ("bright", "f4"),  # energy over expected energy of the intervals read: cloud and all
        ("index", "f4"),  # clear intervals only; NaN where too few
        ("clear_share", "f4"),  # share of the day's expected energy in clear intervals
        ("haze", "f4"),  # slope of log ratio against air mass within the day; NaN where it cannot be told
        ("haze_weight", "f4"),  # information in that slope
        ("morning", "f4"),  # mean log ratio of clear morning, noon and evening intervals
        ("noon", "f4"),
        ("evening", "f4"),
        ("low_sun", "f4", (2, 5)),  # log ratio to noon, morning and evening, by SUN_BANDS, clouds and all
        ("upper", "f4"),  # 80 % quantile of interval ratio
        ("clipped", "f4"),  # share of expected energy at the inverter's limit
        ("dead", "f4"),  # share of expected energy whose intervals read (almost) zero
        ("flag", "i2"),  # REFUSED key
    ]
)

USED, NO_READINGS, GAPS, DEAD, CLOUD, STUCK, UNITS, LOW_SUN = range(8)
REFUSED = {
    USED: "",
    NO_READINGS: "no readings",
    GAPS: "readings missing by day",
    DEAD: "inverter off or snow on the modules",
    CLOUD: "too cloudy",
    STUCK: "meter stuck",
    UNITS: "meter changed units this day",
    LOW_SUN: "sun too low",
}

SUN_BANDS = np.array([8.0, 12.0, 16.0, 20.0, 25.0, 31.0])
"""Edges of the bands of sun elevation [degrees] in which shade is looked for."""
LOWEST_SUN = 10.0
"""Sun elevation [degrees] below which horizon, reflection and the sky model are not trusted."""
CLEAR_SHARE = 0.25
"""Share of a day's expected energy that clear intervals must hold for the day to count."""
DECLARED_DEAD = 0.003
"""Ratio below which an interval reads as no production."""


@dataclass(frozen=True, slots=True)
class Meter:
    """How the meter reads at the record's end: what a new day's readings need to be read the same way."""

    scale: float
    """Factor that brings its unit to Wh."""
    late_hours: int
    """Whole hours its clock runs late."""
    quantum: float
    """Step in which it counts [Wh]."""
    peak_wh: float
    """Highest interval."""
    highest_expected_wh: float
    """Highest expected interval of the record."""
    highest_day_wh: float
    """Highest expected day of the record."""


@dataclass(frozen=True)
class Daily:
    """One row of :data:`DAY` a local day, without holes, and what was mended on the way."""

    rows: npt.NDArray[np.void]
    interval_minutes: int
    unit_changes_mended: int
    clock_shifts_mended: int
    meter: Meter
    notes: tuple[str, ...] = ()

    @property
    def days(self) -> Ints:
        """Days since 1970-01-01."""
        return np.asarray(self.rows["day"].astype(np.int64))

    def __getitem__(self, name: str) -> Floats:
        return np.asarray(self.rows[name], dtype=np.float64)

    def dates(self) -> list[date]:
        """The local dates."""
        return [EPOCH + timedelta(days=int(day)) for day in self.rows["day"]]


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


def mend_units(energy: Floats, expected: Floats) -> tuple[Floats, Bools, int, float]:
    """Bring a meter that changed between Wh and kWh back to one unit.

    A day far outside what the array can make by a factor near 1000 is scaled; the days at each change, which hold
    both units, are marked as not usable.

    Returns
    -------
    energy : ndarray (days, slots)
    torn : ndarray of bool (days,)
        Days that hold both units.
    changes : int
    scale : float
        Factor at the record's end.
    """
    possible = expected.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(possible > 0, np.nansum(energy, axis=1) / possible, np.nan)
        peak = np.nanmax(np.where(expected > 0, energy, np.nan) / expected.max(), axis=1, initial=0)
    enough = possible > 0.05 * possible.max()  # a midwinter day of the far north tells nothing
    high = ((ratio > 12) & enough) | (peak > 12)
    lit = pd.Series(np.where(np.isfinite(energy).any(axis=1) & (ratio > 1e-6), ratio, np.nan))
    typical = lit.rolling(21, center=True, min_periods=3).quantile(0.85).to_numpy()
    low = ~high & enough & (typical < 0.02) & (np.nan_to_num(ratio) > 1e-6)
    state = high.astype(int) - low.astype(int)
    known = np.isfinite(energy).any(axis=1) & (np.nan_to_num(ratio) > 1e-6)
    if not state.any():
        return energy, np.zeros(len(energy), bool), 0, 1.0
    # A dim day cannot tell its unit by itself: it takes that of the days around it.
    telling = known & enough & (high | low | ((ratio > 0.2) & (ratio < 2)))
    # One dark day in the wrong unit can look right: a week must agree.
    told = pd.Series(state[telling]).rolling(7, center=True, min_periods=1).median().round()
    filled = pd.Series(np.full(len(energy), np.nan))
    filled[np.flatnonzero(telling)] = told.to_numpy()
    unit = filled.ffill().bfill().fillna(0).to_numpy().astype(int)
    scale = np.where(unit > 0, 1e-3, np.where(unit < 0, 1e3, 1.0))
    turn = np.flatnonzero(np.diff(unit) != 0)
    torn = np.zeros(len(energy), bool)
    torn[turn] = True
    torn[np.minimum(turn + 1, len(energy) - 1)] = True
    return energy * scale[:, None], torn, max(len(turn), 1), float(scale[-1])


def meter_quantum(energy: Floats) -> float:
    """Step in which a meter counts [Wh]; 0 where none shows."""
    values = np.unique(np.round(energy[np.isfinite(energy) & (energy > 0)], 2))
    if values.size < 2 or values.size > 2000:
        return 0.0
    return float(np.quantile(np.diff(values), 0.25))


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


def mark_stuck(energy: Floats, expected: Floats, interval_minutes: int) -> Bools:
    """Intervals in which a meter repeats one value for three hours while the sun moves on."""
    need = max(4, 180 // interval_minutes)
    stuck = np.zeros(energy.shape, bool)
    if energy.shape[1] < 2 * need:
        return stuck
    # Output held at an inverter's limit is flat too: only repeats below nine tenths of the record's highest count.
    below = energy < 0.9 * np.nanmax(energy, initial=0)
    same = (np.diff(energy, axis=1) == 0) & (energy[:, 1:] > 0) & (expected[:, 1:] > 0.1 * expected.max())
    same &= below[:, 1:]
    length = np.zeros(energy.shape[0], int)
    for slot in range(same.shape[1]):
        length = np.where(same[:, slot], length + 1, 0)
        long = length >= need
        if long.any():
            for row in np.flatnonzero(long):
                stuck[row, slot + 1 - length[row] : slot + 2] = True
    return stuck


def clock_shift(energy: Floats, expected: Floats, hour_angle: Floats, interval_minutes: int) -> Ints:
    """Whole hours by which each day's readings run late against the sun.

    The energy-weighted mean hour angle of bright days, against that expected, moves by 15° for each hour that a
    clock is wrong; a wrongly told azimuth or a tree moves it by some degrees too. So a shift counts only when weeks
    of bright days agree, and when the readings show production in the dark that the shift takes away.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        whole = np.where(np.isfinite(energy), expected, 0)
        made = np.where(np.isfinite(energy), energy, 0)
        bright = made.sum(axis=1) / whole.sum(axis=1)
        late = (made * hour_angle).sum(axis=1) / made.sum(axis=1) - (whole * hour_angle).sum(axis=1) / whole.sum(axis=1)
    typical = pd.Series(bright).rolling(61, center=True, min_periods=5).quantile(0.85).to_numpy()
    good = (bright > 0.85 * typical) & (whole.sum(axis=1) > 0.2 * expected.sum(axis=1).max())
    seen = pd.Series(np.where(good, late, np.nan)).rolling(31, center=True, min_periods=5).median()
    hours = np.rint(seen.ffill().bfill().fillna(0).to_numpy() / 15)
    hours[np.abs(hours) > 3] = 0
    dark = np.where(expected <= 0, made, 0).sum(axis=1)
    for shift in np.unique(hours[hours != 0]):
        rows = hours == shift
        moved = np.roll(made[rows], -int(shift * 60 // interval_minutes), axis=1)
        left = np.where(expected[rows] <= 0, moved, 0).sum()
        if rows.sum() < 14 or dark[rows].sum() < 0.002 * made[rows].sum() or left > 0.5 * dark[rows].sum():
            hours[rows] = 0
    return np.asarray(hours.astype(np.int64))


def daily(array: Array, energy_wh: pd.Series[float], interval_minutes: int) -> Daily:
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
        hours = clock_shift(energy, expected, model.hour_angle.reshape(shape), interval_minutes)
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
    meter = Meter(
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
    array: Array, energy_wh: pd.Series[float], interval_minutes: int, known: npt.NDArray[np.void], meter: Meter
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
    meter: Meter,
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
    upper = _row_quantile(ratio_ok, 0.8)
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


def clear_intervals(ratio: Floats, usable: Bools, top: Floats, interval_minutes: int, rounding: Floats) -> Bools:
    """Intervals under a clear sky, found from the production's own shape.

    Under a clear sky the ratio of production to the clear-sky expectation moves slowly; clouds make it jump or pull
    it far down. The idea is that of Reno and Hansen 2016 (doi:10.1016/j.renene.2015.12.031), for averaged data as in
    Jordan and Hansen 2023 (doi:10.1016/j.renene.2023.04.035); here the window and the step allowed follow the
    interval.

    Parameters
    ----------
    ratio : ndarray (days, slots)
        Production over expectation, NaN where not usable.
    usable : ndarray of bool (days, slots)
    top : ndarray (days,)
        Level of clear intervals around each day.
    rounding : ndarray (days, slots)
        Step of the meter's count as a ratio.
    """
    step = np.nan_to_num(np.abs(np.diff(ratio, axis=1)))
    allowed = {5: 0.04, 10: 0.04, 15: 0.04, 30: 0.05}.get(interval_minutes, 0.07)
    window = max(1, 45 // interval_minutes) + 1
    before = np.pad(step, ((0, 0), (1, 0)))
    after = np.pad(step, ((0, 0), (0, 1)))
    rough = np.maximum(maximum_filter1d(before, window, axis=1), maximum_filter1d(after, window, axis=1))
    level = top[:, None]
    with np.errstate(invalid="ignore"):
        return np.asarray(
            usable & (rough < allowed * level + rounding) & (ratio > 0.72 * level) & (ratio < 1.3 * level)
        )


def level_ahead(ratio: Floats, usable: Bools, expected: Floats, top: Floats) -> Floats:
    """Level of clear intervals from each day on, where it is lower than around the day: after a string is lost.

    Days whose ratio moves smoothly all day long, and agree with one another for five such days, are clear whatever
    their level; overcast days are seldom smooth and never agree.
    """
    anywhere = np.full(len(top), np.nan)
    smooth = np.isfinite(ratio) & usable
    step = np.nan_to_num(np.abs(np.diff(ratio, axis=1)))
    middle = np.nan_to_num(_row_quantile(ratio, 0.5))
    calm = smooth & (np.pad(step, ((0, 0), (1, 0))) < 0.06 * middle[:, None])
    could = np.where(smooth, expected, 0.0).sum(axis=1)
    held = np.where(calm, expected, 0.0).sum(axis=1)
    made = np.where(calm, ratio * expected, 0.0).sum(axis=1)
    value = made / np.maximum(held, 1e-9)
    at = np.flatnonzero((held > 0.85 * could) & (could > 0) & (value > 0.02))
    if at.size < 3:
        return top
    count = 5 if at.size >= 5 else 3
    windows = np.lib.stride_tricks.sliding_window_view(value[at], count)
    agree = (windows.max(axis=1) - windows.min(axis=1)) < 0.16 * windows.mean(axis=1)
    level = np.where(agree, np.median(windows, axis=1), np.nan)
    anywhere[at[: len(level)]] = level
    # The last few smooth days have no full window ahead of them: they take the last one's.
    anywhere[at[len(level) :]] = level[-1]
    filled = pd.Series(anywhere).bfill(limit=10).to_numpy()
    return np.where(np.isfinite(filled), np.minimum(filled, top), top)


def haze_slope(
    log_ratio: Floats, clear: Bools, expected: Floats, elevation: Floats, hour_angle: Floats
) -> tuple[Floats, Floats]:
    """Slope of a day's log ratio against air mass: haze dims a low sun more than a high one, dirt does not.

    A weighted least-squares line in 1/sin(elevation) with a term in hour angle, which takes up an azimuth told wrong
    (Bouguer's law, as in a Langley plot). NaN where the day's clear intervals span too little air mass.

    Returns
    -------
    slope, weight : ndarray (days,)
        ``weight`` is the weighted variance of air mass left after the hour-angle term.
    """
    mass = np.where(clear, 1 / np.sin(np.radians(np.clip(elevation, 5, 90))), 0.0)
    turn = np.where(clear, hour_angle / 60, 0.0)
    weight = np.where(clear, np.sqrt(expected), 0.0)
    total = np.maximum(weight.sum(axis=1), 1e-9)

    def mean(values: Floats) -> Floats:
        return np.asarray((weight * values).sum(axis=1) / total)

    m, h, y = mean(mass), mean(turn), mean(log_ratio)
    mm, hh, mh = mean(mass * mass) - m * m, mean(turn * turn) - h * h, mean(mass * turn) - m * h
    my, hy = mean(mass * log_ratio) - m * y, mean(turn * log_ratio) - h * y
    information = mm - mh * mh / np.maximum(hh, 1e-6)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = (my - mh * hy / np.maximum(hh, 1e-6)) / information
    told = (clear.sum(axis=1) >= 5) & (information > 0.02)
    return np.where(told, slope, np.nan), np.where(told, information, 0.0)


def low_sun(
    energy: Floats,
    expected: Floats,
    elevation: Floats,
    hour_angle: Floats,
    usable: Bools,
    noon: Floats,
    index: Floats,
) -> Floats:
    """Log ratio of production to expectation in bands of low sun, over that of the day's clear hours.

    Returns
    -------
    ndarray (days, 2, bands)
        Morning and evening, NaN where the sun does not pass or the day is not clear. Clouds near the horizon pull
        single values down; shade pulls all of them down.
    """
    out = np.full((len(energy), 2, len(SUN_BANDS) - 1), np.nan)
    level = np.where(np.isfinite(noon), noon, np.log(np.where(index > 0, index, np.nan)))
    usable = usable & (expected > 0.01 * expected.max())
    for side in (0, 1):
        half = usable & ((hour_angle < 0) if side == 0 else (hour_angle > 0))
        for band in range(len(SUN_BANDS) - 1):
            inside = half & (elevation >= SUN_BANDS[band]) & (elevation < SUN_BANDS[band + 1])
            could = np.where(inside, expected, 0.0).sum(axis=1)
            made = np.where(inside, energy, 0.0).sum(axis=1)
            ratio = np.where(could > 0, made / np.where(could > 0, could, 1.0), np.nan)
            out[:, side, band] = np.log(np.maximum(ratio, 0.02)) - level
    return out


def _part_mean(log_ratio: Floats, weight: Floats, part: Bools) -> Floats:
    inside = np.where(part, weight, 0.0)
    total = inside.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where((inside > 0).sum(axis=1) >= 1, (inside * log_ratio).sum(axis=1) / total, np.nan)


def _row_quantile(values: Floats, q: float) -> Floats:
    """Row-wise quantile that skips NaN, far faster than ``np.nanquantile``; NaN for an empty row."""
    ordered = np.sort(values, axis=1)  # NaN last
    count = np.isfinite(values).sum(axis=1)
    place = np.clip(np.rint(q * (count - 1)).astype(int), 0, None)
    return np.where(count > 0, ordered[np.arange(len(values)), place], np.nan)
