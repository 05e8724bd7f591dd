"""How the energies lie in the day, where the sun is known to put them."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from portal.pv.arrays import Floats, Ints
from portal.pv.sun import DAY_S
from portal.readers.clock import changes, utc_datetime
from portal.readers.reading import Notice
from portal.readers.series import USUAL_PERCENTILE

FEWEST_BRIGHT = 20
"""Readings with energy from which the shape of a day is told. Common practice, no source."""
DARK = 0.03
"""Hours with less than this share of the brightest hour's energy are dark. Tuned on the made files of the tests: a
fifth more or less changes none."""
DARK_HOURS = 5
"""Dark hours in a row that make a sun's day: midsummer at 60° of latitude, by the sun's path (by definition)."""
SIDE_DAYS = 21
"""Days before and after a clock change whose middles of production are compared. Tuned on the made files of the tests:
a fifth more or less changes none."""
SIDE_LEAST_DAYS = 6
"""Days that must be there on each side. Common practice, no source."""
SUNNY_DAY = 0.3
"""Days with at least this share of the side's best day count. Tuned on the made files of the tests: a fifth more or
less changes none."""
SURE_ERRORS = 4.0
"""A shift is believed from so many standard errors on; common practice for a fact that overrules what a file claims, no
source. Tuned on the made files of the tests: a fifth more or less changes none."""
LEAST_ERROR_H = 0.02
"""Standard error [hours] below which no comparison counts as surer. Common practice, no source."""
SMALL_MOVE_H = 0.4
"""Hours below which a move is none, however sure. Common practice (less than half of what is sought), no source."""
THOUSAND = 0.5
"""Decimal logs by which a jump of the daily energy may miss a factor of a thousand. Tuned on the made files of the
tests: a fifth more or less changes none."""
JUMP_DAYS = 4
"""Days on either side of a jump of a thousand, whose middles are compared. Common practice, no source."""
MOVED_AN_HOUR = (0.6, 1.4)
"""Hours by which the production must move at a clock change to be taken as one. Tuned on the made files of the tests: a
fifth more or less changes none."""


def local_seconds(starts: Ints, zone: ZoneInfo) -> Ints:
    """Return the seconds since 1970 on the site's wall clock.

    Parameters
    ----------
    starts
        UTC starts [s] (n,), in order.
    zone
        The site's zone.

    Returns
    -------
    ndarray
        Seconds (n,).

    Examples
    --------
    >>> local_seconds(np.array([1_720_000_000]), ZoneInfo("Europe/Berlin")) - 1_720_000_000
    array([7200])
    """
    if not len(starts):
        return starts
    first, last = int(starts[0]), int(starts[-1])
    moves = changes(zone, first, last + 1)
    delta = utc_datetime(first).astimezone(zone).utcoffset()
    offsets = np.array([int(delta.total_seconds()) if delta else 0] + [after for _, _, after in moves])
    at = np.searchsorted(np.array([m[0] for m in moves], dtype=np.int64), starts, side="right")
    local: Ints = starts + offsets[at]
    return local


@dataclass(frozen=True, slots=True)
class Shape:
    """How the energies lie in the local day."""

    solar: bool
    """True when most of the night is dark, wherever the file puts it."""
    centre_h: float
    """Middle of the production, local hours."""
    night_share: float
    """Share of the energy between 23:00 and 03:00."""


def day_shape(energy: Floats, local_s: Ints) -> Shape | None:
    """Return the shape of the mean day, None when there is too little to see one.

    Parameters
    ----------
    energy
        Energies [Wh] (n,), NaN where missing.
    local_s
        Starts on the site's wall clock [s] (n,).

    Returns
    -------
    Shape or None
        How the mean day looks.
    """
    known = ~np.isnan(energy) & (energy > 0)
    if known.sum() < FEWEST_BRIGHT or len(np.unique(local_s[known] // DAY_S)) < 2:
        return None
    hour = ((local_s % DAY_S) // 3600).astype(np.int64)
    total = np.bincount(hour[known], weights=energy[known], minlength=24)
    number = np.bincount(hour[~np.isnan(energy)], minlength=24)
    whole = float(total.sum())
    mean = total / np.maximum(number, 1)
    angle = 2 * np.pi * (np.arange(24) + 0.5) / 24
    centre = float(np.arctan2((mean * np.sin(angle)).sum(), (mean * np.cos(angle)).sum())) % (2 * np.pi)
    dark = mean < DARK * mean.max()
    # The longest run of dark hours, around midnight too.
    run = best = 0
    for is_dark in [*dark, *dark]:
        run = run + 1 if is_dark else 0
        best = max(best, run)
    night = float(total[[23, 0, 1, 2]].sum()) / whole
    return Shape(min(best, 24) >= DARK_HOURS, centre / (2 * np.pi) * 24, night)


def clock_shift(energy: Floats, starts: Ints, local_s: Ints, zone: ZoneInfo) -> float | None:
    """Return by how much of an hour the production moves in UTC when the zone's clock changes; None if unseen.

    The sun knows no summer time. Near 0: the clock was read rightly. Near +1: the stamps follow daylight saving
    although they were read as a fixed clock. Near −1: they were read as following it and do not.

    Parameters
    ----------
    energy
        Energies [Wh] (n,), NaN where missing.
    starts
        UTC starts [s] (n,).
    local_s
        The same on the site's wall clock [s] (n,).
    zone
        The site's zone.

    Returns
    -------
    float or None
        Hours; 0 where the move is within the scatter of the days.
    """
    moves = changes(zone, int(starts[0]), int(starts[-1]))
    good = ~np.isnan(energy) & (energy > 0)
    if not moves or not good.any():
        return None
    # Days are cut twelve hours from the middle of production, so that a shift never cuts one in two.
    day = local_s // DAY_S
    first = int(day[0])
    index = (day - first)[good]
    weight = np.minimum(energy[good], np.percentile(energy[good], USUAL_PERCENTILE))
    length = int(day[-1]) - first + 1
    sums = np.bincount(index, weights=weight, minlength=length).astype(np.float64)
    utc_h = (starts[good] - (first + index) * DAY_S) / 3600.0
    centre = np.bincount(index, weights=weight * utc_h, minlength=length) / np.where(sums > 0, sums, np.nan)
    shifts, errors = [], []
    for at, before, after in moves:
        split = (at + after) // DAY_S - first
        earlier = _middle(centre, sums, split - SIDE_DAYS, split)
        later = _middle(centre, sums, split + 1, split + 1 + SIDE_DAYS)
        if earlier is not None and later is not None:
            change_h = (after - before) / 3600.0
            shifts.append((later[0] - earlier[0]) / change_h)
            errors.append(np.hypot(earlier[1], later[1]) / abs(change_h))
    if not shifts:
        return None
    weights = 1 / np.maximum(np.array(errors), LEAST_ERROR_H) ** 2
    mean = float(np.average(shifts, weights=weights))
    error = float(1 / np.sqrt(weights.sum()))
    return mean if abs(mean) > SURE_ERRORS * error or abs(mean) < SMALL_MOVE_H else 0.0


def _middle(centre: Floats, sums: Floats, first: int, last: int) -> tuple[float, float] | None:
    """Return the middle of production [h] over some days and its standard error, None where too few are bright."""
    first, last = max(first, 0), min(last, len(sums))
    use = np.flatnonzero(np.isfinite(centre[first:last])) + first if last > first else np.zeros(0, dtype=np.int64)
    use = use[sums[use] > SUNNY_DAY * sums[use].max()] if len(use) else use
    if len(use) < SIDE_LEAST_DAYS:
        return None
    middle = float(np.average(centre[use], weights=sums[use]))
    return middle, float(np.sqrt(np.average((centre[use] - middle) ** 2, weights=sums[use]) / len(use)))


def unit_jump(energy: Floats, local_s: Ints) -> Notice | None:
    """Notice a lasting jump of the daily energies by about a thousand.

    Parameters
    ----------
    energy
        Energies [Wh] (n,), NaN where missing.
    local_s
        Starts on the site's wall clock [s] (n,).

    Returns
    -------
    Notice or None
        What to tell.
    """
    known = ~np.isnan(energy)
    day = local_s // DAY_S
    first = int(day[0]) if len(day) else 0
    sums = np.bincount((day - first)[known], weights=energy[known]) if known.any() else np.zeros(0)
    at = np.flatnonzero(sums > 0)
    if len(at) < 2 * JUMP_DAYS:
        return None
    logs = np.log10(sums[at])
    medians = np.median(np.lib.stride_tricks.sliding_window_view(logs, JUMP_DAYS), axis=1)
    jumps = medians[JUMP_DAYS:] - medians[:-JUMP_DAYS]
    found = np.flatnonzero(np.abs(np.abs(jumps) - 3) < THOUSAND)
    if not len(found):
        return None
    # The window slides over the jump; it is where the figures change most.
    around = found[0] + int(np.argmin(np.abs(np.abs(jumps[found[0] : found[0] + JUMP_DAYS]) - 3)))
    date_text = f"{utc_datetime(int((first + at[around + JUMP_DAYS]) * DAY_S)):%-d %B %Y}"
    way = "a thousand times larger" if jumps[around] > 0 else "a thousand times smaller"
    return Notice(
        "unit_jump",
        f"From about {date_text} on the figures are {way}: the unit seems to change inside the file. "
        "Split the file there and send each part with its own unit.",
    )
