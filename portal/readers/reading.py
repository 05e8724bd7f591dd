"""What a reader hands back: one meter's readings in house names, and everything it could not take in."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import pandas as pd

from portal.readers.mapping import DateOrder, FigureKind, Mapping, Unit

MAX_READINGS = 3_000_000
"""Readings of a file: 28 years of 5 minutes. A bound on memory, no source."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One answer: what is stored and what a person reads."""

    value: str
    label: str


@dataclass(frozen=True, slots=True)
class Question:
    """Something the file itself does not settle.

    A ``required`` one stops ``read`` until ``Mapping.answered(code, value)``; the others have a good default,
    which is already in the guessed mapping.
    """

    code: str
    text: str
    choices: tuple[Choice, ...]
    required: bool


@dataclass(frozen=True, eq=False)
class Guess:
    """What the file seems to be. ``preview`` holds the first days as the mapping reads them, None if it cannot."""

    mapping: Mapping
    preview: Readings | None
    questions: tuple[Question, ...]
    notices: tuple[Notice, ...]
    columns: tuple[str, ...]
    """All column names a person can choose from."""
    sample: tuple[tuple[str, ...], ...]
    """The first lines as cells, to show beside the mapping."""
    measures: dict[str, tuple[FigureKind, Unit]] = field(default_factory=dict)
    """What the file says each column holds, where it says so."""


REJECTED_KEPT = 1000
"""Rejected lines that are kept with their text; the count goes on beyond. A bound on memory, no source."""


class ReadError(Exception):
    """The file cannot be taken in; the message says in plain words what is wrong, where, and what to do next.

    ``rejected`` are the first of the lines that were not taken in, where it was read so far, of ``rejected_count``.
    """

    rejected: tuple[Rejected, ...] = ()
    rejected_count: int = 0


class UndecidedError(ReadError):
    """The file can be read, but only after somebody has answered ``questions``; ``seen`` is how it looks till then."""

    def __init__(self, seen: Guess) -> None:
        self.questions = tuple(question for question in seen.questions if question.required)
        super().__init__(" ".join(question.text for question in self.questions))
        self.seen = seen
        self.mapping = seen.mapping


class MisreadError(ReadError):
    """The file is a table, but read as ``seen`` says it gives no readings; with other columns chosen it may."""

    def __init__(self, message: str, seen: Guess) -> None:
        super().__init__(message)
        self.seen = seen


@dataclass(frozen=True, slots=True)
class Rejected:
    """One line (a spreadsheet's row) that was not taken in. ``file`` is set for a file inside a zip."""

    line: int
    text: str
    reason: str
    file: str = ""


@dataclass(frozen=True, slots=True)
class Notice:
    """Something the owner of the file should know. ``code`` is stable, ``text`` is for people.

    ``instead`` is the answer that would mend it, as code and value with a blank between; "" where none would.
    """

    code: str
    text: str
    instead: str = ""


@dataclass(frozen=True, slots=True)
class Lump:
    """Energy that flowed between ``start`` and ``end`` (UTC) without its course being known.

    A catch-up reading after a gap, or a value the meter operator estimated. It counts as energy, never as power,
    so the intervals it covers are NaN in ``Readings.energy_wh``.
    """

    start: datetime
    end: datetime
    energy_wh: float
    reason: str
    line: int = 0


@dataclass(frozen=True, slots=True)
class Gap:
    """A span (UTC) inside the readings without any; nights of a daylight-only file are no gaps."""

    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True)
class Channel:
    """One series found in the file; ``taken`` when it is part of the readings."""

    name: str
    direction: str
    """"production", "export", "consumption", "net" or "" when the file does not say."""
    taken: bool


@dataclass(frozen=True, eq=False)
class Readings:
    """One meter's energies [Wh] on a regular grid.

    ``energy_wh`` is indexed by tz-aware UTC interval *starts*; NaN where missing. Intervals of a day lie on the
    site's local midnight plus a whole number of intervals. Daily totals (1440) have the local midnights as index.
    ``interval_minutes`` is 5, 10, 15, 30, 60 or 1440.
    ``quality`` has the source's own quality flag for each interval of the same index, None when it has none.
    """

    energy_wh: pd.Series[float]
    interval_minutes: int
    quality: pd.Series[str] | None = None


@dataclass(frozen=True, eq=False)
class ReadResult:
    """A file taken in. Counts are always whole; kept lists are bounded."""

    readings: Readings
    mapping: Mapping
    rows_read: int
    """Readings found in the file, good or not (cells in a wide table); rejected ones included."""
    rejected_count: int = 0
    rejected: tuple[Rejected, ...] = ()
    blanks: int = 0
    duplicates: int = 0
    lumps: tuple[Lump, ...] = ()
    gaps: tuple[Gap, ...] = ()
    clock_changes: tuple[datetime, ...] = ()
    channels: tuple[Channel, ...] = ()
    notices: tuple[Notice, ...] = field(default=())
    columns: tuple[str, ...] = ()
    sample: tuple[tuple[str, ...], ...] = ()
    measures: dict[str, tuple[FigureKind, Unit]] = field(default_factory=dict)
    """These three as in ``Guess``: what a person needs to see to correct the mapping."""
    order_shown: DateOrder = ""
    """The order of day and month that the file's own dates show, "" where they leave it open."""

    @property
    def start(self) -> datetime:
        """First instant covered (UTC)."""
        first: datetime = self.readings.energy_wh.index[0].to_pydatetime()
        return first

    @property
    def end(self) -> datetime:
        """Instant after the last interval (UTC)."""
        last = self.readings.energy_wh.index[-1] + pd.Timedelta(minutes=self.readings.interval_minutes)
        end: datetime = last.to_pydatetime()
        return end
