"""What a cleaning gained, and the falls of the loss that the data show by themselves."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np

from portal.pv.quality import EPOCH, Daily
from portal.pv.soiling import Fit


def visit_gains(fit: Fit, daily: Daily, visits: Sequence[date]) -> list[tuple[date, tuple[float, float, float] | None]]:
    """Gain (mean, 5 %, 95 %) of each known cleaning, None where it lies outside the record.

    The gain is the loss before minus the loss after, from the joint distribution of both under the chain, so that
    what is not known of the level cancels.
    """
    first = int(daily.days[0])
    out: list[tuple[date, tuple[float, float, float] | None]] = []
    for visit in visits:
        out.append((visit, fit.visits.get((visit - EPOCH).days - first)))
    return out


def recoveries(fit: Fit, daily: Daily) -> list[tuple[date, float, float, float]]:
    """Falls of the loss found in the data: (date, gain, 5 %, 95 %)."""
    first = int(daily.days[0])
    return [
        (EPOCH + timedelta(days=first + day), float(gain), float(low), float(np.maximum(high, low)))
        for day, gain, low, high in fit.drops
    ]
