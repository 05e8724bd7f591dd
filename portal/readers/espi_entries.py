"""The entries of a Green Button feed, streamed out of its XML."""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from lxml import etree

from portal.readers.reading import MAX_READINGS, ReadError
from portal.readers.rejected import MAX_BAD
from portal.readers.source import Source, xml_events

MAX_ELEMENTS = 20_000_000
_KEPT_WHOLE = {"IntervalReading", "ReadingType", "LocalTimeParameters"}
"""Elements read with their children when they end; all others are let go of at once."""


@dataclass(slots=True)
class ReadingType:
    """What a ReadingType says of its readings."""

    uom: int = 72
    multiplier: int = 0
    flow: int = 0
    accumulation: int = 4
    interval_s: int = 0
    commodity: int = 1


@dataclass(slots=True)
class Entry:
    self_: str = ""
    up: str = ""
    related: list[str] = field(default_factory=list)
    title: str = ""
    kind: str = ""
    type_: ReadingType | None = None
    blocks: list[Block] = field(default_factory=list)
    tz_offset: int | None = None
    order: int = 0


@dataclass(slots=True)
class Block:
    start: array[int] = field(default_factory=lambda: array("q"))
    duration: array[int] = field(default_factory=lambda: array("q"))
    value: array[float] = field(default_factory=lambda: array("d"))
    line: array[int] = field(default_factory=lambda: array("q"))
    quality: array[int] = field(default_factory=lambda: array("q"))


def read_entries(source: Source, number: int, bad: list[tuple[int, str]], bad_text: dict[int, str]) -> Iterator[Entry]:
    entry = Entry()
    count = within = inside = elements = 0
    block: Block | None = None
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
                        block = Block()
                        entry.blocks.append(block)
                        entry.kind = entry.kind or tag
                    continue
                if tag in _KEPT_WHOLE:
                    within -= 1
                if tag == "IntervalReading":
                    if block is None:
                        block = Block()
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
                    entry = Entry()
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


def _reading_type(element: Any) -> ReadingType:
    def number(name: str, default: int) -> int:
        found = _number(element, name)
        return default if found is None else found

    multiplier = number("powerOfTenMultiplier", 0)
    return ReadingType(
        uom=number("uom", 72),
        multiplier=multiplier if abs(multiplier) <= 12 else 0,
        flow=number("flowDirection", 0),
        accumulation=number("accumulationBehaviour", 4),
        interval_s=number("intervalLength", 0),
        commodity=number("commodity", 1),
    )


def _take_reading(element: Any, block: Block, base: int, bad: list[tuple[int, str]], bad_text: dict[int, str]) -> None:
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
