"""What a meter got wrong and can be put right or marked: units, the clock, stuck values, the step it counts in."""

from __future__ import annotations

import numpy as np
import pandas as pd

from portal.pv.arrays import Bools, Floats, Ints
from portal.pv.clear import BEST_DAYS

MOST_VALUES = 2000
"""Different readings from which a meter counts finely enough: its step is then under a thousandth of its range.
No source."""
STUCK_MINUTES = 180
"""Minutes of one value, while the sun moves on, from which a meter is stuck. Common practice, no source."""
DEGREES_AN_HOUR = 15
"""Turn of the Earth against the sun [degrees/h], by definition of the mean solar hour."""
MOST_HOURS_LATE = 3
"""Hours by which a clock may be wrong: more is another zone, which the import asks about. Common practice, no
source."""
WEEKS_LATE = 14
"""Days that must agree on a wrong clock. Tuned on planted sites."""

TELLING_DAY = 0.05
"""Expected energy of a day over the record's best below which it does not tell its unit: midwinter in the far north.
No source."""
TOO_HIGH, TOO_LOW = 12, 0.02
"""Ratio of production to expectation that no array reaches in its right unit, and one that clear days do not stay
under: a factor of 1000 leaves much room on both sides. No source."""
RIGHT_UNIT = (0.2, 2.0)
"""Ratios of a day's production to its expectation between which its unit is right. No source."""
STEP_QUANTILE = 0.25
"""Quantile of the differences between neighbouring readings that is taken for the meter's step: some are two steps or
more, none less than one but by rounding. No source."""
FLAT_TOP = 0.9
"""Share of the record's highest reading above which repeats are an inverter's limit. Common practice, no source."""
SUN_MOVES = 0.1
"""Expected energy of an interval over the record's highest above which the sun moves it on. No source."""
BRIGHT_DAY, LONG_ENOUGH = 0.85, 0.2
"""Ratio of a day to the best days around it, and to the record's longest expectation, from which its middle tells the
clock. No source."""
DARK_SHARE = 0.002
"""Share of the energy made in the dark from which a clock is wrong. No source."""


def mend_units(energy: Floats, expected: Floats) -> tuple[Floats, Bools, int, float]:
    """Bring a meter that changed between Wh and kWh back to one unit.

    A day far outside what the array can make by a factor near 1000 is scaled; the days at each change, which hold
    both units, are marked as not usable.

    Parameters
    ----------
    energy, expected : ndarray (days, slots)
        [Wh]; NaN where missing.

    Returns
    -------
    energy : ndarray (days, slots)
        In one unit.
    torn : ndarray of bool (days,)
        Days that hold both units.
    changes : int
        How often the unit changed.
    scale : float
        Factor at the record's end.
    """
    possible = expected.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(possible > 0, np.nansum(energy, axis=1) / possible, np.nan)
        peak = np.nanmax(np.where(expected > 0, energy, np.nan) / expected.max(), axis=1, initial=0)
    enough = possible > TELLING_DAY * possible.max()  # a midwinter day of the far north tells nothing
    high = ((ratio > TOO_HIGH) & enough) | (peak > TOO_HIGH)
    lit = pd.Series(np.where(np.isfinite(energy).any(axis=1) & (ratio > 1e-6), ratio, np.nan))
    typical = lit.rolling(21, center=True, min_periods=3).quantile(BEST_DAYS).to_numpy()
    low = ~high & enough & (typical < TOO_LOW) & (np.nan_to_num(ratio) > 1e-6)
    state = high.astype(int) - low.astype(int)
    known = np.isfinite(energy).any(axis=1) & (np.nan_to_num(ratio) > 1e-6)
    if not state.any():
        return energy, np.zeros(len(energy), bool), 0, 1.0
    # A dim day cannot tell its unit by itself: it takes that of the days around it.
    telling = known & enough & (high | low | ((ratio > RIGHT_UNIT[0]) & (ratio < RIGHT_UNIT[1])))
    # One dark day in the wrong unit can look right: a week must agree.
    told = pd.Series(state[telling]).rolling(7, center=True, min_periods=1).median().round()
    filled = pd.Series(np.full(len(energy), np.nan))
    filled[np.flatnonzero(telling)] = told.to_numpy()
    unit = filled.ffill().bfill().fillna(0).to_numpy().astype(int)
    scale = np.where(unit > 0, 1 / 1000, np.where(unit < 0, 1000.0, 1.0))
    turn = np.flatnonzero(np.diff(unit) != 0)
    torn = np.zeros(len(energy), bool)
    torn[turn] = True
    torn[np.minimum(turn + 1, len(energy) - 1)] = True
    return energy * scale[:, None], torn, max(len(turn), 1), float(scale[-1])


