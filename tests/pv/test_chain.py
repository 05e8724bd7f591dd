"""The chain follows a record's losses only as far as they go, and nothing of what is told hangs on where that is."""

from __future__ import annotations

import numpy as np
import pytest

from portal.pv import soiling
from portal.pv.moves import GRID
from portal.pv.site_fit import ALONE, terms_of
from portal.pv.soiling import SoilingFit, fit
from portal.pv.spells import Record

FIGURES = ("loss_mean", "loss_low", "loss_high", "present", "smooth", "mean_loss")


def record(rate: float, dark: int, season: float) -> Record:
    """Two years that gather dirt for 90 days on end, the last days of them without an index."""
    rng = np.random.default_rng(3)
    days = np.arange(730)
    log_index = season * np.cos(2 * np.pi * days / 365) - rate * (days % 90) + rng.normal(0, 0.01, days.size)
    log_index[days.size - dark :] = np.nan
    wash = np.where((days % 90 == 0)[:, None], 0.6, 0.01) * np.ones((1, 2))
    return Record(
        log_index, np.full(days.size, 0.015), wash, np.array([], np.int64), np.ones(days.size), terms_of(days, (), 729)
    )


def fitted(monkeypatch: pytest.MonkeyPatch, one: Record, points: int | None) -> SoilingFit:
    if points is not None:
        monkeypatch.setattr(soiling, "_points", lambda *_: points)
    return fit(one, ALONE)


@pytest.mark.parametrize(
    ("rate", "dark", "season"), [(0.0003, 0, 0.0), (0.001, 60, 0.0), (0.003, 0, 0.0), (0.003, 60, 0.0), (0.001, 0, 0.1)]
)
@pytest.mark.parametrize("first", [None, 16])
def test_a_part_of_the_grid_tells_the_same(
    monkeypatch: pytest.MonkeyPatch, rate: float, dark: int, season: float, first: int | None
) -> None:
    one = record(rate, dark, season)
    part = fitted(monkeypatch, one, first)
    whole = fitted(monkeypatch, one, len(GRID))
    for name in FIGURES:
        np.testing.assert_allclose(getattr(part, name), getattr(whole, name), atol=2e-6)
