"""Which meter of a file that holds several."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from portal.readers.clock import NO_INSTANT
from portal.readers.doubts import Doubts
from portal.readers.mapping import Mapping
from portal.readers.questions import meter_question
from portal.readers.reading import Channel
from portal.readers.series import Floats, Ints, MeterSeries, put_in_order
from portal.readers.table import Loaded, sum_columns


def pick_series(found: Sequence[MeterSeries], mapping: Mapping, doubts: Doubts) -> tuple[Mapping, list[MeterSeries]]:
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


def meters_side_by_side(
    starts: Ints, columns: list[Floats], loaded: Loaded
) -> tuple[Ints, list[Floats], Ints, int, int]:
    """Give each meter of a file a column of its own."""
    assert loaded.meter_ids is not None
    production = sum_columns(columns, loaded.signs)
    grid = np.unique(starts[starts != NO_INSTANT])
    parts: list[Floats] = []
    line = np.zeros(len(grid), dtype=np.int64)
    duplicates = conflicts = 0
    for number in range(len(loaded.meters)):
        own = loaded.meter_ids == number
        at, (values,), kept, more, differ = put_in_order(starts[own], [production[own]])
        where = np.searchsorted(grid, at)
        part = np.full(len(grid), np.nan)
        part[where] = values
        line[where] = loaded.lines[own][kept]
        parts.append(part)
        duplicates += more
        conflicts += differ
    return grid, parts, line, duplicates, conflicts
