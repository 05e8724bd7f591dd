"""How the loss of a roof and its rate move: their grids, and what growth, rain and a cleaning do on them."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from portal.pv.arrays import Floats, Floats32

GRID = 0.8 * np.sinh(3.0 * np.linspace(0, 1, 54)) / np.sinh(3.0)
"""Log soiling loss, −ln(soiling ratio), that the chain can hold, finer near clean: up to 55 %, since roofs beside
fields and works lose a third (common practice, no source)."""
LOSS = 1 - np.exp(-GRID)
RATES = np.array([0.0, 0.0003, 0.0006, 0.001, 0.0015, 0.0022, 0.0032, 0.0046])
"""Soiling rates of the chain [1/day]. Reported: mostly 0.0001 to 0.003, dusty places more
(Ilse et al. 2019, doi:10.1016/j.joule.2019.08.019)."""
RATE_PRIOR = np.array([0.25, 0.17, 0.14, 0.13, 0.11, 0.09, 0.07, 0.04])
"""Chance of each rate before the record speaks: a quarter of places have no dust, fast rates are rare. From memory, no
source."""
RELATIVE_SD = 0.08
"""Share of a loss by which it is not known besides, standard deviation: dirt lies unevenly and the clean level was seen
long ago. Tuned on made fleets with roofs that lose 10 % and more, whose intervals held three in five without it."""
RATE_FROM_ZERO = 0.0007
"""Chance a day that a place without dust begins to have some. No source; a fifth either way changes no figure of the
made fleet (``tests/pv/sensitivity.py``)."""
DROPPINGS = 0.0005
"""Chance a day of droppings that cost 1 to 4 %. No source; a fifth either way changes no figure of the made fleet
(``tests/pv/sensitivity.py``)."""

INSIDE = 0.9999
"""Share of the grid's end up to which mass is moved, so that there is a point above it. By definition of the grid."""
GROWTHS, GROWTH_CHANCES = np.array([0.75, 1.0, 1.25]), np.array([0.25, 0.5, 0.25])
"""Ratio of what dirt gathers in a spell to what its rate says, with their chances. No source."""
DROPPED, DROPPED_CHANCES = np.array([0.015, 0.03]), np.array([0.6, 0.4])
"""Loss by droppings [log], with their chances. No source."""
TO_NO_DUST = 0.15
"""Chance of a move to no dust at all over that of any other move. No source."""


def _onto_grid(targets: Floats, weights: Floats) -> Floats:
    """Matrix that moves grid mass to ``targets`` (S, k) with ``weights`` (k,), interpolating between grid points."""
    size = len(GRID)
    out = np.zeros((size, size))
    inside = np.clip(targets, 0, GRID[-1] * INSIDE)
    low = np.clip(np.searchsorted(GRID, inside, side="right") - 1, 0, size - 2)
    part = (inside - GRID[low]) / (GRID[low + 1] - GRID[low])
    rows = np.repeat(np.arange(size)[:, None], targets.shape[1], axis=1)
    np.add.at(out, (rows, low), (1 - part) * weights)
    np.add.at(out, (rows, low + 1), part * weights)
    return out


@lru_cache(maxsize=256)
def growth(half_days: int, points: int = len(GRID)) -> Floats32:
    """Growth of the loss over some half days at each rate.

    Parameters
    ----------
    half_days : int
        Time that passes [half days].
    points : int, optional
        First points of the grid, S; what grows beyond them is lost. All by default.

    Returns
    -------
    ndarray (rates, S, S)
        Rows from, columns to.
    """
    if points < len(GRID):
        return np.ascontiguousarray(growth(half_days)[:, :points, :points])
    days = half_days / 2
    out = []
    for rate in RATES:
        grown = _onto_grid(GRID[:, None] + rate * days * GROWTHS[None, :], GROWTH_CHANCES)
        dropped = _onto_grid(GRID[:, None] + DROPPED, DROPPED_CHANCES)
        chance = DROPPINGS * days
        out.append((1 - chance) * grown + chance * dropped)
    return np.stack(out).astype(np.float32)


@lru_cache(maxsize=256)
def growth_back(half_days: int, points: int = len(GRID)) -> Floats32:
    """:func:`growth` backwards, laid out so: products with a matrix that only says it is transposed are slow.

    Parameters
    ----------
    half_days, points
        As there.

    Returns
    -------
    ndarray (rates, S, S)
        Rows to, columns from.
    """
    return np.ascontiguousarray(growth(half_days, points).transpose(0, 2, 1))


@lru_cache(maxsize=64)
def rate_walk(half_days: int, change: float) -> Floats32:
    """Moves of the rate over some half days.

    Parameters
    ----------
    half_days : int
        Time that passes [half days].
    change : float
        Chance a day of a move to a neighbouring rate [1/day]; from no dust at all it is :data:`RATE_FROM_ZERO`.

    Returns
    -------
    ndarray (rates, rates)
        Rows from, columns to.
    """
    count = len(RATES)
    walk = np.zeros((count, count))
    for i in range(count):
        chance = (RATE_FROM_ZERO if i == 0 else change) * half_days / 2
        for j in (i - 1, i + 1):
            if 0 <= j < count:
                walk[i, j] = chance * (TO_NO_DUST if j == 0 else 1.0)
        walk[i, i] = 1 - walk[i].sum()
    return walk.astype(np.float32)


