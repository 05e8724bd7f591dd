"""What production can and cannot look like: sentinels, impossible figures, nights, clocks, units."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from portal.readers.clock import changes, utc_datetime
from portal.readers.reading import Gap, Notice
from portal.readers.series import DAY_S, Floats, Ints, Series

_STAND_INS = np.array(
    [
        -1.0,
        -9.0,
        -99.0,
        -999.0,
        -9999.0,
        -99999.0,
        -999999.0,
        -9999999.0,
        -1000000.0,
        -1000000000.0,
        -32768.0,
        -2147483648.0,
        9999.0,
        99999.0,
        999999.0,
        9999999.0,
        32767.0,
        65535.0,
        2147483647.0,
        4294967295.0,
        1000000000.0,
        1000000.0,
        -888.0,
        -8888.0,
        -6999.0,
        -7999.0,
    ]
)
GAPS_KEPT = 1_000
LARGEST_W = 1e10
"""No plant on earth has more; a figure beyond is no reading."""


def blank_stand_ins(column: Floats) -> int:
    """Blank the figures a logger writes for "no value" (−999, −1,000,000, 65,535 …); return how many.

    Such a figure counts as one only when it lies far outside what the rest of the column shows.
    """
    finite = column[np.isfinite(column)]
    if len(finite) < 10:
        return 0
    extreme = finite[np.isin(finite, _STAND_INS)]
    if not len(extreme):
        return 0
    found = 0
    for value in np.unique(extreme):
        others = finite[finite != value]
        if not len(others):
            continue
        scale = float(np.percentile(np.abs(others), 99))
        if (
            (value < 0 and -value > 0.2 * scale and others.min() > value * 0.2)
            or (value > 0 and value > 5 * max(float(others.max()), 1e-12))
            or (value < 0 and -value > 20 * scale)
        ):
            hit = column == value
            found += int(hit.sum())
            column[hit] = np.nan
    return found


def mend_negatives(series: Series) -> tuple[int, NDArray[np.int64], bool]:
    """Take the inverter's own small use at night as zero.

    Returns how many, the positions of really negative energies, and whether the series as a whole runs both ways
    (a net meter).
    """
    energy = series.energy_wh
    negative = np.flatnonzero(energy < 0)
    if not len(negative):
        return 0, negative, False
    positive = energy[energy > 0]
    peak = float(np.percentile(positive, 99.5)) if len(positive) else 0.0
    slight = energy[negative] >= -0.03 * peak
    energy[negative[slight]] = 0.0
    really = negative[~slight]
    drawn = -float(energy[really].sum())
    both_ways = len(really) > 0.01 * len(energy) and drawn > 0.02 * float(positive.sum() if len(positive) else 0.0)
    return int(slight.sum()), really, both_ways


def impossible(series: Series) -> NDArray[np.int64]:
    """Return the positions of energies no plant delivers, and of lone ones far above all others."""
    energy = series.energy_wh
    hours = series.length_s / 3600.0
    with np.errstate(over="ignore", invalid="ignore"):
        wild = np.abs(energy) > LARGEST_W * hours
        positive = energy[(energy > 0) & ~wild]
        if len(positive) >= 50:
            high = energy > 20 * float(np.percentile(positive, 99))
            if 0 < (high & ~wild).sum() <= max(3, len(energy) // 2000):
                wild |= high
    found: NDArray[np.int64] = np.flatnonzero(wild)
    return found


def local_seconds(starts: Ints, zone: ZoneInfo) -> Ints:
    """Return the seconds since 1970 on the site's wall clock."""
    if not len(starts):
        return starts
    first, last = int(starts[0]), int(starts[-1])
    moves = changes(zone, first, last + 1)
    delta = utc_datetime(first).astimezone(zone).utcoffset()
    offsets = np.array([int(delta.total_seconds()) if delta else 0] + [after for _, _, after in moves])
    at = np.searchsorted(np.array([m[0] for m in moves], dtype=np.int64), starts, side="right")
    local: Ints = starts + offsets[at]
    return local


