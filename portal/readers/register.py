"""Running registers: energy is the difference between two readings; they roll over and start again."""

from __future__ import annotations

import math

import numpy as np

from portal.pv.arrays import Floats, Ints
from portal.pv.sun import DAY_S
from portal.readers.clock import utc_datetime
from portal.readers.lumps import CATCH_UP
from portal.readers.place import file_and_line
from portal.readers.reading import Lump, Notice, ReadError
from portal.readers.series import LARGE_PERCENTILE, USUAL_PERCENTILE, Series

MOST_RISE = 3.0
"""Energy of a step across a fall of the register, as a ratio to the file's large steps. Tuned on the made files of the
tests: a fifth more or less changes none."""
NEAR_FULL = 0.9
"""A register that falls from above this share of a power of ten has rolled over. Tuned on the made files of the tests:
a fifth less changes none, a fifth more (beyond the whole) misses the rollover."""
STEPS_BESIDE = (4.0, 2.0)
"""What a rollover brings is at most so many times (ratio) the steps beside it, and the finest step. Tuned on the made
files of the tests: a fifth more or less changes none."""
OWN_USE = 0.02
"""A fall of this share of a large step is the inverter's own use at night. Tuned on the made files of the tests: a
fifth more or less changes none."""
RESTARTED = 0.5
"""A register that starts again stands below this share of what it was. Tuned on the made files of the tests: a fifth
more or less changes none."""
MORE_THAN_A_STEP = 1.6
"""A difference over more steps than this (ratio) has lost the course in between. Tuned on the made files of the tests:
a fifth more or less changes none."""
STOOD_STILL = 0.02
"""A register that moved by less than this share of a large step in a gap stood still. Tuned on the made files of the
tests: a fifth more or less changes none."""
AT_THE_TOP = 0.001
"""Share by which a register's highest figure may miss a power of ten to be the end of its counter. Common practice, no
source."""


def register_to_energy(readings: Floats, starts: Ints, step: int) -> tuple[Floats, int, int]:
    """Difference a running register [Wh].

    Returns energies (one fewer than readings), and the rollovers and restarts met. A register that falls starts again
    from zero, unless it stood just under a power of ten: then it rolled over.

    Parameters
    ----------
    readings
        Readings [Wh] (n,), in order.
    starts
        Their instants [s] (n,).
    step
        Seconds between most of them.

    Returns
    -------
    energy : ndarray
        Energies [Wh] (n - 1,), NaN where a fall cannot be explained.
    rolled : int
        Rollovers.
    restarted : int
        Restarts.
    """
    energy = np.diff(readings)
    lengths = np.diff(starts)
    falls = np.flatnonzero(energy < 0)
    rises = energy[energy > 0]
    usual = float(np.percentile(rises, USUAL_PERCENTILE)) if len(rises) else 0.0
    finest = float(rises.min()) if len(rises) else 0.0
    rolled = restarted = 0
    for i in falls:
        before, after = float(readings[i]), float(readings[i + 1])
        steps = max(1.0, lengths[i] / step)
        most = MOST_RISE * usual * steps
        size = 10.0 ** np.ceil(np.log10(before)) if before > 1 else 0.0
        # What a rollover brings is like what came just before and after it. A counter that starts again each
        # midnight at 9.3 kWh brings nothing in the dark.
        beside = max([float(e) for e in energy[max(0, i - 2) : i + 3] if e >= 0], default=0.0)
        brought = size - before + after
        if (
            size
            and before > NEAR_FULL * size
            and brought <= min(most, (STEPS_BESIDE[0] * beside + STEPS_BESIDE[1] * finest) * steps)
        ):
            energy[i] = brought
            rolled += 1
        elif before - after <= OWN_USE * usual * steps:
            continue  # the inverter's own use at night
        elif 0 <= after <= most and after < RESTARTED * before:
            energy[i] = after
            restarted += 1
        else:
            energy[i] = np.nan
            restarted += 1
    return energy, rolled, restarted


