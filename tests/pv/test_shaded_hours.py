"""Hours that look shaded: found where shade is planted, and nowhere else."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from fixtures.history import History, make_histories
from portal.pv.array import Array, Plane
from portal.pv.shaded_hours import hours_that_look_shaded

TODAY = date(2026, 11, 25)  # in June the sun passes above the tree


def _hours(history: History, days: int = 60) -> list[int]:
    """What the last clear-ish days of an invented roof say; its physics are not those of the expectation."""
    customer = history.customer
    array = Array(
        customer.latitude,
        customer.longitude,
        customer.town.tz,
        tuple(Plane(plane.tilt, plane.azimuth, plane.dc_kw) for plane in customer.planes),
        customer.ac_kw,
    )
    energy_wh = history.energy_wh.reindex(history.made_wh.index)
    energy_wh = energy_wh[pd.DatetimeIndex(energy_wh.index) >= pd.Timestamp(TODAY - timedelta(days=days), tz="UTC")]
    by_day = energy_wh.groupby(pd.DatetimeIndex(energy_wh.index).tz_convert(array.tz).date).sum()
    best = [pd.Timestamp(str(day)).date() for day, made in by_day.items() if made >= by_day.quantile(0.6)]
    return hours_that_look_shaded(array, energy_wh, customer.meter.interval_minutes, best)


@pytest.fixture(scope="module")
def histories() -> list[History]:
    made = make_histories(TODAY)
    return [history for history in made if not history.energy_wh.empty]


def test_the_hours_of_the_planted_tree_are_found_and_a_roof_without_one_has_none(histories: list[History]) -> None:
    with_tree = [history for history in histories if history.customer.tree is not None]
    assert with_tree
    for history in with_tree:
        hours = _hours(history)
        assert hours
        # The tree stands in the south-west to west, where the sun is in the afternoon.
        assert min(hours) >= 13
    # A roof whose meter lies about its unit, or stands still, is the assessment's business.
    others = [
        history
        for history in histories
        if history.customer.tree is None and history.customer.meter.kwh_for_wh_since is None
    ]
    found = {history.customer.key: _hours(history) for history in others}
    assert {key: hours for key, hours in found.items() if hours} == {}


def test_daily_totals_and_too_few_days_say_nothing() -> None:
    array = Array(39.7, -105.2, "America/Denver", (Plane(30, 180, 6.0),), 6.0)
    starts = pd.date_range("2026-06-01T06:00Z", periods=24, freq="h")
    energy_wh = pd.Series(np.ones(24), index=starts)
    assert hours_that_look_shaded(array, energy_wh, 60, {date(2026, 6, 1)}) == []
    assert hours_that_look_shaded(array, energy_wh, 1440, {date(2026, 6, number) for number in range(1, 9)}) == []
