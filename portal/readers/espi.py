"""Green Button: NAESB REQ.21 (ESPI) XML in an Atom feed, streamed.

Field codes are those of the standard's XML schema as it stands in the public code of the Green Button Alliance:
uom 72 Wh, 38 W; flowDirection 1 forward (to the customer), 19 reverse (from the customer), 4 net; accumulationBehaviour
4 interval values, 1 and 3 and 9 running registers; quality of reading 8, 9, 12 and 15 estimated. Starts are seconds
since 1970 in UTC.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from lxml import etree

from portal.readers.mapping import Unit
from portal.readers.reading import ReadError
from portal.readers.source import Source, xml_events

MAX_READINGS = 3_000_000
MAX_BAD = 200_000
MAX_ELEMENTS = 20_000_000
MAX_ENTRIES = 50_000
"""A feed has an entry a day or a month of each meter; ten meters over ten years make 36,500."""

_DIRECTIONS = {1: "consumption", 19: "export", 4: "net", 20: "net"}
_ESTIMATED = {8, 9, 12, 15}
_REGISTERS = {1, 3, 9}
_WH = {72: 1.0, 38: 1.0}
_KEPT_WHOLE = {"IntervalReading", "ReadingType", "LocalTimeParameters"}
"""Elements read with their children when they end; all others are let go of at once."""


@dataclass(slots=True)
class MeterSeries:
    """One series of a meter file: UTC starts and durations [s], figures, lines, quality flags."""

    name: str
    direction: str
    unit: Unit
    register: bool
    start_s: array[int] = field(default_factory=lambda: array("q"))
    length_s: array[int] = field(default_factory=lambda: array("q"))
    figure: array[float] = field(default_factory=lambda: array("d"))
    line: array[int] = field(default_factory=lambda: array("q"))
    quality: list[str] = field(default_factory=list)


@dataclass(slots=True)
class _Type:
    """What a ReadingType says of its readings."""

    uom: int = 72
    multiplier: int = 0
    flow: int = 0
    accumulation: int = 4
    interval_s: int = 0
    commodity: int = 1


@dataclass(slots=True)
class _Entry:
    self_: str = ""
    up: str = ""
    related: list[str] = field(default_factory=list)
    title: str = ""
    kind: str = ""
    type_: _Type | None = None
    blocks: list[_Block] = field(default_factory=list)
    tz_offset: int | None = None
    order: int = 0


@dataclass(slots=True)
class _Block:
    start: array[int] = field(default_factory=lambda: array("q"))
    duration: array[int] = field(default_factory=lambda: array("q"))
    value: array[float] = field(default_factory=lambda: array("d"))
    line: array[int] = field(default_factory=lambda: array("q"))
    quality: array[int] = field(default_factory=lambda: array("q"))


@dataclass(slots=True)
class Feed:
    """All series of a file, what was wrong on the way, and the standard offset the file names [s]."""

    series: list[MeterSeries]
    bad: list[tuple[int, str]]
    bad_text: dict[int, str]
    tz_offset: int | None


def read_feed(sources: Sequence[Source]) -> Feed:
    """Read Green Button files."""
    entries: list[_Entry] = []
    bad: list[tuple[int, str]] = []
    bad_text: dict[int, str] = {}
    for number, source in enumerate(sources):
        for entry in _entries(source, number, bad, bad_text):
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


def _entries(source: Source, number: int, bad: list[tuple[int, str]], bad_text: dict[int, str]) -> Iterator[_Entry]:
    entry = _Entry()
    count = within = inside = elements = 0
    block: _Block | None = None
    base = number << 32
    with source.open_bytes() as stream:
        try:
            events = xml_events(stream)
            first = True
            for event, element in events:
                if first:
                    if element.getroottree().docinfo.doctype:
                        raise ReadError(
                            f"{source.name} carries a document type declaration. No meter file needs one, and "
                            "it can be "
                            "used to do harm, so the file is refused. Export it again from its source."
                        )
                    first = False
                tag = element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""
                if event == "start":
                    elements += 1
                    if elements > MAX_ELEMENTS:
                        raise ReadError(
                            f"{source.name} has more than {MAX_ELEMENTS:,} XML elements. Export a shorter span."
                        )
                    if tag in _KEPT_WHOLE:
                        within += 1
                        inside = 0
                    elif within:
                        inside += 1
                        if inside > 500:
                            raise ReadError(
                                f"{source.name}, line {element.sourceline}: one reading has over 500 parts."
                            )
                    if tag == "IntervalBlock":
                        block = _Block()
                        entry.blocks.append(block)
                        entry.kind = entry.kind or tag
                    continue
                if tag in _KEPT_WHOLE:
                    within -= 1
                if tag == "IntervalReading":
                    if block is None:
                        block = _Block()
                        entry.blocks.append(block)
                    count += 1
                    if count > MAX_READINGS:
                        raise ReadError(
                            f"{source.name} has more than {MAX_READINGS:,} readings. Export a shorter span."
                        )
                    _take_reading(element, block, base, bad, bad_text)
                    if len(bad) > MAX_BAD:
                        raise ReadError(f"More than {MAX_BAD:,} readings of {source.name} are broken. Export it again.")
                elif tag == "IntervalBlock":
                    block = None
                elif tag == "ReadingType":
                    entry.kind, entry.type_ = tag, _reading_type(element)
                elif tag == "LocalTimeParameters":
                    entry.kind = entry.kind or tag
                    entry.tz_offset = _number(element, "tzOffset")
                elif tag in ("UsagePoint", "MeterReading", "ElectricPowerUsageSummary", "UsageSummary"):
                    entry.kind = entry.kind or tag
                elif tag == "link":
                    href = _path(element.get("href") or "")
                    relation = element.get("rel")
                    if relation == "self":
                        entry.self_ = href
                    elif relation == "up":
                        entry.up = href
                    elif relation == "related":
                        entry.related.append(href)
                elif tag == "title":
                    entry.title = (element.text or "").strip()[:100]
                elif tag == "entry":
                    if entry.kind or entry.blocks:
                        yield entry
                    entry = _Entry()
                if not within:
                    _free(element)
        except etree.XMLSyntaxError as error:
            where = f", line {error.lineno}" if error.lineno else ""
            raise ReadError(
                f"{source.name}{where}: the XML is broken or cut off ({(error.msg or 'no reason given')[:120]}). "
                "Download or export it again."
            ) from error
    if entry.blocks or entry.type_ or entry.kind:
        yield entry


def _free(element: Any) -> None:
    element.clear()
    parent = element.getparent()
    if parent is not None:
        while element.getprevious() is not None:
            del parent[0]


def _path(href: str) -> str:
    return re.sub(r"^\w+://[^/]+", "", href.strip()).rstrip("/")


def _number(element: Any, name: str) -> int | None:
    for child in element.iter(f"{{*}}{name}"):
        try:
            return int(float((child.text or "").strip()))
        except (ValueError, OverflowError):
            return None
    return None


def _reading_type(element: Any) -> _Type:
    def number(name: str, default: int) -> int:
        found = _number(element, name)
        return default if found is None else found

    multiplier = number("powerOfTenMultiplier", 0)
    return _Type(
        uom=number("uom", 72),
        multiplier=multiplier if abs(multiplier) <= 12 else 0,
        flow=number("flowDirection", 0),
        accumulation=number("accumulationBehaviour", 4),
        interval_s=number("intervalLength", 0),
        commodity=number("commodity", 1),
    )


def _take_reading(element: Any, block: _Block, base: int, bad: list[tuple[int, str]], bad_text: dict[int, str]) -> None:
    start = duration = value = None
    quality = 0
    for child in element.iter():
        tag = child.tag
        if not isinstance(tag, str):
            continue
        name = tag.rpartition("}")[2]
        if name == "start":
            start = child.text
        elif name == "duration":
            duration = child.text
        elif name == "value":
            value = child.text
        elif name == "quality":
            try:
                quality = max(quality, int(child.text or 0))
            except ValueError:
                quality = quality or 0
    line = base + int(element.sourceline or 0)
    try:
        at = int((start or "").strip())
        length = int((duration or "0").strip())
        figure = float((value or "").strip()) if (value or "").strip() else math.nan
    except ValueError:
        bad.append((line, "the reading has no whole start, duration or value"))
        bad_text.setdefault(line, f"start {start}, duration {duration}, value {value}"[:200])
        return
    if not 631_152_000 <= at < 4_102_444_800 or not 0 <= length <= 40 * 86_400 or math.isinf(figure):
        bad.append((line, "the start lies outside 1990 to 2099, or the figures are impossible"))
        bad_text.setdefault(line, f"start {start}, duration {duration}, value {value}"[:200])
        return
    block.start.append(at)
    block.duration.append(length)
    block.value.append(figure)
    block.line.append(line)
    block.quality.append(quality)


def _tie_together(entries: list[_Entry]) -> list[MeterSeries]:
    """Give each block its ReadingType and its usage point, by links where there are any, else by order."""
    types = {entry.self_: entry.type_ for entry in entries if entry.type_ and entry.self_}
    all_types = [entry.type_ for entry in entries if entry.type_]
    readings = {entry.self_: entry for entry in entries if entry.kind == "MeterReading" and entry.self_}
    points = {entry.self_: entry for entry in entries if entry.kind == "UsagePoint" and entry.self_}
    by_related = {href: entry for entry in readings.values() for href in entry.related}
    found: dict[tuple[str, int], MeterSeries] = {}
    latest_type: _Type | None = None
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
            or (all_types[0] if all_types else _Type())
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


def _append(series: MeterSeries, blocks: list[_Block], type_: _Type) -> None:
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
