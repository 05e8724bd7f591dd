"""The clock a file was written by, and the way from its stamps to UTC instants."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from portal.pv.arrays import Bools, Ints
from portal.pv.sun import DAY_S

ClockKind = Literal["wall", "winter", "utc", "offset"]
Label = Literal["start", "end"]

NO_INSTANT = np.iinfo(np.int64).min


@dataclass(frozen=True, slots=True)
class StampClock:
    """How a file's stamps are to be understood.

    ``kind``: "wall" follows the daylight saving of ``tz``; "winter" keeps the zone's standard offset all year;
    "utc" is UTC; "offset" means that each stamp carries its own offset.
    ``label``: whether a stamp marks the start or the end of its interval.
    """

    tz: str
    kind: ClockKind = "wall"
    label: Label = "start"

    def to_utc(self, naive_s: Ints, offset_s: NDArray[np.int32] | None = None) -> Ints:
        """Turn stamps (seconds since 1970 on this clock, in file order) into UTC seconds.

        An hour that the wall clock shows twice is told apart by the order of the lines: going backwards means that
        the clock has been put back. Where it shows the hour only once, it is the first. A stamp the wall clock
        skips becomes ``NO_INSTANT``.

        Parameters
        ----------
        naive_s
            Stamps (n,) as seconds since 1970 on this clock, in the order of the file.
        offset_s
            Each stamp's own offset [s] (n,), for the clock "offset".

        Returns
        -------
        ndarray
            UTC seconds (n,), ``NO_INSTANT`` for a stamp that the wall clock skips.

        Raises
        ------
        ValueError
            When the clock is "offset" and the stamps have none.

        Examples
        --------
        >>> noon = np.array([1_720_008_000])  # 3 July 2024, 12:00 on the wall
        >>> noon - StampClock("Europe/Berlin").to_utc(noon)
        array([7200])
        """
        if self.kind == "utc":
            return naive_s.copy()
        if self.kind == "offset":
            if offset_s is None:
                raise ValueError("the stamps carry no offset")
            return naive_s - offset_s
        if not len(naive_s):
            return naive_s.copy()
        zone = ZoneInfo(self.tz)
        if self.kind == "winter":
            lo, hi = int(naive_s.min()), int(naive_s.max())
            return naive_s - standard_offsets(zone, lo, hi, naive_s)
        return _wall_to_utc(naive_s, zone)


def changes(zone: ZoneInfo, first_s: int, last_s: int) -> list[tuple[int, int, int]]:
    """Return the zone's clock changes between two UTC seconds: (instant, offset before, offset after) in seconds.

    Parameters
    ----------
    zone
        The zone.
    first_s, last_s
        UTC seconds between which changes are sought.

    Returns
    -------
    list of tuple
        Instant of each change (UTC seconds), and the offsets [s] before and after it.
    """
    found = []
    step = 7 * DAY_S  # no zone changes its clock twice within a week and back
    at, before = first_s, utc_offset_s(zone, first_s)
    while at < last_s:
        nxt = min(at + step, last_s)
        after = utc_offset_s(zone, nxt)
        if after != before:
            lo, hi = at, nxt
            while hi - lo > 1:
                mid = (lo + hi) // 2
                if utc_offset_s(zone, mid) == before:
                    lo = mid
                else:
                    hi = mid
            found.append((hi, before, after))
            before = after
        at = nxt
    return found


def utc_offset_s(zone: ZoneInfo, utc_s: int) -> int:
    """Return a zone's offset at an instant.

    Parameters
    ----------
    zone
        The zone.
    utc_s
        Seconds since 1970 in UTC.

    Returns
    -------
    int
        Seconds that its clock is ahead of UTC.

    Examples
    --------
    >>> utc_offset_s(ZoneInfo("Europe/Berlin"), 1_720_000_000)
    7200
    """
    delta = datetime.fromtimestamp(utc_s, UTC).astimezone(zone).utcoffset()
    return int(delta.total_seconds()) if delta else 0


def standard_offsets(zone: ZoneInfo, first_s: int, last_s: int, at_s: Ints) -> Ints:
    """Return the zone's standard offset for each instant: the smaller one of the year around it.

    The smaller offset, not ``dst()``: Ireland's rules call winter time the deviation.

    Parameters
    ----------
    zone
        The zone.
    first_s, last_s
        The first and the last of the instants, UTC seconds.
    at_s
        The instants (n,), UTC seconds.

    Returns
    -------
    ndarray
        Offsets [s] (n,).

    Examples
    --------
    >>> standard_offsets(ZoneInfo("Europe/Dublin"), 1_720_000_000, 1_720_000_000, np.array([1_720_000_000]))
    array([0])
    """
    out = np.empty(len(at_s), dtype=np.int64)
    years = range(datetime.fromtimestamp(first_s, UTC).year, datetime.fromtimestamp(last_s, UTC).year + 1)
    for year in years:
        start = int(datetime(year, 1, 1, tzinfo=UTC).timestamp())
        end = int(datetime(year + 1, 1, 1, tzinfo=UTC).timestamp())
        offset = min(utc_offset_s(zone, start), utc_offset_s(zone, start + 182 * DAY_S))
        out[(at_s >= start) & (at_s < end)] = offset
    return out


def _wall_to_utc(naive_s: Ints, zone: ZoneInfo) -> Ints:
    first, last = int(naive_s.min()) - 2 * DAY_S, int(naive_s.max()) + 2 * DAY_S
    moves = changes(zone, first, last)
    offsets = np.array([utc_offset_s(zone, first)] + [after for _, _, after in moves], dtype=np.int64)
    # On the wall a change happens at instant + offset; from there on the later offset holds. For a clock put back,
    # the stamps from instant + after to instant + before occur twice.
    starts = np.array([at + max(before, after) for at, before, after in moves], dtype=np.int64)
    utc = naive_s - offsets[np.searchsorted(starts, naive_s, side="right")]
    for at, before, after in moves:
        if after > before:
            skipped = (naive_s >= at + before) & (naive_s < at + after)
            utc[skipped] = NO_INSTANT
            continue
        twice = np.flatnonzero((naive_s >= at + after) & (naive_s < at + before))
        if len(twice):
            second = _second_time_round(naive_s, twice, at + after, at + before)
            utc[twice] = naive_s[twice] - np.where(second, after, before)
    return utc


def _second_time_round(naive_s: Ints, twice: Ints, window_start: int, window_end: int) -> Bools:
    """Say for each stamp inside the doubled hour whether it is the second time the clock shows it."""
    second = np.zeros(len(twice), dtype=bool)
    stamps = naive_s[twice]
    after = naive_s[np.minimum(twice[-1] + 1, len(naive_s) - 1)]
    before = naive_s[max(twice[0] - 1, 0)]
    falling = before > after
    order = np.arange(len(twice))[::-1] if falling else np.arange(len(twice))
    seen: set[int] = set()
    turned = False
    latest = -(2**62)
    for position in order:
        stamp = int(stamps[position])
        if not turned and (stamp in seen or stamp < latest):
            turned = True
        seen.add(stamp)
        latest = max(latest, stamp)
        second[position] = turned
    return second


def utc_datetime(utc_s: int) -> datetime:
    """Return the aware datetime of a UTC second.

    Parameters
    ----------
    utc_s
        Seconds since 1970 in UTC.

    Returns
    -------
    datetime
        Aware, in UTC.

    Examples
    --------
    >>> utc_datetime(1_720_000_000).isoformat()
    '2024-07-03T09:46:40+00:00'
    """
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=int(utc_s))
