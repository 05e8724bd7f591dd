"""The clock that the readings themselves show a file was written by."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from portal.readers import plausible
from portal.readers.doubts import Doubts
from portal.readers.mapping import Mapping
from portal.readers.reading import Choice, Question
from portal.readers.series import DAY_S, NEARLY_A_DAY_S, SKIPPED, Ints, Series, to_starts
from portal.readers.stamps import Stamps
from portal.readers.table import Loaded


def settle_label(loaded: Loaded, mapping: Mapping, *, label_known: bool, step: int, doubts: Doubts) -> Mapping:
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
    return replace(mapping, clock=clock)


def utc_starts(loaded: Loaded, mapping: Mapping, step: int) -> tuple[Ints, list[tuple[int, str]]]:
    """Return UTC starts; each meter by itself, for the doubled hour is told from the order of one meter's lines."""
    instants = mapping.kind == "register"
    if loaded.meter_ids is None:
        return to_starts(loaded.stamps, loaded.elapsed_s, mapping.clock, step, instants)
    starts = np.zeros(len(loaded.places), dtype=np.int64)
    missing: list[tuple[int, str]] = []
    stamps, elapsed = loaded.stamps, loaded.elapsed_s
    for number in range(len(loaded.meters)):
        at = np.flatnonzero(loaded.meter_ids == number)
        offset = None if stamps.offset_s is None else stamps.offset_s[at]
        own = Stamps(stamps.naive_s[at], offset, stamps.date_order, stamps.certain)
        starts[at], gone = to_starts(own, None if elapsed is None else elapsed[at], mapping.clock, step, instants)
        missing += [(int(at[i]), why) for i, why in gone]
    return starts, missing


def better_clock(
    series: Series, missing: list[tuple[int, str]], mapping: Mapping, zone: ZoneInfo, doubts: Doubts
) -> Mapping | None:
    """Return the mapping with the clock that the data themselves show, None when it is the guessed one."""
    clock = mapping.clock
    if clock.kind == "wall" and any(why == SKIPPED for _, why in missing):
        doubts.tell(
            "winter_clock",
            "The file has readings in the hour that summer time skips, so its clock is taken to keep winter "
            "time all year.",
        )
        return replace(mapping, clock=replace(clock, kind="winter"))
    local = plausible.local_seconds(series.start_s, zone)
    shift = plausible.clock_shift(series.energy_wh, series.start_s, local, zone)
    if shift is None or abs(shift) < 0.6 or abs(shift) > 1.4:
        return None
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
    return None


def set_lone_stamps_aside(loaded: Loaded, doubts: Doubts) -> None:
    """Set aside a few lines whose stamps lie more than a year from all others: a logger that had lost its clock."""
    naive = loaded.stamps.naive_s
    if len(naive) < 20:
        return
    order = np.sort(naive)
    breaks = np.flatnonzero(np.diff(order) > 370 * DAY_S)
    bounds = np.concatenate(([0], breaks + 1, [len(order)]))
    few = max(3, len(naive) // 200)
    drop = np.zeros(len(naive), dtype=bool)
    for a, b in pairwise(bounds.tolist()):
        if b - a <= few:
            drop |= (naive >= order[a]) & (naive <= order[b - 1])
    if not drop.any() or drop.all():
        return
    why = "the date lies more than a year from all other readings"
    doubts.bad += [(int(line), why) for line in loaded.places[drop]]
    loaded.keep(~drop)