def fill_nights(energy: Floats, local_s: Ints, minutes: int) -> int:
    """Set the missing nights of a daylight-only file to zero; return how many nights.

    A file is daylight-only when hardly any night of it has readings; a night counts as dark when the last reading
    before and the first after it are small.
    """
    known = np.flatnonzero(~np.isnan(energy))
    if len(known) < 10:
        return 0
    hour = (local_s % DAY_S) // 3600
    night = (hour >= 22) | (hour < 3)
    days = len(np.unique(local_s[known] // DAY_S))
    if days < 2 or np.count_nonzero(night[known]) > 0.05 * days * 5 * 60 / minutes:
        return 0
    peak = float(np.percentile(energy[known], 99.5))
    if peak <= 0:
        return 0
    small = 0.2 * peak
    step = minutes * 60
    filled = 0
    holes = np.flatnonzero(np.diff(known) > 1)
    for hole in holes:
        a, b = int(known[hole]), int(known[hole + 1])
        if (b - a) * step > 20 * 3600 or local_s[a] // DAY_S == local_s[b] // DAY_S:
            continue
        if energy[a] <= small and energy[b] <= small and local_s[b] // DAY_S - local_s[a] // DAY_S == 1:
            energy[a + 1 : b] = 0.0
            filled += 1
    return filled


def gaps(energy: Floats, starts: Ints, minutes: int) -> list[Gap]:
    """Return the runs of missing intervals."""
    missing = np.concatenate(([False], np.isnan(energy), [False]))
    edges = np.flatnonzero(np.diff(missing.astype(np.int8)))
    step = minutes * 60
    return [
        Gap(utc_datetime(int(starts[a])), utc_datetime(int(starts[b - 1]) + step))
        for a, b in zip(edges[::2][:GAPS_KEPT], edges[1::2][:GAPS_KEPT], strict=True)
    ]


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
    """Return the shape of the mean day, None when there is too little to see one."""
    known = ~np.isnan(energy) & (energy > 0)
    if known.sum() < 20 or len(np.unique(local_s[known] // DAY_S)) < 2:
        return None
    hour = ((local_s % DAY_S) // 3600).astype(np.int64)
    total = np.bincount(hour[known], weights=energy[known], minlength=24)
    number = np.bincount(hour[~np.isnan(energy)], minlength=24)
    whole = float(total.sum())
    mean = total / np.maximum(number, 1)
    angle = 2 * np.pi * (np.arange(24) + 0.5) / 24
    centre = float(np.arctan2((mean * np.sin(angle)).sum(), (mean * np.cos(angle)).sum())) % (2 * np.pi)
    dark = mean < 0.03 * mean.max()
    # The longest run of dark hours, around midnight too.
    run = best = 0
    for is_dark in [*dark, *dark]:
        run = run + 1 if is_dark else 0
        best = max(best, run)
    night = float(total[[23, 0, 1, 2]].sum()) / whole
    return Shape(min(best, 24) >= 5, centre / (2 * np.pi) * 24, night)


def clock_shift(energy: Floats, starts: Ints, local_s: Ints, zone: ZoneInfo) -> float | None:
    """Return by how much of an hour the production moves in UTC when the zone's clock changes; None if unseen.

    The sun knows no summer time. Near 0: the clock was read rightly. Near +1: the stamps follow daylight saving
    although they were read as a fixed clock. Near −1: they were read as following it and do not.
    """
    moves = changes(zone, int(starts[0]), int(starts[-1]))
    if not moves:
        return None
    good = ~np.isnan(energy) & (energy > 0)
    if not good.any():
        return None
    energy = np.minimum(energy, np.percentile(energy[good], 99.5))
    # Days are cut twelve hours from the middle of production, so that a shift never cuts one in two.
    day = local_s // DAY_S
    first = int(day[0])
    index = (day - first)[good]
    weight = energy[good]
    length = int(day[-1]) - first + 1
    sums = np.bincount(index, weights=weight, minlength=length)
    utc_h = (starts[good] - (first + index) * DAY_S) / 3600.0
    centre = np.bincount(index, weights=weight * utc_h, minlength=length) / np.where(sums > 0, sums, np.nan)
    shifts, errors = [], []
    for at, before, after in moves:
        split = (at + after) // DAY_S - first
        sides = []
        for lo, hi in ((split - 21, split), (split + 1, split + 22)):
            lo, hi = max(lo, 0), min(hi, length)
            use = np.flatnonzero(np.isfinite(centre[lo:hi])) + lo if hi > lo else np.zeros(0, dtype=np.int64)
            use = use[sums[use] > 0.3 * sums[use].max()] if len(use) else use
            if len(use) < 6:
                break
            middle = float(np.average(centre[use], weights=sums[use]))
            spread = float(np.sqrt(np.average((centre[use] - middle) ** 2, weights=sums[use]) / len(use)))
            sides.append((middle, spread))
        if len(sides) == 2:
            change_h = (after - before) / 3600.0
            shifts.append((sides[1][0] - sides[0][0]) / change_h)
            errors.append(np.hypot(sides[0][1], sides[1][1]) / abs(change_h))
    if not shifts:
        return None
    weights = 1 / np.maximum(np.array(errors), 0.02) ** 2
    mean = float(np.average(shifts, weights=weights))
    error = float(1 / np.sqrt(weights.sum()))
    return mean if abs(mean) > 4 * error or abs(mean) < 0.4 else 0.0


def unit_jump(energy: Floats, local_s: Ints) -> Notice | None:
    """Notice a lasting jump of the daily energies by about a thousand."""
    known = ~np.isnan(energy)
    day = local_s // DAY_S
    first = int(day[0]) if len(day) else 0
    sums = np.bincount((day - first)[known], weights=energy[known]) if known.any() else np.zeros(0)
    at = np.flatnonzero(sums > 0)
    if len(at) < 8:
        return None
    logs = np.log10(sums[at])
    medians = np.median(np.lib.stride_tricks.sliding_window_view(logs, 4), axis=1)
    jumps = medians[4:] - medians[:-4]
    found = np.flatnonzero(np.abs(np.abs(jumps) - 3) < 0.5)
    if not len(found):
        return None
    # The window slides over the jump; it is where the figures change most.
    around = found[0] + int(np.argmin(np.abs(np.abs(jumps[found[0] : found[0] + 4]) - 3)))
    date_text = f"{utc_datetime(int((first + at[around + 4]) * DAY_S)):%-d %B %Y}"
    way = "a thousand times larger" if jumps[around] > 0 else "a thousand times smaller"
    return Notice(
        "unit_jump",
        f"From about {date_text} on the figures are {way}: the unit seems to change inside the file. "
        "Split the file there and send each part with its own unit.",
    )