def meter_quantum(energy: Floats) -> float:
    """Step in which a meter counts.

    Parameters
    ----------
    energy : ndarray
        Interval energies [Wh]; NaN and zeros are left out.

    Returns
    -------
    float
        [Wh]; 0 where no step shows, or one too fine to matter.

    Examples
    --------
    >>> meter_quantum(np.array([0.0, 100.0, 200.0, 300.0, 100.0]))
    100.0
    """
    values = np.unique(np.round(energy[np.isfinite(energy) & (energy > 0)], 2))
    if values.size < 2 or values.size > MOST_VALUES:
        return 0.0
    return float(np.quantile(np.diff(values), STEP_QUANTILE))


def mark_stuck(energy: Floats, expected: Floats, interval_minutes: int) -> Bools:
    """Intervals in which a meter repeats one value for three hours while the sun moves on.

    Parameters
    ----------
    energy, expected : ndarray (days, slots)
        [Wh]; NaN where missing.
    interval_minutes : int
        Length of an interval; 1440 for daily totals.

    Returns
    -------
    ndarray of bool (days, slots)
        All False for days of fewer than two such spans.
    """
    need = max(4, STUCK_MINUTES // interval_minutes)
    stuck = np.zeros(energy.shape, bool)
    if energy.shape[1] < 2 * need:
        return stuck
    # Output held at an inverter's limit is flat too: only repeats below nine tenths of the record's highest count.
    below = energy < FLAT_TOP * np.nanmax(energy, initial=0)
    same = (np.diff(energy, axis=1) == 0) & (energy[:, 1:] > 0) & (expected[:, 1:] > SUN_MOVES * expected.max())
    same &= below[:, 1:]
    length = np.zeros(energy.shape[0], int)
    for slot in range(same.shape[1]):
        length = np.where(same[:, slot], length + 1, 0)
        long = length >= need
        if long.any():
            for row in np.flatnonzero(long):
                stuck[row, slot + 1 - length[row] : slot + 2] = True
    return stuck


def hours_late(energy: Floats, expected: Floats, hour_angle: Floats, interval_minutes: int) -> Ints:
    """Whole hours by which each day's readings run late against the sun.

    The energy-weighted mean hour angle of bright days, against that expected, moves by 15° for each hour that a
    clock is wrong; a wrongly told azimuth or a tree moves it by some degrees too. So a shift counts only when weeks
    of bright days agree, and when the readings show production in the dark that the shift takes away.

    Parameters
    ----------
    energy, expected : ndarray (days, slots)
        [Wh]; NaN where missing.
    hour_angle : ndarray (days, slots)
        [degrees].
    interval_minutes : int
        Length of an interval; 1440 for daily totals.

    Returns
    -------
    ndarray of int (days,)
        Hours, positive when the clock is late.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        whole = np.where(np.isfinite(energy), expected, 0)
        made = np.where(np.isfinite(energy), energy, 0)
        bright = made.sum(axis=1) / whole.sum(axis=1)
        late = (made * hour_angle).sum(axis=1) / made.sum(axis=1) - (whole * hour_angle).sum(axis=1) / whole.sum(axis=1)
    typical = pd.Series(bright).rolling(61, center=True, min_periods=5).quantile(BEST_DAYS).to_numpy()
    good = (bright > BRIGHT_DAY * typical) & (whole.sum(axis=1) > LONG_ENOUGH * expected.sum(axis=1).max())
    seen = pd.Series(np.where(good, late, np.nan)).rolling(31, center=True, min_periods=5).median()
    hours = np.rint(seen.ffill().bfill().fillna(0).to_numpy() / DEGREES_AN_HOUR)
    hours[np.abs(hours) > MOST_HOURS_LATE] = 0
    dark = np.where(expected <= 0, made, 0).sum(axis=1)
    for shift in np.unique(hours[hours != 0]):
        rows = hours == shift
        moved = np.roll(made[rows], -int(shift * 60 // interval_minutes), axis=1)
        left = np.where(expected[rows] <= 0, moved, 0).sum()
        if rows.sum() < WEEKS_LATE or dark[rows].sum() < DARK_SHARE * made[rows].sum() or left > 0.5 * dark[rows].sum():
            hours[rows] = 0
    return np.asarray(hours.astype(np.int64))
