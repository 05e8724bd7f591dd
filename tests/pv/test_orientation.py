"""Slope and direction told wrong on planted sites: seen in the shape of their clear days, and gone by."""

from __future__ import annotations

from dataclasses import replace

import pytest

from portal.pv.array import Array, Plane
from portal.pv.assessment import assess
from portal.pv.memory import from_bytes
from portal.pv.orientation import Seen, as_seen
from portal.pv.quality import reduce_to_days
from portal.pv.readings import SiteReadings
from portal.pv.result import Cause, Verdict
from tests.pv.planted import dust, site, weather

SKY = weather(days=540, minutes=30)
TRUE = (25.0, 170.0, 6.0)
CLEAN = dust(SKY, 0.0)


def told(tilt: float, azimuth: float, **facts: float) -> SiteReadings:
    """A clean site of 25 degrees towards 170, told otherwise."""
    return site(SKY, CLEAN, planes=(TRUE,), told=((tilt, azimuth, 6.0),), **facts)  # type: ignore[arg-type]  # numbers


@pytest.mark.parametrize(
    ("tilt", "azimuth"), [(45.0, 170.0), (5.0, 170.0), (25.0, 195.0), (25.0, 145.0), (40.0, 150.0)]
)
def test_a_slope_told_wrong_is_seen_to_within_what_owners_round_to(tilt: float, azimuth: float) -> None:
    wrong = told(tilt, azimuth)
    seen = reduce_to_days(wrong.array, wrong.energy_wh, 30).seen
    assert seen is not None
    found = as_seen(wrong.array, seen).planes[0]
    assert abs(found.tilt - TRUE[0]) < 7
    assert abs(found.azimuth - TRUE[1]) < 7


def test_a_slope_told_right_is_hardly_moved() -> None:
    right = told(25.0, 170.0)
    seen = reduce_to_days(right.array, right.energy_wh, 30).seen
    assert seen is None or (abs(seen.tilt) < 6 and abs(seen.turn) < 6)


def test_a_direction_told_wrong_is_no_tree_and_a_tree_is_no_direction() -> None:
    assert assess(told(25.0, 200.0)).cause is None
    shaded = site(SKY, CLEAN, planes=(TRUE,), shade_height=35.0)
    result = assess(shaded)
    assert (result.verdict, result.cause) == (Verdict.OTHER_FAULT, Cause.SHADING)


def test_planes_keep_their_relation() -> None:
    array = Array(37.0, -6.0, "Europe/Madrid", (Plane(20, 90, 3.0), Plane(20, 270, 3.0)), 5.5)
    assert [plane.azimuth for plane in as_seen(array, Seen(5, 15)).planes] == [105, 285]
    assert [plane.tilt for plane in as_seen(array, Seen(5, 15)).planes] == [25, 25]
    assert as_seen(array, None) is array


def test_daily_totals_and_a_handful_of_days_say_nothing_of_the_slope() -> None:
    wrong = told(45.0, 170.0)
    few = replace(wrong, energy_wh=wrong.energy_wh.iloc[: 12 * 48])
    assert reduce_to_days(few.array, few.energy_wh, 30).seen is None


def test_new_days_go_by_the_slope_that_was_seen() -> None:
    wrong = replace(told(45.0, 170.0), key="")  # no turn of its own in the week
    known = replace(wrong, energy_wh=wrong.energy_wh.iloc[: 530 * 48])
    first = assess(known)
    memory = from_bytes(first.memory)
    assert memory is not None
    assert memory.seen == first.seen
    more = replace(wrong, energy_wh=wrong.energy_wh.iloc[: 533 * 48])
    short, whole = assess(more, previous=first.memory), assess(more)
    assert short.memory == first.memory
    assert short.seen == first.seen
    new = short.daily["expected_wh"].iloc[-3:] / whole.daily["expected_wh"].iloc[-3:]
    assert (abs(new - 1) < 0.02).all()
