"""Green Button: NAESB REQ.21 (ESPI) XML in an Atom feed, streamed.

Field codes are those of the standard's XML schema as it stands in the public code of the Green Button Alliance:
uom 72 Wh, 38 W; flowDirection 1 forward (to the customer), 19 reverse (from the customer), 4 net; accumulationBehaviour
4 interval values, 1 and 3 and 9 running registers; quality of reading 8, 9, 12 and 15 estimated. Starts are seconds
since 1970 in UTC.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from portal.readers.espi_entries import Block, Entry, ReadingType, read_entries
from portal.readers.reading import ReadError
from portal.readers.series import MeterSeries
from portal.readers.source import Source

MAX_ENTRIES = 50_000
"""A feed has an entry a day or a month of each meter; ten meters over ten years make 36,500."""
_DIRECTIONS = {1: "consumption", 19: "export", 4: "net", 20: "net"}
_ESTIMATED = {8, 9, 12, 15}
_REGISTERS = {1, 3, 9}
_WH = {72: 1.0, 38: 1.0}


@dataclass(slots=True)
class Feed:
    """All series of a file, what was wrong on the way, and the standard offset the file names [s]."""

    series: list[MeterSeries]
    bad: list[tuple[int, str]]
    bad_text: dict[int, str]
    tz_offset: int | None


def read_feed(sources: Sequence[Source]) -> Feed:
    """Read Green Button files."""
    entries: list[Entry] = []
    bad: list[tuple[int, str]] = []
    bad_text: dict[int, str] = {}
    for number, source in enumerate(sources):
        for entry in read_entries(source, number, bad, bad_text):
            entries.append(entry)
            if len(entries) > MAX_ENTRIES:
                raise ReadError(f"{source.name} has more than {MAX_ENTRIES:,} entries. Export a shorter span.")
    if not any(entry.blocks for entry in entries):
        raise ReadError(
            f"{sources[0].name} is XML but has no interval readings of the Green Button standard (ESPI). Export the "
            "interval data as Green Button, or as CSV."
        )
    offsets = [entry.tz_offset for entry in entries if entry.tz_offset is not None]
    return Feed(_tie_together(entries), bad, bad_text, offsets[0] if offsets else None)


def _tie_together(entries: list[Entry]) -> list[MeterSeries]:
    """Give each block its ReadingType and its usage point, by links where there are any, else by order."""
    types = {entry.self_: entry.type_ for entry in entries if entry.type_ and entry.self_}
    all_types = [entry.type_ for entry in entries if entry.type_]
    readings = {entry.self_: entry for entry in entries if entry.kind == "MeterReading" and entry.self_}
    points = {entry.self_: entry for entry in entries if entry.kind == "UsagePoint" and entry.self_}
    by_related = {href: entry for entry in readings.values() for href in entry.related}
    found: dict[tuple[str, int], MeterSeries] = {}
    latest_type: ReadingType | None = None
    latest_point = latest_reading = ""
    for entry in entries:
        if entry.type_:
            latest_type = entry.type_
        if entry.kind == "UsagePoint":
            latest_point = entry.title or entry.self_
        if entry.kind == "MeterReading":
            latest_reading = entry.self_ or entry.title
        if not entry.blocks:
            continue
        home = re.match(r"(.*/MeterReading/[^/]+)", entry.up or entry.self_)
        reading = readings.get(home[1]) if home else None
        reading = reading or by_related.get(entry.self_) or by_related.get(entry.up) or readings.get(entry.up)
        linked = [types[href] for href in reading.related if href in types] if reading else []
        type_ = (
            (linked[0] if linked else None)
            or (all_types[0] if len(all_types) == 1 else latest_type)
            or (all_types[0] if all_types else ReadingType())
        )
        assert type_ is not None
        where = (reading.self_ if reading else "") or entry.up or entry.self_
        point = re.match(r"(.*/UsagePoint/[^/]+)", where)
        point_entry = points.get(point[1]) if point else None
        name = (point_entry.title if point_entry else "") or (point[1].rsplit("/", 1)[-1] if point else latest_point)
        key = (f"{point[1] if point else latest_point}|{reading.self_ if reading else latest_reading}", id(type_))
        if type_.commodity not in (0, 1) or type_.uom not in _WH:
            continue
        direction = _DIRECTIONS.get(type_.flow, "")
        if key not in found:
            label = " ".join(part for part in (name or "meter", f"({direction})" if direction else "") if part)
            found[key] = MeterSeries(
                label, direction, "W" if type_.uom == 38 else "Wh", type_.accumulation in _REGISTERS
            )
        _append(found[key], entry.blocks, type_)
    if not found:
        raise ReadError(
            "The Green Button file has readings, but none of electric energy or power (Wh or W): perhaps gas, "
            "water, or "
            "reactive energy. Export the electricity data."
        )
    # The same meter at several interval lengths: the shortest says most; the others say what it leaves out.
    same: dict[tuple[str, str], list[MeterSeries]] = {}
    for key, series in found.items():
        if series.start_s:
            kind = series.direction + series.unit[:1] + str(series.register)
            same.setdefault((key[0].split("|")[0], kind), []).append(series)
    chosen = []
    for alike in same.values():
        finest, *coarser = sorted(alike, key=_length)
        for series in coarser:
            _fill_up(finest, series)
        chosen.append(finest)
    names: dict[str, int] = {}
    for series in chosen:
        names[series.name] = names.get(series.name, 0) + 1
        if names[series.name] > 1:
            series.name = f"{series.name} {names[series.name]}"
    return chosen


def _length(series: MeterSeries) -> float:
    return float(np.median(series.length_s)) if series.length_s else math.inf


def _fill_up(series: MeterSeries, coarser: MeterSeries) -> None:
    """Take from a coarser series of the same meter what lies before and after the finer one."""
    first, last = min(series.start_s), max(series.start_s)
    for at, start in enumerate(coarser.start_s):
        if not first - coarser.length_s[at] < start <= last:
            series.start_s.append(start)
            series.length_s.append(coarser.length_s[at])
            series.figure.append(coarser.figure[at])
            series.line.append(coarser.line[at])
            series.quality.append(coarser.quality[at])


def _append(series: MeterSeries, blocks: list[Block], type_: ReadingType) -> None:
    factor = 10.0**type_.multiplier
    for block in blocks:
        default = type_.interval_s
        if not default and len(block.start) > 1:
            default = int(np.median(np.diff(np.sort(block.start))))
        series.start_s.extend(block.start)
        series.length_s.extend(length or default for length in block.duration)
        series.figure.extend(value * factor for value in block.value)
        series.line.extend(block.line)
        series.quality += [str(code) if code else "" for code in block.quality]


def is_estimate(flag: str) -> bool:
    """Say whether a quality flag marks a figure nobody measured."""
    return flag.isdigit() and int(flag) in _ESTIMATED
