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
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, TypedDict

import numpy as np
import numpy.typing as npt

from portal.pv.array import Array
from portal.pv.arrays import Floats, Floats32
from portal.pv.bands import Rate
from portal.pv.chain import Resume
from portal.pv.daily import DAY, EPOCH, Daily, Metering
from portal.pv.gains import Gain
from portal.pv.moves import GRID, RAIN_PRIOR, RATES
from portal.pv.orientation import Seen
from portal.pv.said import Said
from portal.pv.soiling import SoilingFit

FULL_FIT_EVERY = 7
"""Days after which at the latest the whole record is fitted again: what a filter alone says of a week is hardly worse;
see ``test_new_days_are_added_to_what_is_remembered``. Days; no source."""


class Facts(TypedDict):
    """Plain values (JSON) of a full fit."""

    made_of: str
    visits: list[str]
    meter: dict[str, Any]
    unit_changes: int
    clock_shifts: int
    noted: list[dict[str, Any]]
    seen: tuple[float, float] | None
    looked_at: int
    neighbours: int
    scatter: float
    haze: dict[str, float]
    town_scatter: float | None
    middle: float
    steps: list[tuple[int, int | None, float]]
    half_days: int
    theta_sd: float
    lasting_sd: float | None
    rate: tuple[float, float, float]
    mean_loss: float
    falls: list[tuple[int, float, float, float]]
    gains: list[tuple[int, float, float, float]]


class Arrays(TypedDict):
    """Arrays of a full fit; the first four as in :class:`portal.pv.chain.Resume`, the others as in its fit."""

    state: Floats32
    log_share: Floats32
    level: Floats32
    theta: Floats32
    present: Floats32
    loss_mean: Floats32
    loss_low: Floats32
    loss_high: Floats32
    smooth: Floats32
    residual: Floats32
    """Log index, the air in it, less what the fit makes of it: what the roof shows its neighbours of the air."""
    wash: Floats32
    """Chance of a light and of a heavy wash by rain on each day, shape (days, 2)."""


def layout_of(day: np.dtype[np.void], names: Iterable[str], grids: Iterable[Floats]) -> str:
    """Mark of what the bytes mean: memories that carry another are not used, which only costs a full fit.

    Parameters
    ----------
    day : dtype
        Of a day's row.
    names : iterable of str
        Of the facts and arrays kept.
    grids : iterable of ndarray
        What the chain's states stand for: losses, rates, and what rain does.

    Returns
    -------
    str
        Sixteen hexadecimal digits.
    """
    meaning = (day.descr, sorted(names), [grid.tolist() for grid in grids])
    return hashlib.sha256(repr(meaning).encode()).hexdigest()[:16]


LAYOUT = layout_of(DAY, [*Facts.__required_keys__, *Arrays.__required_keys__], [GRID, RATES, RAIN_PRIOR])


@dataclass(frozen=True)
class Memory:
    """State of one site after a full fit; ``rows`` are those of :data:`portal.pv.daily.DAY`."""

    facts: Facts
    rows: npt.NDArray[np.void]
    arrays: Arrays

    def to_bytes(self) -> bytes:
        """Pack into bytes for a database column.

        Returns
        -------
        bytes
            Some 60 to 150 kB, compressed.
        """
        parts = [self.rows.tobytes()]
        shapes = {}
        for name in sorted(Arrays.__required_keys__):
            values = np.ascontiguousarray(self.arrays[name], dtype=np.float32)  # type: ignore[literal-required]
            shapes[name] = list(values.shape)
            parts.append(values.tobytes())
        head = json.dumps({"layout": LAYOUT, "days": len(self.rows), "shapes": shapes, "facts": self.facts}).encode()
        return zlib.compress(struct.pack("<I", len(head)) + head + b"".join(parts), 1)

    def days_with(self, rows: npt.NDArray[np.void], interval_minutes: int) -> Daily:
        """The record that is known, with new days after it.

        Parameters
        ----------
        rows : ndarray of DAY
            New days.
        interval_minutes : int
            Of the readings.

        Returns
        -------
        Daily
            All days.
        """
        facts = self.facts
        return Daily(
            np.concatenate([self.rows, rows]),
            interval_minutes,
            facts["unit_changes"],
            facts["clock_shifts"],
            Metering(**facts["meter"]),
            tuple(Said(**note) for note in facts["noted"]),
            self.seen,
            facts["looked_at"],
        )

    @property
    def seen(self) -> Seen | None:
        """How the readings see the modules, by which the rows were made."""
        seen = self.facts["seen"]
        return None if seen is None else Seen(*seen)

    def fit(self) -> SoilingFit:
        """The last full fit.

        Returns
        -------
        SoilingFit
            In single precision, and with the log of the mean loss in place of the mean log loss.
        """
        facts, arrays = self.facts, self.arrays
        theta = arrays["theta"].astype(np.float64)
        log_share = arrays["log_share"].astype(np.float64)
        loss = arrays["loss_mean"].astype(np.float64)
        resume = Resume(
            state=arrays["state"],
            half_days=facts["half_days"],
            log_share=log_share,
            level=arrays["level"].astype(np.float64),
            theta=theta,
            theta_sd=facts["theta_sd"],
            lasting_sd=facts["lasting_sd"],
        )
        return SoilingFit(
            log_mean=-np.log1p(-loss),
            loss_mean=loss,
            loss_low=arrays["loss_low"].astype(np.float64),
            loss_high=arrays["loss_high"].astype(np.float64),
            present=arrays["present"].astype(np.float64),
            rate=Rate(*facts["rate"]),
            falls=[Gain(*one) for one in facts["falls"]],
            visits=[Gain(*one) for one in facts["gains"]],
            mean_loss=facts["mean_loss"],
            smooth=arrays["smooth"].astype(np.float64),
            theta=np.exp(log_share) @ theta,
            resume=resume,
        )