WORKS, HARDLY = 0, 1
"""What a rain does on a roof, one of two for its whole record: takes most of the dirt, or hardly any."""
RAIN_PRIOR = np.array([0.78, 0.22])
"""Chance of either before the record speaks: on one dirty roof in three, and on one in seven of the others, the dirt is
of a kind (pollen, grease, cement, lichen, droppings) that rain hardly takes. The kinds: Ilse et al. 2018,
doi:10.1016/j.rser.2018.09.042; their share from memory."""
LIGHT_WASH = _onto_grid(GRID[:, None] * (1 - np.linspace(0.1, 0.6, 6))[None, :], np.full(6, 1 / 6))
HEAVY_WASH = _onto_grid(
    GRID[:, None] * (1 - np.array([0.0, 0.2, 0.4, 0.6, 0.75, 0.85, 0.9, 0.95, 0.99]))[None, :],
    np.array([0.03, 0.03, 0.04, 0.05, 0.1, 0.15, 0.25, 0.2, 0.15]),
)
HARDLY_LIGHT = _onto_grid(
    GRID[:, None] * (1 - np.array([0.0, 0.05, 0.12, 0.25]))[None, :], np.array([0.5, 0.2, 0.2, 0.1])
)
HARDLY_HEAVY = _onto_grid(
    GRID[:, None] * (1 - np.array([0.0, 0.05, 0.1, 0.2, 0.35, 0.5, 0.7]))[None, :],
    np.array([0.35, 0.15, 0.15, 0.15, 0.1, 0.06, 0.04]),
)
VISIT = _onto_grid(
    GRID[:, None] * (1 - np.array([0.0, 0.5, 0.9, 0.95, 0.99]))[None, :], np.array([0.02, 0.03, 0.25, 0.4, 0.3])
)


@lru_cache(maxsize=2048)
def wash_matrix(light: float, heavy: float, visit: bool, points: int = len(GRID)) -> Floats32:
    """A wash by rain with these chances, after a cleaning if there was one.

    Parameters
    ----------
    light, heavy : float
        Chance of a light and of a heavy wash by rain.
    visit : bool
        Whether there was a cleaning before.
    points : int, optional
        First points of the grid, S, of which none leads beyond them. All by default.

    Returns
    -------
    ndarray (2, S, S)
        Where rain works and where it hardly does; rows from, columns to.
    """
    if points < len(GRID):
        return np.ascontiguousarray(wash_matrix(light, heavy, visit)[:, :points, :points])
    both = []
    for lightly, heavily in ((LIGHT_WASH, HEAVY_WASH), (HARDLY_LIGHT, HARDLY_HEAVY)):
        matrix = (1 - heavy) * ((1 - light) * np.eye(len(GRID)) + light * lightly) + heavy * heavily
        both.append(VISIT @ matrix if visit else matrix)
    return np.asarray(both, dtype=np.float32)


@lru_cache(maxsize=2048)
def wash_back(light: float, heavy: float, visit: bool, points: int = len(GRID)) -> Floats32:
    """:func:`wash_matrix` backwards, laid out as :func:`growth_back` is.

    Parameters
    ----------
    light, heavy, visit, points
        As there.

    Returns
    -------
    ndarray (2, S, S)
        Where rain works and where it hardly does; rows to, columns from.
    """
    return np.ascontiguousarray(wash_matrix(light, heavy, visit, points).transpose(0, 2, 1))


def blur(chance: Floats, sd: float) -> Floats:
    """Widen a distribution on the grid by a normal error; mass below zero gathers at zero.

    A heavy loss is known less closely than a light one: :data:`RELATIVE_SD` of it comes on top.

    Parameters
    ----------
    chance : ndarray (S,)
        Over :data:`GRID`.
    sd : float
        Standard deviation of the log loss.

    Returns
    -------
    ndarray (S,)
        Sums to what ``chance`` does.
    """
    offsets = np.linspace(-2, 2, 9)
    weights = np.exp(-0.5 * offsets**2)
    wide = np.hypot(sd, RELATIVE_SD * GRID)
    return np.asarray(chance @ _onto_grid(GRID[:, None] + wide[:, None] * offsets, weights / weights.sum()))


def quantiles(chance: Floats, grid: Floats, at: Floats) -> Floats:
    """Quantiles of a distribution on a grid, linear between its points, half of each one's mass to its left.

    Parameters
    ----------
    chance : ndarray (k,)
        Sums to 1.
    grid : ndarray (k,)
        Rising; what lies beyond its ends (half of their mass) counts as the ends.
    at : ndarray (n,)
        Levels, 0 to 1.

    Returns
    -------
    ndarray (n,)
        In units of the grid.

    Examples
    --------
    >>> quantiles(np.array([0.2, 0.6, 0.2]), np.array([0.0, 1.0, 2.0]), np.array([0.05, 0.5, 0.7])).round(2).tolist()
    [0.0, 1.0, 1.5]
    """
    return np.asarray(np.interp(at, np.cumsum(chance) - 0.5 * chance, grid))
