"""What somebody else's server sends, taken in within bounds of size and time."""

from __future__ import annotations

import time
from collections.abc import Iterable

PATIENCE_S = 30
"""Seconds without a byte after which a server is left alone for a while. Common practice, no source."""


class TooLarge(Exception):
    """More came than is taken in."""


class TooSlow(Exception):
    """It had not come to an end in time."""


def take_in(parts: Iterable[bytes], *, most_bytes: int, deadline_s: float) -> bytes:
    """Put the parts together as they come. Raises TooLarge or TooSlow, and reads no further."""
    begun, taken, size = time.monotonic(), [], 0
    for part in parts:
        taken.append(part)
        size += len(part)
        if size > most_bytes:
            raise TooLarge
        if time.monotonic() - begun > deadline_s:
            raise TooSlow
    return b"".join(taken)
