"""The daily performance index that the soiling fit works on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from portal.pv.arrays import Floats
from portal.pv.daily import Daily
from portal.pv.haze import AROUND_DAYS, FEWEST_AROUND, NORMAL_MAD, Haze, learn_haze, without_haze

WIDENED = 1.1
"""Ratio of the scatter used to that seen, since the days around a day follow it a little. No source; on 8 made roofs
alone a fifth less raises the mean errors of loss and gain by 0.1 and 0.3 points and leaves one present loss of 8
outside its interval; a fifth more lowers them by 0.1 and 0.3."""
LEAST_SCATTER, MOST_SCATTER = 0.012, 0.12
"""Scatter [log] that is believed. No source; a fifth either way moves nothing on 8 made roofs."""
UNKNOWN_SCATTER = 0.05
LEAST_SCATTER_DAYS = 10
"""Scatter [log] taken with fewer days than these. No source; a shorter record gets no estimate."""
USUAL_SHARE, BY_SHARE = 0.8, -0.45
"""Share of a day's expected energy in clear intervals at which it scatters as usual, and the power by which it scatters
otherwise. Measured on lone roofs of three makers with their dirt known: days of a third clear err by 1.3 to 1.6 of the
usual, whole ones by 0.85."""
LEAST_SHARE = 0.05
"""Clear share of a day that is believed at least. No source: such days are refused (:mod:`portal.pv.quality`)."""
WEEKS_BEFORE = 60
"""Known days before new ones that tell of the haze around them: those beyond weigh nothing, by definition of
:data:`portal.pv.haze.AROUND_DAYS` (three of it, where days are refused)."""


@dataclass(frozen=True)
class Index:
    """Daily performance index of one site; arrays of shape (days,)."""

    log_index: Floats
    """Natural log of the index, the day's haze taken out as far as its shape tells; NaN on refused days."""
    in_town: Floats
    """The same with what haze the weeks share still in it, which is the town's air's to take."""
    scatter: float
    """Robust standard deviation of a day's log index about the days around it."""
    haze: Haze
    """What the record teaches of its haze."""


def performance_index(daily: Daily) -> Index:
    """Daily performance index from clear intervals, corrected for the haze that the day's own shape shows.

    Production over expected energy of the clear intervals (an IEC 61724-1 performance index with a modelled
    expectation), in logarithms, less what haze takes (:mod:`portal.pv.haze`).

    Parameters
    ----------
    daily : Daily
        One row a local day.

    Returns
    -------
    Index
        By day, and what the record teaches of haze.
    """
    raw, shown = _told(daily.rows)
    haze = learn_haze(raw, shown)
    corrected = without_haze(raw, shown, haze)
    days = pd.Series(corrected).rolling(AROUND_DAYS, center=True, min_periods=FEWEST_AROUND)
    off = corrected - days.median().to_numpy()
    off = off[np.isfinite(off)]
    scatter = NORMAL_MAD * float(np.median(np.abs(off))) if off.size >= LEAST_SCATTER_DAYS else UNKNOWN_SCATTER
    town = without_haze(raw, shown, haze, in_town=True)
    return Index(corrected, town, float(np.clip(WIDENED * scatter, LEAST_SCATTER, MOST_SCATTER)), haze)


def new_index(haze: Haze, known: npt.NDArray[np.void], rows: npt.NDArray[np.void], *, in_town: bool) -> Floats:
    """Log index of new days, corrected for haze with what the record has taught.

    Parameters
    ----------
    haze : Haze
        Of the record before them.
    known, rows : ndarray of DAY
        That record, and the new days (days,) after it.
    in_town : bool
        As for :func:`portal.pv.haze.without_haze`.

    Returns
    -------
    ndarray (days,)
        NaN on refused days.
    """
    raw, shown = _told(np.concatenate([known[-WEEKS_BEFORE:], rows]))
    return without_haze(raw, shown, haze, in_town=in_town)[len(raw) - len(rows) :]


def scatter_by_day(scatter: float, rows: npt.NDArray[np.void]) -> Floats:
    """Standard deviation of each day's log index: one of which little was clear errs more.

    Parameters
    ----------
    scatter : float
        Of a usual day.
    rows : ndarray of DAY
        The days.

    Returns
    -------
    ndarray (days,)
        [log]
    """
    share = np.maximum(rows["clear_share"].astype(np.float64), LEAST_SHARE) / USUAL_SHARE
    return np.maximum(scatter * share**BY_SHARE, LEAST_SCATTER)


def _told(rows: npt.NDArray[np.void]) -> tuple[Floats, Floats]:
    """Log index, and what haze makes of it by the shape of the days that count; (days,) both."""
    with np.errstate(invalid="ignore", divide="ignore"):
        raw = np.log(rows["index"].astype(np.float64))
    return raw, np.where(np.isfinite(raw), rows["haze"], np.nan)
