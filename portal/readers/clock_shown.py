"""The clock that the readings themselves show a file was written by."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from portal.pv.arrays import Ints
from portal.pv.sun import DAY_S
from portal.readers import daylight
from portal.readers.doubts import Doubts
from portal.readers.mapping import FigureKind, Mapping
from portal.readers.reading import Choice, Question
from portal.readers.series import NEARLY_A_DAY_S, SKIPPED, Series, to_starts
from portal.readers.table import Loaded

ROUNDED = 0.005
"""Share by which a day's total may miss the sum of its readings, for rounding. Common practice, no source."""
FEWEST_OF_A_DAY = 8
"""Readings of a day beside its total at least; the sum of fewer may be one of them by chance. Common practice, no
source."""
FEWEST_STAMPS = 20
"""Readings whose stamps can show that a few lie apart from the others. Common practice, no source."""
LONE_DAYS = 370
"""Days without a reading that set a few stamps apart from all others. Common practice (a year and some days), no
source."""
LONE_SHARE = 0.005
LONE_LEAST = 3
"""Share of the stamps, and how many lines at least, that count as few. Tuned on the made files of the tests: a fifth
more or less changes none."""


def settle_label(loaded: Loaded, mapping: Mapping, *, label_known: bool, step: int, doubts: Doubts) -> Mapping:
    """Settle whether stamps carry their offset, and whether they mark starts or ends.

    Parameters
    ----------
    loaded
        The readings as they came.
    mapping
        The guess.
    label_known
        Whether the names of the columns say which end stamps mark.
    step
        Seconds between readings.
    doubts
        Takes the question where nothing tells.

    Returns
    -------
    Mapping
        The mapping with that clock.
    """
    clock = mapping.clock
    if loaded.stamps.offset_s is not None and clock.kind != "offset":
        clock = replace(clock, kind="offset")
    if not label_known and mapping.kind != "register" and 0 < step < NEARLY_A_DAY_S:
        times = loaded.stamps.naive_s + (0 if loaded.elapsed_s is None else loaded.elapsed_s)
        first, last = int(times.min()) % DAY_S, int(times.max()) % DAY_S
        if first == step and last == 0:
            clock = replace(clock, label="end")
        elif not (first == 0 and last == DAY_S - step):
            doubts.questions.append(
                Question(
                    "label",
                    "Does a time stamp mark the start or the end of its interval?",
                    (Choice("start", "the start"), Choice("end", "the end")),
                    False,
                )
            )
            mapping = replace(mapping, assumed=(*mapping.assumed, "label"))
    return replace(mapping, clock=clock)


def utc_starts(loaded: Loaded, mapping: Mapping, step: int) -> tuple[Ints, list[tuple[int, str]]]:
    """Return UTC starts; each meter by itself, for the doubled hour is told from the order of one meter's lines.

    Parameters
    ----------
    loaded
        The readings as they came.
    mapping
        How they are read.
    step
        Seconds between readings.

    Returns
    -------
    starts : ndarray
        UTC starts [s] (n,), ``NO_INSTANT`` where the clock skips the stamp.
    missing : list of tuple
        Positions of those readings, with the reason.
    """
    instants = mapping.kind == "register"
    if loaded.meter_ids is None:
        return to_starts(loaded.stamps, loaded.elapsed_s, mapping.clock, step, instants)
    starts = np.zeros(len(loaded.places), dtype=np.int64)
    missing: list[tuple[int, str]] = []
    stamps, elapsed = loaded.stamps, loaded.elapsed_s
    for number in range(len(loaded.meters)):
        at = np.flatnonzero(loaded.meter_ids == number)
        offset = None if stamps.offset_s is None else stamps.offset_s[at]
        own = replace(stamps, naive_s=stamps.naive_s[at], offset_s=offset)
        starts[at], gone = to_starts(own, None if elapsed is None else elapsed[at], mapping.clock, step, instants)
        missing += [(int(at[i]), why) for i, why in gone]
    return starts, missing


