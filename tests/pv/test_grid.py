"""Readings laid out by day and interval, and intervals joined where a meter counts coarsely."""

from __future__ import annotations

import numpy as np
import pytest

from portal.pv.daily import USED
from portal.pv.quality import reduce_to_days
from tests.pv.planted import site, weather


@pytest.mark.parametrize("minutes", [5, 10, 15, 20, 30, 60])
@pytest.mark.parametrize("joined", [1, 2, 4, 6, 12])
def test_a_meter_of_any_step_shows_clear_days(minutes: int, joined: int) -> None:
    """A step of 1 % of the highest interval that so many intervals make together [Wh]."""
    sky = weather(days=60, minutes=minutes)
    step_wh = round(0.01 * 5500 * minutes / 60 * joined)
    readings = site(sky, np.ones(sky.days), quantum_wh=step_wh)
    rows = reduce_to_days(readings.array, readings.energy_wh, minutes).rows
    assert (rows["flag"] == USED).sum() > 20
