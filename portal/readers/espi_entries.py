"""The entries of a Green Button feed, streamed out of its XML."""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from lxml import etree

from portal.pv.sun import DAY_S
from portal.readers.place import place_of
from portal.readers.reading import MAX_READINGS, ReadError
from portal.readers.rejected import BadRecords
from portal.readers.source import Source, free, xml_events

MAX_ELEMENTS = 20_000_000
"""XML elements of a file: a reading has six. A bound on time, no source."""
MAX_READING_PARTS = 500
"""XML elements inside one reading; the standard's has about ten. A bound on memory, no source."""
EARLIEST_S = 631_152_000
LATEST_S = 4_102_444_800
"""Seconds since 1970 at the beginning of 1990 and of 2100: no meter's interval data are older. Common practice, no
source."""
LONGEST_S = 40 * DAY_S
"""Seconds of the longest reading: a billing month and some days. Common practice, no source."""
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
    """One entry of a feed: its links, and what it says of readings."""

    self_: str = ""
    up: str = ""
    related: list[str] = field(default_factory=list)
    title: str = ""
    kind: str = ""
    type_: ReadingType | None = None
    blocks: list[Block] = field(default_factory=list)
    tz_offset: int | None = None

    def speaks(self) -> bool:
        """Say whether the entry has something to say of readings.

        Returns
        -------
        bool
            True for one with readings, or of a kind that tells of them.
        """
        return bool(self.kind or self.blocks)

    def take(self, tag: str, element: Any) -> None:
        """Take what one of the entry's elements says.

        Parameters
        ----------
        tag
            The element's name.
        element
            The element, with its children.
        """
        if tag == "ReadingType":
            self.kind, self.type_ = tag, _reading_type(element)
        elif tag == "LocalTimeParameters":
            self.kind = self.kind or tag
            self.tz_offset = _number(element, "tzOffset")
        elif tag in ("UsagePoint", "MeterReading", "ElectricPowerUsageSummary", "UsageSummary"):
            self.kind = self.kind or tag
        elif tag == "link":
            href = _path(element.get("href") or "")
            relation = element.get("rel")
            if relation == "self":
                self.self_ = href
            elif relation == "up":
                self.up = href
            elif relation == "related":
                self.related.append(href)
        elif tag == "title":
            self.title = (element.text or "").strip()[:100]


@dataclass(slots=True)
class Block:
    """Readings of one interval block: starts [s], durations [s], figures, places, codes of quality."""

    start: array[int] = field(default_factory=lambda: array("q"))
    duration: array[int] = field(default_factory=lambda: array("q"))
    value: array[float] = field(default_factory=lambda: array("d"))
    place: array[int] = field(default_factory=lambda: array("q"))
    quality: array[int] = field(default_factory=lambda: array("q"))


def read_entries(source: Source, number: int, bad: BadRecords) -> Iterator[Entry]:
    """Stream the entries of a feed.

    Parameters
    ----------
    source
        The file.
    number
        Its number among those read together.
    bad
        Takes the readings that break the format.

    Yields
    ------
    Entry
        Each entry that has something to say of readings.

    Raises
    ------
    ReadError
        When the XML is broken, has a document type, or is larger than any meter's.
    """
    feed = _Feed(source, number, bad)
    with source.open_bytes() as stream:
        try:
            for event, element in xml_events(stream):
                if event == "start":
                    feed.start(element)
                else:
                    done = feed.end(element)
                    if done is not None:
                        yield done
        except etree.XMLSyntaxError as error:
            raise ReadError(
                f"{source.name}, line {error.lineno or 1}: the XML is broken or cut off there. Download or export it "
                "again."
            ) from error
    if feed.entry.speaks():
        yield feed.entry


class _Feed:
    """The entry that is being read, and how much has been."""

    def __init__(self, source: Source, number: int, bad: BadRecords) -> None:
        self.source, self.number, self.bad = source, number, bad
        self.entry = Entry()
        self.block: Block | None = None
        self.elements = self.readings = 0
        self.within = self.inside = 0
        """Depth in elements that are kept whole, and the parts of the one that is open."""

    def start(self, element: Any) -> None:
        if not self.elements and element.getroottree().docinfo.doctype:
            raise ReadError(
                f"{self.source.name} carries a document type declaration. No meter file needs one, and it can be "
                "used to do harm, so the file is refused. Export it again from its source."
            )
        self.elements += 1
        if self.elements > MAX_ELEMENTS:
            raise ReadError(f"{self.source.name} has more than {MAX_ELEMENTS:,} XML elements. Export a shorter span.")
        tag = _tag(element)
        if tag in _KEPT_WHOLE:
            self.within += 1
            self.inside = 0
        elif self.within:
            self.inside += 1
            if self.inside > MAX_READING_PARTS:
                raise ReadError(
                    f"{self.source.name}, line {element.sourceline}: one reading has over {MAX_READING_PARTS} parts."
                )
        if tag == "IntervalBlock":
            self._open_block()
            self.entry.kind = self.entry.kind or tag

    def end(self, element: Any) -> Entry | None:
        """Take what an element said; return the entry that ends with it, if it says something of readings."""
        tag, done = _tag(element), None
        if tag in _KEPT_WHOLE:
            self.within -= 1
        if tag == "IntervalReading":
            self._take_reading(element)
        elif tag == "IntervalBlock":
            self.block = None
        elif tag == "entry":
            done = self.entry if self.entry.speaks() else None
            self.entry = Entry()
        else:
            self.entry.take(tag, element)
        if not self.within:
            free(element)
        return done

    def _open_block(self) -> Block:
        self.block = Block()
        self.entry.blocks.append(self.block)
        return self.block

    def _take_reading(self, element: Any) -> None:
        self.readings += 1
        if self.readings > MAX_READINGS:
            raise ReadError(f"{self.source.name} has more than {MAX_READINGS:,} readings. Export a shorter span.")
        block = self.block or self._open_block()
        _take_reading(element, block, place_of(self.number, int(element.sourceline or 0)), self.bad)


def _tag(element: Any) -> str:
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""


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


def _take_reading(element: Any, block: Block, place: int, bad: BadRecords) -> None:
    found: dict[str, str] = {}
    quality = 0
    for child in element.iter():
        name, text = _tag(child), child.text
        if name == "quality" and (text or "0").strip().isdecimal():
            quality = max(quality, int(text or 0))
        elif name in ("start", "duration", "value"):
            found[name] = (text or "").strip()
    said = f"start {found.get('start')}, duration {found.get('duration')}, value {found.get('value')}"
    try:
        at = int(found.get("start", ""))
        length = int(found.get("duration") or "0")
        figure = float(found.get("value") or math.nan)
    except ValueError:
        bad.set_aside(place, said, "the reading has no whole start, duration or value")
        return
    if not EARLIEST_S <= at < LATEST_S or not 0 <= length <= LONGEST_S or math.isinf(figure):
        bad.set_aside(place, said, "the start lies outside 1990 to 2099, or the figures are impossible")
        return
    block.start.append(at)
    block.duration.append(length)
    block.value.append(figure)
    block.place.append(place)
    block.quality.append(quality)
