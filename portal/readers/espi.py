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

import numpy as np

from portal.readers.espi_entries import Block, Entry, ReadingType, read_entries
from portal.readers.mapping import Unit
from portal.readers.reading import ReadError
from portal.readers.rejected import BadRecords
from portal.readers.series import MeterSeries
from portal.readers.source import Source

MAX_ENTRIES = 50_000
"""Entries of a file: a feed has one a day or a month of each meter; ten meters over ten years make 36,500. A bound on
memory, no source."""
_DIRECTIONS = {1: "consumption", 19: "export", 4: "net", 20: "net"}
_ESTIMATED = {8, 9, 12, 15}
_REGISTERS = {1, 3, 9}
_UNITS: dict[int, Unit] = {72: "Wh", 38: "W"}


def read_feed(sources: Sequence[Source], bad: BadRecords) -> tuple[list[MeterSeries], int | None]:
    """Read Green Button files.

    Parameters
    ----------
    sources
        The files.
    bad
        Takes the readings that break the format.

    Returns
    -------
    series : list of MeterSeries
        What they hold, with starts in UTC.
    offset_s : int or None
        Standard offset [s] of the zone that the file names for itself.

    Raises
    ------
    ReadError
        When there are no readings of electricity, or what stands in the files is not safe to read.
    """
    entries: list[Entry] = []
    for number, source in enumerate(sources):
        for entry in read_entries(source, number, bad):
            entries.append(entry)
            if len(entries) > MAX_ENTRIES:
                raise ReadError(f"{source.name} has more than {MAX_ENTRIES:,} entries. Export a shorter span.")
    if not any(entry.blocks for entry in entries):
        raise ReadError(
            f"{sources[0].name} is XML but has no interval readings of the Green Button standard (ESPI). Export the "
            "interval data as Green Button, or as CSV."
        )
    offsets = [entry.tz_offset for entry in entries if entry.tz_offset is not None]
    series = _finest(_tie_together(entries))
    if not series:
        _, reason = bad.reasons[0] if bad.reasons else (0, "they have no start and no value")
        raise ReadError(
            f"None of the readings in {sources[0].name} can be taken in; {len(bad.reasons):,} were rejected, the first "
            f"because {reason}. Each needs a start in seconds since 1970, a duration and a value: export it again."
        )
    return series, offsets[0] if offsets else None


class _Ties:
    """Entries by their addresses, and those met last, to which entries without links belong."""

    def __init__(self, entries: list[Entry]) -> None:
        self.types = {entry.self_: entry.type_ for entry in entries if entry.type_ and entry.self_}
        self.all_types = [entry.type_ for entry in entries if entry.type_]
        self.readings = {entry.self_: entry for entry in entries if entry.kind == "MeterReading" and entry.self_}
        self.points = {entry.self_: entry for entry in entries if entry.kind == "UsagePoint" and entry.self_}
        self.by_related = {href: entry for entry in self.readings.values() for href in entry.related}
        self.type_: ReadingType | None = None
        self.point = self.reading = ""

    def meet(self, entry: Entry) -> None:
        if entry.type_:
            self.type_ = entry.type_
        if entry.kind == "UsagePoint":
            self.point = entry.title or entry.self_
        if entry.kind == "MeterReading":
            self.reading = entry.self_ or entry.title

    def reading_of(self, entry: Entry) -> Entry | None:
        home = re.match(r"(.*/MeterReading/[^/]+)", entry.up or entry.self_)
        reading = self.readings.get(home[1]) if home else None
        return (
            reading or self.by_related.get(entry.self_) or self.by_related.get(entry.up) or self.readings.get(entry.up)
        )

    def number_of(self, type_: ReadingType) -> int:
        return next((i for i, one in enumerate(self.all_types) if one is type_), -1)

    def type_of(self, reading: Entry | None) -> ReadingType:
        linked = [self.types[href] for href in reading.related if href in self.types] if reading else []
        if linked:
            return linked[0]
        latest = self.all_types[0] if len(self.all_types) == 1 else self.type_
        return latest or (self.all_types[0] if self.all_types else ReadingType())


def _tie_together(entries: list[Entry]) -> dict[tuple[str, str, int], MeterSeries]:
    """Give each block its ReadingType and its usage point, by links where there are any, else by order.

    The series go by usage point, meter reading and type.
    """
    ties = _Ties(entries)
    found: dict[tuple[str, str, int], MeterSeries] = {}
    for entry in entries:
        ties.meet(entry)
        if not entry.blocks:
            continue
        reading = ties.reading_of(entry)
        type_ = ties.type_of(reading)
        if type_.commodity not in (0, 1) or type_.uom not in _UNITS:
            continue
        point = re.match(r"(.*/UsagePoint/[^/]+)", (reading.self_ if reading else "") or entry.up or entry.self_)
        address = point[1] if point else ""
        titled = ties.points.get(address)
        name = (titled.title if titled else "") or (address.rsplit("/", 1)[-1] if address else ties.point)
        key = (address or ties.point, reading.self_ if reading else ties.reading, ties.number_of(type_))
        if key not in found:
            direction = _DIRECTIONS.get(type_.flow, "")
            label = " ".join(part for part in (name or "meter", f"({direction})" if direction else "") if part)
            found[key] = MeterSeries(label, direction, _UNITS[type_.uom], type_.accumulation in _REGISTERS)
            found[key].typed = bool(ties.all_types)
        _append(found[key], entry.blocks, type_)
    if not found:
        raise ReadError(
            "The Green Button file has readings, but none of electric energy or power (Wh or W): perhaps gas, "
            "water, or reactive energy. Export the electricity data."
        )
    return found


def _finest(found: dict[tuple[str, str, int], MeterSeries]) -> list[MeterSeries]:
    """Join the series of one meter: the shortest intervals say most, the others what these leave out."""
    same: dict[tuple[str, str, str, bool], list[MeterSeries]] = {}
    for (point, _, _), series in found.items():
        if series.start_s:
            same.setdefault((point, series.direction, series.unit, series.register), []).append(series)
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
            series.place.append(coarser.place[at])
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
        series.place.extend(block.place)
        series.quality += [str(code) if code else "" for code in block.quality]


def code_is_estimate(flag: str) -> bool:
    """Say whether a quality flag marks a figure nobody measured.

    Parameters
    ----------
    flag
        Code of the standard as text, "" for none.

    Returns
    -------
    bool
        True for estimated, forecast and the like.

    Examples
    --------
    >>> code_is_estimate("8"), code_is_estimate("17"), code_is_estimate("")
    (True, False, False)
    """
    return flag.isdigit() and int(flag) in _ESTIMATED
