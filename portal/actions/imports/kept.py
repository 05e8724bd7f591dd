"""What is kept on a row of what a reader handed back, as JSON: small, and enough for the pages to show and to ask.

A page never opens a customer's file. What it shows of one, a worker has seen and written down here.
"""

from __future__ import annotations

import json
from typing import Any, TypedDict

import numpy as np

from portal.readers.mapping import Mapping
from portal.readers.reading import Guess, Readings, ReadResult

DRAWN_DAYS = 3
"""Days of a file that are drawn. Common practice, no source."""
SHOWN_LINES = 8
SHOWN_CELLS = 12
CELL_CHARACTERS = 40
"""A line on a page holds no more of a line of the file than so many cells of so many characters. Common practice, no
source."""
COLUMN_CHARACTERS = 40_000
"""Columns to choose from are kept until their names together are longer; those a mapping names are always offered. A
bound on the row, no source."""


class FileSeen(TypedDict):
    """What a person needs to see of a file to say how it is to be read."""

    columns: list[str]
    sample: list[list[str]]
    measures: dict[str, list[str]]
    """Column to kind and unit, where the file says so."""


def seen_of(found: Guess | ReadResult) -> FileSeen:
    """Return a file's columns and first lines, cut to what a row should hold."""
    columns: list[str] = []
    room = COLUMN_CHARACTERS
    for name in found.columns:
        room -= len(name)
        if room < 0:
            break
        columns.append(name)
    return {
        "columns": columns,
        "sample": [[cell[:CELL_CHARACTERS] for cell in line[:SHOWN_CELLS]] for line in found.sample[:SHOWN_LINES]],
        "measures": {name: list(found.measures[name]) for name in columns if name in found.measures},
    }


def preview_of(readings: Readings | None) -> dict[str, Any] | None:
    """Return the first days that hold energy, small enough to keep in the ledger and to draw."""
    if readings is None or readings.energy_wh.empty:
        return None
    energy = readings.energy_wh
    producing = np.flatnonzero(energy.to_numpy() > 0)
    begin = int(producing[0]) if producing.size else 0
    length = DRAWN_DAYS * 24 * 60 // readings.interval_minutes if readings.interval_minutes < 1440 else 60
    # the whole first day, from the midnight before it: an interval's place in the day is its place on the grid
    first = energy.iloc[max(0, begin - length // DRAWN_DAYS) :][: length + length // DRAWN_DAYS]
    return {
        "start": first.index[0].isoformat(),
        "minutes": readings.interval_minutes,
        "energy_wh": [None if value != value else round(float(value), 3) for value in first],
    }


def mapping_of(kept: dict[str, Any]) -> Mapping:
    """Undo ``kept_mapping``."""
    return Mapping.from_json(json.dumps(kept))


def kept_mapping(mapping: Mapping | None) -> dict[str, Any] | None:
    """Return a mapping as a row keeps it."""
    if mapping is None:
        return None
    kept: dict[str, Any] = json.loads(mapping.to_json())
    return kept