def better_clock(
    series: Series, missing: list[tuple[int, str]], mapping: Mapping, zone: ZoneInfo, doubts: Doubts
) -> Mapping:
    """Return the mapping with the clock that the data themselves show; told as assumed where they show none.

    Parameters
    ----------
    series
        Energies of intervals as the guessed clock has them.
    missing
        Positions of readings whose stamp that clock skips, with the reason.
    mapping
        The guess.
    zone
        The site's zone.
    doubts
        Takes what is to be told.

    Returns
    -------
    Mapping
        The mapping, with another clock where the data show one.
    """
    clock = mapping.clock
    if clock.kind == "wall" and any(why == SKIPPED for _, why in missing):
        doubts.tell(
            "winter_clock",
            "The file has readings in the hour that summer time skips, so its clock is taken to keep winter "
            "time all year.",
        )
        return replace(mapping, clock=replace(clock, kind="winter"))
    local = daylight.local_seconds(series.start_s, zone)
    shift = daylight.clock_shift(series.energy_wh, series.start_s, local, zone)
    if shift is None:
        return replace(mapping, assumed=("clock", *mapping.assumed)) if clock.kind == "wall" else mapping
    if not daylight.MOVED_AN_HOUR[0] <= abs(shift) <= daylight.MOVED_AN_HOUR[1]:
        return mapping
    if clock.kind == "wall":
        doubts.tell(
            "winter_clock",
            "The production keeps its hours when summer time begins and ends, so the file's clock is taken to "
            "keep winter "
            "time all year.",
        )
        return replace(mapping, clock=replace(clock, kind="winter"))
    if shift > 0:
        doubts.tell(
            "offset_follows_dst",
            "The stamps claim a fixed offset, but the production moves by an hour when the clocks change: they follow "
            "summer time, and are read so.",
        )
        return replace(mapping, clock=replace(clock, kind="wall"))
    return mapping


def set_strays_aside(loaded: Loaded, kind: FigureKind, doubts: Doubts) -> None:
    """Set aside lines that are no readings of their time: a few far from all others, and totals of days among energies.

    Parameters
    ----------
    loaded
        The readings as they came; those set aside are dropped from it.
    kind
        What the figures are.
    doubts
        Takes the lines.
    """
    _set_lone_stamps_aside(loaded, doubts)
    if kind == "energy" and loaded.elapsed_s is None and loaded.meter_ids is None and len(loaded.places):
        _set_totals_aside(loaded, doubts)


def _set_totals_aside(loaded: Loaded, doubts: Doubts) -> None:
    """Set aside totals that stand behind or before their days with a bare date, which reads as midnight."""
    naive = loaded.stamps.naive_s
    _, day, readings = np.unique(naive // DAY_S, return_inverse=True, return_counts=True)
    with np.errstate(over="ignore", invalid="ignore"):  # figures near the largest number are rejected later
        energy = np.nansum(loaded.columns, axis=0)
        others = np.bincount(day, weights=energy)[day] - energy
        total = (naive % DAY_S == 0) & (energy > 0) & (np.abs(others - energy) <= ROUNDED * energy)
    total &= readings[day] > FEWEST_OF_A_DAY
    if total.any():
        doubts.bad += [(int(line), "the line holds the total of its day") for line in loaded.places[total]]
        loaded.keep(~total)


def _set_lone_stamps_aside(loaded: Loaded, doubts: Doubts) -> None:
    """Set aside a few lines whose stamps lie more than a year from all others: a logger that had lost its clock."""
    naive = loaded.stamps.naive_s
    if len(naive) < FEWEST_STAMPS:
        return
    order = np.sort(naive)
    breaks = np.flatnonzero(np.diff(order) > LONE_DAYS * DAY_S)
    bounds = np.concatenate(([0], breaks + 1, [len(order)]))
    few = max(LONE_LEAST, LONE_SHARE * len(naive))
    drop = np.zeros(len(naive), dtype=bool)
    for a, b in pairwise(bounds.tolist()):
        if b - a <= few:
            drop |= (naive >= order[a]) & (naive <= order[b - 1])
    if not drop.any() or drop.all():
        return
    why = "the date lies more than a year from all other readings"
    doubts.bad += [(int(line), why) for line in loaded.places[drop]]
    loaded.keep(~drop)
