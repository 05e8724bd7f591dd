"""The map: places keep their distances, nothing is left out, and kinds are told without colour."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from portal.charts.map import (
    TOUCHING,
    Group,
    Spot,
    SpotKind,
    Way,
    Words,
    draw_map,
    ground_of,
    groups_of,
)
from portal.pv.town import Place

WORDS = Words("Map <of> roofs", {kind: kind.name for kind in SpotKind}, "The yard", "North")
# Great circles by the haversine formula on a sphere of 6371 km, worked out apart from the code (km):
PARIS, VERSAILLES, PARIS_VERSAILLES_KM = (48.8566, 2.3522), (48.8049, 2.1204), 17.91


def spots(*places: Place, kind: SpotKind = SpotKind.OTHER) -> list[Spot]:
    return [Spot(place, kind, number) for number, place in enumerate(places)]


def test_places_keep_their_distance() -> None:
    ground = ground_of([PARIS, VERSAILLES])
    (ax, ay), (bx, by) = ground.km(PARIS), ground.km(VERSAILLES)
    assert ((ax - bx) ** 2 + (ay - by) ** 2) ** 0.5 == pytest.approx(PARIS_VERSAILLES_KM, rel=2e-3)
    assert bx < ax, "Versailles lies west"
    assert by > ay, "and south"


def test_places_on_either_side_of_the_date_line_are_neighbours() -> None:
    ground = ground_of([(-17.0, 179.95), (-17.0, -179.95)])
    # a tenth of a degree of longitude at 17 degrees of latitude: 11.12 km x cos 17 degrees
    assert ground.wide_km == pytest.approx(10.63, abs=0.02)
    (group,) = groups_of(spots((-17.0, 179.9999), (-17.0, -179.9999)), ground)
    assert abs(group.middle[1]) == pytest.approx(180, abs=1e-3)


PLACES = st.lists(st.tuples(st.floats(-70, 70), st.floats(-80, 80)), min_size=1, max_size=40)


@given(places=PLACES)
def test_each_place_is_under_one_mark_inside_of_the_picture(places: list[Place]) -> None:
    ground = ground_of(places)
    groups = groups_of(spots(*places), ground)
    assert sorted(spot.key for group in groups for spot in group.spots) == list(range(len(places)))
    assert len({group.letter for group in groups}) == len(groups)
    for place in places:
        east, south = ground.km(place)
        assert -1e-6 <= east <= ground.wide_km + 1e-6
        assert -1e-6 <= south <= ground.high_km + 1e-6


def test_what_lies_close_is_one_mark_of_the_most_pressing_kind() -> None:
    near, far = TOUCHING / 3, 10 * TOUCHING
    ground = ground_of([(0.0, 0.0), (1.0, 0.0)])
    several = [
        Spot((0.0, 0.0), SpotKind.OTHER, 1),
        Spot((near, 0.0), SpotKind.LEAD, 2),
        Spot((far, 0.0), SpotKind.DIRTY, 3),
    ]
    assert [(len(group.spots), group.kind) for group in groups_of(several, ground)] == [
        (1, SpotKind.DIRTY),
        (2, SpotKind.LEAD),
    ]


def drawn(groups: list[Group], ways: list[Way]) -> tuple[str, str]:
    places = [spot.place for group in groups for spot in group.spots]
    return draw_map(groups, ways, ground_of([*places, (48.9, 2.5)]), yard=(48.9, 2.5), words=WORDS)


def test_kinds_and_rounds_are_told_without_colour_and_nothing_is_asked_for_elsewhere() -> None:
    ground = ground_of([PARIS, VERSAILLES, (48.9, 2.5)])
    groups = groups_of(
        [Spot(PARIS, SpotKind.TODAY, 1), Spot(VERSAILLES, SpotKind.LEAD, 2), Spot((48.7, 2.3), SpotKind.DIRTY, 3)],
        ground,
    )
    ways = [Way("Rosa", ((48.9, 2.5), PARIS)), Way("Kwame & Bo", ((48.9, 2.5), VERSAILLES))]
    for svg in drawn(groups, ways):
        ElementTree.fromstring(svg)
        bare = re.sub(r'(class|fill|stroke)="[^"]*"', "", svg)
        shapes = set(re.findall(r'translate\(11 0\)"\s*d="([^"]+)"', bare))
        assert len(shapes) == 3, "each kind of the legend has a shape of its own"
        assert len(set(re.findall(r"<polyline[^>]*?(stroke-dasharray=\"[^\"]*\")?\s*points", bare))) == 2
        assert "Kwame &amp; Bo" in svg
        assert "Map &lt;of&gt; roofs" in svg
        for letter in "ABC":
            assert f">{letter}</text>" in svg
        assert not re.search(r"href|url\(|https?://(?!www\.w3\.org)", svg)


def test_the_scale_is_as_long_as_it_says() -> None:
    ground = ground_of([PARIS, VERSAILLES])
    for svg in draw_map(groups_of(spots(PARIS, VERSAILLES), ground), [], ground, yard=None, words=WORDS):
        bar = re.search(r'd="M8 [\d.]+v10M8 [\d.]+H([\d.]+)M', svg)
        km = re.search(r">([\d.]+) km<", svg)
        marks = [tuple(map(float, one)) for one in re.findall(r'translate\(([\d.]+) ([\d.]+)\)" d="M-4', svg)]
        assert bar is not None
        assert km is not None
        (ax, ay), (bx, by) = (one for one in marks if one[0] != 11)
        apart_px = ((ax - bx) ** 2 + (ay - by) ** 2) ** 0.5
        assert (float(bar[1]) - 8) / float(km[1]) == pytest.approx(apart_px / PARIS_VERSAILLES_KM, rel=0.01)
