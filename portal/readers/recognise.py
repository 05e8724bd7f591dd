"""One door for every kind of file: recognise it, guess its mapping, read it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from portal.readers.mapping import Guess, Mapping
from portal.readers.reading import ReadResult


def read(path: Path, *, filename: str, tz: str, now: datetime, mapping: Mapping | None = None) -> ReadResult:
    """Read the file at ``path`` for a site in zone ``tz``.

    Without a mapping the file's own is guessed. Raises ``ReadError`` when the file cannot be taken in, and
    ``UndecidedError`` when somebody has to answer a question first. ``now`` bounds the stamps: none lies ahead of it.
    """
    raise NotImplementedError


def guess(path: Path, *, filename: str, tz: str, now: datetime) -> Guess:
    """Say what the file seems to be, with the first days as they would be read, and what is still to ask."""
    raise NotImplementedError
