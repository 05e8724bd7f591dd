"""What an assessment remembers for the next day: bytes to keep beside it and hand back.

With them a new day costs milliseconds: rows of known days, with their expected energy, are not computed again, and the
soiling chain goes on from where the last full fit left it. A full fit is due again after :data:`FULL_FIT_EVERY` days,
or when something happened that looks back: a visit, a step of level, a change of the site's facts.
"""

from __future__ import annotations

import hashlib
import json
import struct
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from portal.pv.array import Array
from portal.pv.quality import DAY

FULL_FIT_EVERY = 7
"""Days after which the whole record is fitted again."""
LAYOUT = 1
"""Raise when the meaning of the bytes changes: memories of another layout are not used."""


@dataclass(frozen=True)
class Memory:
    """State of one site after a full fit.

    ``facts`` are plain values (JSON), ``arrays`` are float32 arrays by name; ``rows`` are those of
    :data:`portal.pv.quality.DAY`.
    """

    facts: dict[str, Any]
    rows: npt.NDArray[np.void]
    arrays: dict[str, npt.NDArray[np.float32]]

    def to_bytes(self) -> bytes:
        """Pack into bytes for a database column."""
        parts = [self.rows.tobytes()]
        shapes = {}
        for name, values in self.arrays.items():
            shapes[name] = list(values.shape)
            parts.append(np.ascontiguousarray(values, dtype=np.float32).tobytes())
        head = json.dumps({"layout": LAYOUT, "days": len(self.rows), "shapes": shapes, "facts": self.facts}).encode()
        return zlib.compress(struct.pack("<I", len(head)) + head + b"".join(parts), 1)


def from_bytes(data: bytes) -> Memory | None:
    """Unpack; None for bytes of another layout or damaged ones, which only costs a full fit."""
    try:
        plain = zlib.decompress(data)
        (length,) = struct.unpack_from("<I", plain)
        head = json.loads(plain[4 : 4 + length])
        if head["layout"] != LAYOUT:
            return None
        at = 4 + length
        rows = np.frombuffer(plain, dtype=DAY, count=head["days"], offset=at)
        at += rows.nbytes
        arrays = {}
        for name, shape in head["shapes"].items():
            count = int(np.prod(shape))
            arrays[name] = np.frombuffer(plain, dtype=np.float32, count=count, offset=at).reshape(shape)
            at += 4 * count
        return Memory(head["facts"], rows, arrays)
    except (zlib.error, struct.error, ValueError, KeyError):
        return None


def fingerprint(array: Array, interval_minutes: int) -> str:
    """Of the facts that rows of known days depend on."""
    return hashlib.sha256(repr((LAYOUT, array, interval_minutes)).encode()).hexdigest()[:16]