def from_bytes(data: bytes) -> Memory | None:
    """Unpack a memory.

    Parameters
    ----------
    data : bytes
        Of :meth:`Memory.to_bytes`.

    Returns
    -------
    Memory or None
        None for bytes of another layout or damaged ones, which only costs a full fit.
    """
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
        return Memory(head["facts"], rows, Arrays(**arrays))  # type: ignore[typeddict-item]  # the layout names them
    except (zlib.error, struct.error, ValueError, KeyError):
        return None


def known_until(data: bytes) -> date | None:
    """The last day that a memory knows.

    Parameters
    ----------
    data : bytes
        Of :meth:`Memory.to_bytes`; may be empty.

    Returns
    -------
    date or None
        None for bytes that cannot be used.
    """
    # Only the beginning is unpacked: rows stand on a contiguous axis of days, so the first one tells of the last.
    unpack = zlib.decompressobj()
    try:
        (length,) = struct.unpack("<I", unpack.decompress(data, 4))
        plain = unpack.decompress(unpack.unconsumed_tail, length + DAY.itemsize)
        head = json.loads(plain[:length])
        if head["layout"] != LAYOUT:
            return None
        first = int(np.frombuffer(plain, dtype=DAY, count=1, offset=length)["day"][0])
        return EPOCH + timedelta(days=first + head["days"] - 1)
    except (zlib.error, struct.error, ValueError, KeyError):
        return None


def full_fit_due(known: int, last: int, key: str) -> bool:
    """Whether the whole record is to be fitted again, by the calendar.

    Each roof has a turn of its own among :data:`FULL_FIT_EVERY` days, so that the fits of roofs which came on one day
    spread over the week.

    Parameters
    ----------
    known, last : int
        Last day of the last full fit, and last day now; days since 1970-01-01.
    key : str
        Of the site; without one it has no turn.

    Returns
    -------
    bool
        True at the latest after :data:`FULL_FIT_EVERY` days.

    Examples
    --------
    Two roofs fitted on one day are due on days of their own, and on one day each week:

    >>> [[day for day in range(1, 8) if full_fit_due(day - 1, day, key)] for key in ("12", "15")]
    [[1], [5]]
    """
    if not key:
        return last - known >= FULL_FIT_EVERY
    turn = zlib.crc32(key.encode()) % FULL_FIT_EVERY
    return (last - turn) // FULL_FIT_EVERY > (known - turn) // FULL_FIT_EVERY


def fingerprint(array: Array, interval_minutes: int) -> str:
    """Of the facts that rows of known days depend on.

    Parameters
    ----------
    array : Array
        The site's facts.
    interval_minutes : int
        Of the readings.

    Returns
    -------
    str
        Sixteen hexadecimal digits.
    """
    return hashlib.sha256(repr((LAYOUT, array, interval_minutes)).encode()).hexdigest()[:16]