def bridge(series: Series) -> None:
    """Deal with register differences over more than one step: nothing in between is known but the sum.

    A register that did not move says that nothing was produced; such a span is filled with zeros.

    Parameters
    ----------
    series
        Energies of intervals; it is changed.
    """
    step = series.step_s
    long_ = np.flatnonzero(series.length_s > int(MORE_THAN_A_STEP * step))
    if not len(long_):
        return
    usual = series.energy_wh[(series.length_s <= int(MORE_THAN_A_STEP * step)) & (series.energy_wh > 0)]
    peak = float(np.percentile(usual, LARGE_PERCENTILE)) if len(usual) else 0.0
    quiet = np.zeros(len(series.start_s), dtype=bool)
    for i in long_:
        energy, start = float(series.energy_wh[i]), int(series.start_s[i])
        if np.isnan(energy):
            continue
        if abs(energy) <= STOOD_STILL * peak:
            quiet[i] = True
            continue
        end = start + int(series.length_s[i])
        series.lumps.append(
            Lump(utc_datetime(start), utc_datetime(end), energy, CATCH_UP, file_and_line(int(series.place[i]))[1])
        )
        series.energy_wh[i] = np.nan
        series.length_s[i] = step
    starts, lengths, lines = [series.start_s[~quiet]], [series.length_s[~quiet]], [series.place[~quiet]]
    energies = [series.energy_wh[~quiet]]
    for i in np.flatnonzero(quiet):
        begin, end = int(series.start_s[i]), int(series.start_s[i] + series.length_s[i])
        at = np.arange(begin, end, step, dtype=np.int64)
        starts.append(at)
        lengths.append(np.minimum(step, end - at))
        energies.append(np.zeros(len(at)))
        lines.append(np.full(len(at), series.place[i]))
    order = np.argsort(np.concatenate(starts), kind="stable")
    series.start_s, series.length_s = np.concatenate(starts)[order], np.concatenate(lengths)[order]
    series.energy_wh, series.place = np.concatenate(energies)[order], np.concatenate(lines)[order]


def from_registers(starts: Ints, columns: list[Floats], signs: list[int], place: Ints, step: int) -> Series:
    """Take the energies between readings of registers.

    Parameters
    ----------
    starts
        Instants [s] (n,) of the readings, in order.
    columns
        Readings [Wh] (n,) of each register, NaN where blank.
    signs
        1 for a register that adds to the production, -1 for one that is taken off.
    place
        Where each reading stands (n,).
    step
        Seconds between most readings.

    Returns
    -------
    Series
        Energies of the steps between readings.

    Raises
    ------
    ReadError
        When there are fewer than two.
    """
    known = np.all(np.isfinite(columns), axis=0)
    starts, place = starts[known], place[known]
    if len(starts) < 2:
        raise ReadError("A running register needs at least two readings. Export a longer span.")
    total = np.zeros(len(starts) - 1)
    rolled = restarted = 0
    for column, sign in zip(columns, signs, strict=True):
        energy, more_rolled, more_restarted = register_to_energy(column[known], starts, step)
        total += sign * energy
        rolled += more_rolled
        restarted += more_restarted
    series = Series(starts[:-1], np.diff(starts), total, place[1:], step)
    if rolled:
        text = f"The register rolled over {rolled} times; the energy goes on across it."
        series.notices.append(Notice("register_rolled", text))
    days = (int(starts[-1]) - int(starts[0])) / DAY_S
    if restarted and restarted < 0.5 * days:
        text = f"The register started again {restarted} times; the energy goes on from its new zero."
        series.notices.append(Notice("register_restarted", text))
    top = float(np.max(columns[0][known]))
    size = float(10.0 ** round(math.log10(top))) if top > 1 else 0.0
    if size and abs(top - size) <= AT_THE_TOP * size and np.count_nonzero(columns[0][known] == top) * step > 2 * DAY_S:
        text = (
            "The register stands at its highest figure for more than two days. It is clipped; what was produced "
            "in that time "
            "is not in the file."
        )
        series.notices.append(Notice("register_clipped", text))
    bridge(series)
    return series
