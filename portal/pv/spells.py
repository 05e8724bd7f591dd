"""A site's record cut into spells: runs of dry days, and days in which it may have rained. One spell, one move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from portal.pv.arrays import Bools, Floats, Ints
from portal.pv.moves import HARDLY, RAIN_PRIOR

LONGEST = 6
"""Days in the longest spell: in six days dirt grows by 2.8 % at the fastest rate, by under 1 % at the usual ones.
No source; a day more or less takes 0.02 to 0.04 points off the mean error of the loss on the made fleet; five days cost
4 % of its coverage."""
LIKELY = 0.08
"""Chance of a wash from which a day is a spell of its own or with its neighbours of like kind. No source; a fifth less
adds 0.01 points to the mean error of the loss on the made fleet."""
RAINED = 0.3
"""Chance of a wash from which a day's index is not used: the loss is neither the one before nor the one after.
No source; a fifth either way changes no figure of the made fleet (``tests/pv/sensitivity.py``)."""

LIGHT, HEAVY = 0, 1
"""Columns of the chances of a wash by rain, light and heavy (:mod:`portal.pv.rain`)."""


@dataclass(frozen=True)
class Terms:
    """What moves a site's index and is no dirt: ageing, season and steps of level, with what is known before of each.

    ``by_day`` has shape (days, terms), ``prior_mean`` and ``prior_sd`` of its coefficients have shape (terms,).
    """

    by_day: Floats
    prior_mean: Floats
    prior_sd: Floats


@dataclass(frozen=True)
class Errors:
    """How a site's daily index errs, and how finely its dirt can be told from that."""

    autocorrelation: float
    """Of a day's error with the next day's."""
    lasting_sd: float
    """Standard deviation of errors of the log index that last for weeks: the haze of a season."""
    rate_change: float
    """Chance a day that the soiling rate moves to a neighbouring one of the chain [1/day]. A site alone, whose haze has
    its seasons too, cannot tell those of the dust so finely."""
    present_sd: float
    """Standard deviation that the present loss has besides from what the chain does not know: sites told wrong, and in
    a site alone the haze of these weeks."""
    lasting_spread: float = 0.0
    """Standard deviation of the square of the lasting error from roof to roof [log²]: how far a roof's own record may
    move it; none where it is the same for all."""
    stubborn: float = float(RAIN_PRIOR[HARDLY])
    """Chance before the record speaks that rain hardly takes this roof's dirt; 0 where the index could not tell."""


@dataclass(frozen=True)
class Record:
    """A site's days as the soiling fit sees them; arrays of shape (days,) unless said."""

    log_index: Floats
    """NaN on refused days."""
    scatter: Floats
    """Standard deviation of a day's log index."""
    wash: Floats
    """Chance of a light and of a heavy wash by rain on each day, shape (days, 2)."""
    visit_days: Ints
    """Positions of the days of known cleanings."""
    expected_wh: Floats
    """Expected energy [Wh], which weighs the record's mean loss."""
    terms: Terms


@dataclass(frozen=True)
class Spells:
    """A record cut into spells; arrays of shape (n,) unless said."""

    first: Ints
    """Position of each spell's first day."""
    days: Ints
    y: Floats
    """Mean log index of the spell; NaN without clear days."""
    variance: Floats
    light: Floats
    heavy: Floats
    """Chance that a light, a heavy wash happened in the spell."""
    visit: Bools
    """A known cleaning just before the spell."""
    terms: Floats
    """Mean of the smooth terms and steps of level, shape (n, terms)."""


def cut_spells(record: Record, errors: Errors) -> Spells:
    """Cut days into spells of at most :data:`LONGEST` days, dry ones apart from those in which it may have rained.

    Parameters
    ----------
    record : Record
        The site's days.
    errors : Errors
        How its index errs.

    Returns
    -------
    Spells
        One or more, in order, without holes.

    Examples
    --------
    Ten dry days, and a visit on the fourth (position 3) after which a new spell begins:

    >>> days = np.zeros(10)
    >>> terms = Terms(np.zeros((10, 1)), np.zeros(1), np.ones(1))
    >>> record = Record(days, days + 0.02, np.zeros((10, 2)), np.array([3]), days + 1, terms)
    >>> cut_spells(record, Errors(0.4, 0.015, 0.0005, 0.012)).days.tolist()
    [4, 6]
    """
    count = len(record.log_index)
    good = np.isfinite(record.log_index) & (record.wash.sum(axis=1) < RAINED)
    visit_next = np.zeros(count + 1, dtype=bool)
    visit_next[np.clip(record.visit_days + 1, 0, count)] = True
    if len(record.visit_days):
        good[np.clip(record.visit_days, 0, count - 1)] = False
    first = _first_days(record.wash.sum(axis=1) > LIKELY, good, visit_next)
    days = np.append(first[1:], count) - first
    owner = np.repeat(np.arange(len(first)), days)
    y, variance = _means(np.where(good, record.log_index, np.nan), record.scatter, owner, errors)
    dry = np.ones((len(first), 2))
    for kind in (LIGHT, HEAVY):
        np.multiply.at(dry[:, kind], owner, 1 - record.wash[:, kind])
    terms = np.stack([np.bincount(owner, weights=column) / days for column in record.terms.by_day.T], axis=1)
    return Spells(first, days, y, variance, 1 - dry[:, LIGHT], 1 - dry[:, HEAVY], visit_next[first], terms)


def _first_days(wet: Bools, good: Bools, visit_next: Bools) -> Ints:
    """Positions at which spells begin, shape (n,)."""
    # Wet days with readings stand alone; those without join.
    apart = (wet[1:] != wet[:-1]) | (wet[1:] & (good[1:] | good[:-1])) | visit_next[1 : len(wet)]
    begun = np.append(0, np.flatnonzero(apart) + 1)
    pieces = -(-np.diff(np.append(begun, len(wet))) // LONGEST)
    earlier = np.repeat(np.cumsum(pieces) - pieces, pieces)
    return np.asarray(np.repeat(begun, pieces) + LONGEST * (np.arange(pieces.sum()) - earlier))


def _means(log_index: Floats, scatter: Floats, owner: Ints, errors: Errors) -> tuple[Floats, Floats]:
    """Mean log index of each spell (NaN without days that count) and its variance."""
    size = int(owner[-1]) + 1
    good = np.isfinite(log_index)
    precision = 1 / np.square(scatter)
    number = np.bincount(owner[good], minlength=size).astype(float)
    known = np.bincount(owner[good], weights=precision[good], minlength=size)
    total = np.bincount(owner[good], weights=(precision * log_index)[good], minlength=size)
    y = np.where(number > 0, total / np.where(number > 0, known, 1.0), np.nan)
    # Haze lasts: neighbouring days repeat each other, within a spell and from spell to spell.
    day_variance = np.where(number > 0, number / np.where(number > 0, known, 1.0), 1.0)
    rho = errors.autocorrelation
    within = 1 + 2 * sum(rho**lag * np.clip(1 - lag / np.maximum(number, 1), 0, None) for lag in (1, 2, 3))
    return y, day_variance * within / np.maximum(number, 1) * (1 + rho / 2) + errors.lasting_sd**2
