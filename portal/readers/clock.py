"""The clock a file was written by, and the way from its stamps to UTC instants."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ClockKind = Literal["wall", "winter", "utc", "offset"]
Label = Literal["start", "end"]


@dataclass(frozen=True, slots=True)
class Clock:
    """How a file's stamps are to be understood.

    ``kind``: "wall" follows the daylight saving of ``tz``; "winter" keeps the zone's standard offset all year;
    "utc" is UTC; "offset" means that each stamp carries its own offset.
    ``label``: whether a stamp marks the start or the end of its interval.
    """

    tz: str
    kind: ClockKind = "wall"
    label: Label = "start"
