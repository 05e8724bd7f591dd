"""Which meter of a file that holds several."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from portal.pv.arrays import Floats, Ints
from portal.readers.clock import NO_INSTANT
from portal.readers.doubts import Doubts
from portal.readers.mapping import Mapping
from portal.readers.questions import meter_question
from portal.readers.reading import Channel
from portal.readers.series import MeterSeries, put_in_order
from portal.readers.table import Loaded, sum_columns


def pick_series(found: Sequence[MeterSeries], mapping: Mapping, doubts: Doubts) -> tuple[Mapping, list[MeterSeries]]:
    """Pick the series of one meter of a meter file.

    Parameters
    ----------
    found
        All series of the file.
    mapping
        How it is read.
    doubts
        Takes the question which meter is meant.

    Returns
    -------
    mapping : Mapping
        The mapping with the meter.
    picked : list of MeterSeries
        Its series; several, to be added up, where somebody said so.
    """
    names = [series.name for series in found]
    alike = len({(series.direction, series.unit, series.register) for series in found}) == 1
    if mapping.meter == "*" and alike:
        return mapping, list(found)
    if mapping.meter in names:
        return mapping, [found[names.index(mapping.meter)]]
    lead = f"The file has no meter “{mapping.meter}”." if mapping.meter and mapping.meter != "*" else ""
    outward = [series for series in found if series.direction not in ("consumption", "net")]
    if not lead and len(found) == 1:
        return mapping, list(found)
    if not lead and len(outward) == 1:
        return replace(mapping, meter=outward[0].name), outward
    question = meter_question(names, lead, {series.name: series.direction for series in found})
    if not alike:
        question = replace(question, choices=tuple(choice for choice in question.choices if choice.value != "*"))
    doubts.questions.append(question)
    return replace(mapping, meter=(outward or list(found))[0].name), [(outward or list(found))[0]]


def pick_meter(loaded: Loaded, mapping: Mapping, doubts: Doubts) -> tuple[Channel, ...]:
    """Pick the readings of one meter of a table that holds several.

    Parameters
    ----------
    loaded
        The readings as they came; those of other meters are dropped.
    mapping
        How they are read.
    doubts
        Takes the question which meter is meant.

    Returns
    -------
    tuple of Channel
        The meters or columns there are.
    """
    if loaded.meter_ids is None:
        if mapping.layout == "wide":
            return ()
        return tuple(Channel(name, "", True) for name in (*mapping.value_columns, *mapping.minus_columns))
    names, wanted = loaded.meters, mapping.meter
    if not wanted and len(names) > 1:
        doubts.questions.append(meter_question(names, "", {}))
        wanted = names[0]
    elif wanted not in ("", "*") and wanted not in names:
        doubts.questions.append(meter_question(names, f"The file has no meter “{wanted}”.", {}))
        wanted = names[0]
    if wanted not in ("", "*"):
        loaded.keep(loaded.meter_ids == names.index(wanted))
        loaded.meter_ids = None
    elif len(names) < 2:
        loaded.meter_ids = None
    return tuple(Channel(name, "", wanted in ("", "*", name)) for name in names[:50])


@dataclass(frozen=True, slots=True)
class LaidOut:
    """Readings in order of time, a column for each part of the production."""

    start_s: Ints
    columns: list[Floats]
    signs: list[int]
    """1 for a column that adds to the production, -1 for one that is taken off."""
    place: Ints
    kept: Ints | None
    """Position of each reading in the file, None where meters stand side by side."""
    duplicates: int
    conflicts: int


def lay_out(loaded: Loaded, starts: Ints, columns: list[Floats]) -> LaidOut:
    """Put readings in order of time, each meter of the file in a column of its own.

    Parameters
    ----------
    loaded
        The readings as they came.
    starts
        Their starts [s] (n,), ``NO_INSTANT`` where there is none.
    columns
        Their figures (n,) of each column, NaN where blank.

    Returns
    -------
    LaidOut
        The readings that have an instant.
    """
    if loaded.meter_ids is None:
        one = put_in_order(starts, columns)
        place = loaded.places[one.kept]
        return LaidOut(one.start_s, one.columns, loaded.signs, place, one.kept, one.duplicates, one.conflicts)
    production = sum_columns(columns, loaded.signs)
    grid = np.unique(starts[starts != NO_INSTANT])
    parts: list[Floats] = []
    place = np.zeros(len(grid), dtype=np.int64)
    duplicates = conflicts = 0
    for number in range(len(loaded.meters)):
        own = loaded.meter_ids == number
        meter = put_in_order(starts[own], [production[own]])
        where = np.searchsorted(grid, meter.start_s)
        part = np.full(len(grid), np.nan)
        part[where] = meter.columns[0]
        place[where] = loaded.places[own][meter.kept]
        parts.append(part)
        duplicates += meter.duplicates
        conflicts += meter.conflicts
    return LaidOut(grid, parts, [1] * len(parts), place, None, duplicates, conflicts)
