"""Squares of the land: numbered as servers number them, and where they belong on the map."""

from __future__ import annotations

import re
from itertools import pairwise
from math import floor

import pytest

from portal.charts.map import Spot, SpotKind, Words, draw_map, ground_of, groups_of
from portal.charts.tiles import column, draw_tiles, latitude_of, row

TEMPLATE = "https://tiles.test/{z}/{x}/{y}.png?a=1&b=2"


@pytest.mark.parametrize(
    ("place", "zoom", "square"),
    [
        ((40.0, -105.0), 8, (53, 96)),  # README of mercantile, an open library for such squares
        # the corners of the earth, by definition
        ((85.05, -180.0), 3, (0, 0)),
        ((-85.05, 179.999), 3, (7, 7)),
    ],
)
def test_a_place_lies_in_the_square_that_servers_call_so(
    place: tuple[float, float], zoom: int, square: tuple[int, int]
) -> None:
    assert (floor(column(place[1], zoom)), floor(row(place[0], zoom))) == square


def test_the_map_ends_where_a_square_earth_does() -> None:
    assert latitude_of(0, 0) == pytest.approx(85.05112878, abs=1e-8)  # EPSG:3857's area of use
    # README of mercantile: bounds of the square 486, 332 of zoom 10
    assert latitude_of(332, 10) == pytest.approx(53.33087298301705)
    assert latitude_of(333, 10) == pytest.approx(53.12040528310657)
    assert (column(-9.140625, 10), column(-8.7890625, 10)) == (486, 487)


def squares(svg: str) -> list[tuple[str, float, float, float, float]]:
    found = re.findall(r'href="([^"]*)" x="([-.\d]+)" y="([-.\d]+)" width="([.\d]+)" height="([.\d]+)"', svg)
    return [(one[0], *map(float, one[1:])) for one in found]


def test_squares_cover_the_frame_without_gaps_and_are_shown_at_about_their_size() -> None:
    svg = draw_tiles(TEMPLATE, (-105.3, 40.2, -104.7, 39.8), 640, 560)
    drawn = squares(svg)
    assert min(one[1] for one in drawn) <= 0
    assert min(one[2] for one in drawn) <= 0
    assert max(one[1] + one[3] for one in drawn) >= 640
    assert max(one[2] + one[4] for one in drawn) >= 560
    lefts = sorted({one[1] for one in drawn})
    assert [b - a for a, b in pairwise(lefts)] == pytest.approx([drawn[0][3]] * (len(lefts) - 1), abs=0.2)
    assert all(256 / 2**0.5 <= one[3] <= 256 * 2**0.5 for one in drawn)
    assert len(drawn) <= 30
    assert all(re.fullmatch(r"https://tiles\.test/\d+/\d+/\d+\.png\?a=1&amp;b=2", one[0]) for one in drawn)


def test_squares_go_on_beyond_the_date_line() -> None:
    drawn = squares(draw_tiles(TEMPLATE, (179.5, -16.8, 180.5, -17.2), 640, 260))
    columns = {int(one[0].split("/")[4]) for one in drawn}
    assert 0 in columns
    assert max(columns) > 100


def test_a_map_asks_nobody_unless_it_is_told_whom() -> None:
    places = [(40.0, -105.0), (40.1, -105.2)]
    spots = [Spot(place, SpotKind.OTHER, number) for number, place in enumerate(places)]
    ground = ground_of(places)
    words = Words("Map", {kind: kind.name for kind in SpotKind}, "The yard", "North")
    groups = groups_of(spots, ground)
    for without in draw_map(groups, [], ground, yard=None, words=words):
        assert "<image" not in without
    for drawn in draw_map(groups, [], ground, yard=None, words=words, tiles=TEMPLATE):
        assert squares(drawn)
