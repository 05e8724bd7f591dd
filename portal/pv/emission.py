"""How likely each spell's index is, by what lies on the modules."""

from __future__ import annotations

import numpy as np

from portal.pv.arrays import Floats, Floats32
from portal.pv.moves import GRID
from portal.pv.spells import Spells

UNEXPLAINED = 1e-8
"""Likelihood of an index that nothing here explains, relative to the best. No source; a fifth either way changes no
figure of the made fleet (``tests/pv/sensitivity.py``)."""

NORMAL_SHARE, TAIL_HEIGHT = 0.94, 0.02
"""Likelihood of an index by a normal, and the height of one three times as wide beside it: together a chance of one
[ratio], by definition. The share of six in a hundred for thin cloud: no source."""


def emission(spells: Spells, level: Floats, theta: Floats) -> Floats32:
    """Likelihood of each spell's index, shape (n, levels, S): a normal with heavy tails for thin cloud, and a floor.

    What no state explains, a fault that was not found say, must not leave the chain without any state at all.

    Parameters
    ----------
    spells : Spells
        NaN in ``y`` where a spell has no day that counts: then every state is as likely.
    level : ndarray (levels,)
        Clean levels [log].
    theta : ndarray (levels, terms)
        Coefficients of the smooth terms.

    Returns
    -------
    ndarray (n, levels, S)
        Likelihood, relative to the best; 1 everywhere where a spell tells nothing.
    """
    seen = np.flatnonzero(np.isfinite(spells.y))
    rest = (spells.y[seen] - (level[:, None] + theta @ spells.terms[seen].T)).T[:, :, None]
    # In standard deviations of the wide normal, before the digits are halved: those of a chance matter, not the loss's.
    error = ((rest + GRID) / np.sqrt(18 * spells.variance[seen])[:, None, None]).astype(np.float32)
    wide = np.exp(-error * error)
    third = wide * wide * wide
    out = np.ones((len(spells.y), len(level), len(GRID)), np.float32)
    # A normal three times as wide to the ninth power is the normal itself.
    out[seen] = NORMAL_SHARE * third * third * third + TAIL_HEIGHT * wide + UNEXPLAINED
    return out
