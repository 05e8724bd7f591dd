"""The year ahead of a roof as a fan: its loss if nobody washes, and if it is washed on a day; and what rain does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from portal.pv.arrays import Floats
from portal.pv.forecast import Forecast
from portal.pv.result import BAND_90
from portal.pv.year import PENTAD_DAYS

FAN_STEP = 3
"""Pentads between two days of a fan, by definition: 15 days, 25 points a year."""
RAIN_COUNTS_FROM = 0.5
"""Share of the dirt that rain must take by a day to be counted as having taken it, by definition."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """A day of the fan, with the loss [fraction of clean yield] of the middle future and of the 9 in 10 around it."""

    days: int
    """Since the day of the assessment."""
    low: float
    middle: float
    high: float


@dataclass(frozen=True, slots=True)
class Fan:
    """What lies ahead. All plain values: ``keep`` makes JSON of it, :func:`kept_fan` brings it back."""

    as_of: date
    washed_after: int
    """Days until the wash that is compared with none."""
    unwashed: tuple[Ahead, ...]
    washed: tuple[Ahead, ...]
    """From the wash on."""
    rained: tuple[float, ...]
    """Chance that rain has taken half or more of today's dirt, by the days of ``unwashed``."""

    def keep(self) -> dict[str, Any]:
        """As plain JSON.

        Returns
        -------
        dict
            The day as in ISO 8601; of each point its numbers.
        """
        points = {
            name: [[one.days, one.low, one.middle, one.high] for one in getattr(self, name)]
            for name in ("unwashed", "washed")
        }
        return {
            "as_of": self.as_of.isoformat(),
            "washed_after": self.washed_after,
            "rained": list(self.rained),
            **points,
        }


def kept_fan(kept: Mapping[str, Any]) -> Fan | None:
    """Bring back what :meth:`Fan.keep` kept.

    Parameters
    ----------
    kept : mapping
        Plain JSON; empty where nothing could be said of the year ahead.

    Returns
    -------
    Fan or None
        None for an empty mapping.
    """
    if not kept:
        return None
    return Fan(
        date.fromisoformat(kept["as_of"]),
        kept["washed_after"],
        tuple(Ahead(*point) for point in kept["unwashed"]),
        tuple(Ahead(*point) for point in kept["washed"]),
        tuple(kept["rained"]),
    )


def fan_of(ahead: Forecast, *, as_of: date, wash_on: date) -> Fan:
    """Sum up the futures of a forecast.

    Parameters
    ----------
    ahead : Forecast
        Its futures are those of the advice, so that both tell the same.
    as_of : date
        Day of the assessment.
    wash_on : date
        Day of the wash that is compared with none: ``as_of`` or later, within the year.

    Returns
    -------
    Fan
        A point each 15 days.
    """
    futures = ahead.futures
    length = len(futures.kept)
    washed = min(max((wash_on - as_of).days // PENTAD_DAYS, 0), length)
    at = list(range(FAN_STEP, length + 1, FAN_STEP))
    unwashed = _points(at, futures.losses())
    clean = _points([pentad for pentad in at if pentad > washed], futures.losses(washed))
    left = np.cumprod(futures.kept, axis=0)
    return Fan(
        as_of,
        washed * PENTAD_DAYS,
        (*_points([0], futures.start[None]), *unwashed),
        (Ahead(washed * PENTAD_DAYS, 0.0, 0.0, 0.0), *clean),
        (0.0, *(round(float((left[pentad - 1] <= RAIN_COUNTS_FROM).mean()), 2) for pentad in at)),
    )


def _points(pentads: Sequence[int], losses: Floats) -> list[Ahead]:
    """The fan at the ends of some pentads; ``losses`` by pentad and future, the first one's first (or of today)."""
    if not pentads:
        return []
    bands = np.quantile(losses[[max(pentad - 1, 0) for pentad in pentads]], BAND_90, axis=1)
    return [
        Ahead(pentad * PENTAD_DAYS, *(round(float(one), 4) for one in band))
        for pentad, band in zip(pentads, bands.T, strict=True)
    ]
