"""Dirt, or something a wash will not mend: strings gone, inverter off, shade, snow.

Dirt grows slowly, dims the whole day alike and goes with rain or a wash. A string gone is a step down from one day to
the next that stays, the same all day. A tree takes a loss at one end of the day, low sun only, that grows over seasons.
An inverter off or snow reads as (almost) nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.expected import climatological_temperature
from portal.pv.quality import Daily

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SMALLEST_STEP = 0.13
"""Log step that dirt does not make from one day to the next (droppings reach some 0.04)."""


@dataclass(frozen=True, slots=True)
class Step:
    """A change of level from one day to the next; ``last`` is None while it lasts."""

    first: int
    """Index of the first day on the new level."""
    last: int | None
    size: float
    """Log change, negative for a loss."""


@dataclass(frozen=True, slots=True)
class Shade:
    """A loss at one end of the day that the other end does not show."""

    evening: bool
    loss: float
    """Log loss of the low sun at that end against noon, now, over what the record began with."""
    first: int
    """Index of the day from which it shows."""


def _jump(y: Floats, before: int = 7, after: int = 7) -> tuple[Ints, Floats, Floats]:
    """Median of the clear days after each clear day's start minus that before, and how cleanly they part.

    Returns positions (days), sizes, and gap: the distance between the nearer quartiles of both sides.
    """
    at = np.flatnonzero(np.isfinite(y))
    values = y[at]
    sizes = np.zeros(at.size)
    gaps = np.zeros(at.size)
    for i in range(3, at.size - 1):
        a, b = values[max(0, i - before) : i], values[i : i + after]
        down = float(np.median(b) - np.median(a))
        sizes[i] = down
        if down < 0:
            gaps[i] = float(np.quantile(a, 0.25) - np.quantile(b, 0.75))
        else:
            gaps[i] = float(np.quantile(b, 0.25) - np.quantile(a, 0.75))
    return at, sizes, gaps


def find_steps(log_index: Floats, scatter: float) -> list[Step]:
    """Steps of level that last: a string lost, and its repair.

    Parameters
    ----------
    log_index : ndarray (days,)
        NaN on refused days.
    scatter : float
        Day-to-day standard deviation.
    """
    y = log_index.copy()
    found: list[Step] = []
    least = max(SMALLEST_STEP, 3.2 * scatter)
    for _ in range(4):
        at, sizes, gaps = _jump(y)
        if not at.size:
            break
        down = (sizes < -least) & (gaps > 0.4 * least)
        if not down.any():
            break
        i = int(np.argmin(np.where(down, sizes, 0)))
        # A repair is a step up of like size.
        size = float(sizes[i])
        up = np.flatnonzero((np.arange(at.size) > i + 2) & (sizes > -0.6 * size) & (gaps > 0.25 * least))
        last = None
        if up.size:
            j = int(up[0])
            j += int(np.argmax(sizes[j : j + 7]))
            last = int(at[j]) - 1
        # The size over the weeks on both sides, not just the days at the edge.
        end = last + 1 if last is not None else len(y)
        inside = y[at[i] : min(end, at[i] + 60)]
        outside = y[max(0, at[i] - 60) : at[i]]
        steady = float(
            np.nanmedian(inside[np.isfinite(inside)][:15]) - np.nanmedian(outside[np.isfinite(outside)][-15:])
        )
        if steady > -0.7 * least:
            y[at[i]] = np.nan
            continue
        step = Step(int(at[i]), last, steady)
        found.append(step)
        y[step.first : end] -= steady
    return sorted(found, key=lambda step: step.first)


def find_shade(daily: Daily) -> Shade | None:
    """A tree or a building that takes the low sun at one end of the day, and more of it each year.

    Works on the difference of the lowest usable sun's log ratio to noon's, morning against evening, in the same
    season of different years where there are some: geometry told wrong gives a constant difference, not a growing one.
    """
    morning = daily["low_morning"] - daily["noon"]
    evening = daily["low_evening"] - daily["noon"]
    days = np.arange(len(morning))
    best: Shade | None = None
    for is_evening, side, other in ((False, morning, evening), (True, evening, morning)):
        level = float(np.nanmedian(side)) if np.isfinite(side).sum() > 40 else np.nan
        if not np.isfinite(level):
            continue
        good = np.isfinite(side)
        recent = side[(days > len(days) - 120) & good]
        if recent.size < 5:
            continue
        now = float(np.median(recent))
        across = float(np.nanmedian(other[-120:])) if np.isfinite(other[-120:]).sum() >= 5 else 0.0
        loss = across - now
        if loss > 0.25 and now < -0.2 and (best is None or loss > best.loss):
            trail = pd.Series(side).rolling(45, min_periods=5).median().to_numpy()
            began = np.flatnonzero(trail < 0.5 * now)
            best = Shade(is_evening, loss, int(began[0]) if began.size else 0)
    return best


def off_since(daily: Daily) -> int | None:
    """Index of the first day of a stretch of (almost) no production that lasts to the record's end, or None."""
    dead = (daily["dead"] > 0.3) | (np.nan_to_num(daily["bright"], nan=1.0) < 0.003)
    read = np.isfinite(daily["energy_wh"])
    state = np.where(read, dead, np.nan)
    last = np.flatnonzero(np.isfinite(state))
    if not last.size or not state[last[-1]]:
        return None
    alive = last[state[last] == 0]
    first = int(alive[-1]) + 1 if alive.size else 0
    return first if last[-1] - first >= 1 else None


def is_freezing(daily: Daily, day: int, latitude: float, longitude: float) -> bool:
    """Whether the season at the site is one in which snow lies (rough climatology, common practice)."""
    noon = np.array([float(daily.days[day]) * 86_400 + 43_200])
    return bool(climatological_temperature(noon, latitude, longitude)[0] < 4.0)
