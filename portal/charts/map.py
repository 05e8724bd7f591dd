"""A map of places drawn from themselves: no outside picture of the land is needed, though one may lie behind.

Places that lie too close to be told apart share one mark. Each mark has a letter, by which a list beside the picture
names what lies there; a kind is told by its shape first, by its colour second.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from html import escape
from math import cos, hypot, radians

from portal.charts.life import MarkShape
from portal.charts.palette import PALETTE
from portal.charts.svg import DESK, PHONE, Sheet, fill, legend, picture, stroke
from portal.charts.tiles import draw_tiles
from portal.pv.town import KM_A_DEGREE, Place

TOUCHING = 1 / 13
"""Marks closer than this share of the map's longer side become one [1]: on a phone two do not touch. No source."""
LEAST_KM = 0.2
"""The longer side of a map with one place, or with neighbours alone [km]. No source."""
MARGIN, FOOT = 34, 34
"""What stands free around the places, and the height of the line with the scale [px]."""
DASHES = ("", "7 4", "2 4", "12 4 2 4", "4 2")
"""How rounds are told apart without colour."""


class SpotKind(IntEnum):
    """What a place is on the map for; of several the first counts."""

    TODAY = 0
    LEAD = 1
    DIRTY = 2
    OTHER = 3


MARKS = {
    SpotKind.TODAY: (MarkShape.CROSS, "wash"),
    SpotKind.LEAD: (MarkShape.DIAMOND, "fault"),
    SpotKind.DIRTY: (MarkShape.DROP, "line"),
    SpotKind.OTHER: (MarkShape.DOT, "day"),
}


@dataclass(frozen=True, slots=True)
class Spot:
    """A place, what it is on the map for, and whose it is: a key of the caller's."""

    place: Place
    kind: SpotKind
    key: int


@dataclass(frozen=True, slots=True)
class Group:
    """Spots under one mark, and the letter by which the list names it."""

    letter: str
    middle: Place
    spots: tuple[Spot, ...]

    @property
    def kind(self) -> SpotKind:
        return min(spot.kind for spot in self.spots)


@dataclass(frozen=True, slots=True)
class Way:
    """One crew's round in its order, from where it sets out and home."""

    name: str
    places: tuple[Place, ...]


@dataclass(frozen=True, slots=True)
class Ground:
    """The piece of the earth that a map shows, flat: places as kilometres east and south of its corner."""

    north: float
    west: float
    wide_km: float
    high_km: float
    shrink: float
    """Kilometres a degree of longitude are so many times a degree of latitude's, in the middle [1]."""

    def km(self, place: Place) -> tuple[float, float]:
        east = ((place[1] - self.west + 180) % 360 - 180) * KM_A_DEGREE * self.shrink
        return east, (self.north - place[0]) * KM_A_DEGREE

    def place(self, east_km: float, south_km: float) -> tuple[float, float]:
        """The other way round, longitude first; beyond 180 degrees where it lies beyond the date line."""
        return self.west + east_km / KM_A_DEGREE / self.shrink, self.north - south_km / KM_A_DEGREE


def ground_of(places: Sequence[Place]) -> Ground:
    """The least piece of the earth that holds all places.

    Parameters
    ----------
    places : sequence of (float, float)
        Latitude and longitude [degrees]; at least one. They may lie on either side of the date line.

    Returns
    -------
    Ground
        At least :data:`LEAST_KM` wide and high.
    """
    anchor = places[0][1]
    turned = [(longitude - anchor + 180) % 360 - 180 for _, longitude in places]
    south, north = min(one for one, _ in places), max(one for one, _ in places)
    shrink = max(cos(radians((south + north) / 2)), 0.01)
    wide, high = (max(turned) - min(turned)) * KM_A_DEGREE * shrink, (north - south) * KM_A_DEGREE
    west, more_wide, more_high = anchor + min(turned), max(LEAST_KM - wide, 0.0), max(LEAST_KM - high, 0.0)
    return Ground(
        north + more_high / 2 / KM_A_DEGREE,
        west - more_wide / 2 / KM_A_DEGREE / shrink,
        wide + more_wide,
        high + more_high,
        shrink,
    )


def groups_of(spots: Sequence[Spot], ground: Ground) -> list[Group]:
    """Put spots that lie too close together under one mark, from the north down.

    Parameters
    ----------
    spots : sequence of Spot
        What is on the map.
    ground : Ground
        The piece of the earth that is shown.

    Returns
    -------
    list of Group
        Each spot in one of them; its middle is that of its spots.
    """
    near = TOUCHING * max(ground.wide_km, ground.high_km)
    heaps: list[list[Spot]] = []
    for spot in sorted(spots, key=lambda one: (-one.place[0], one.place[1], one.key)):
        x, y = ground.km(spot.place)
        for heap in heaps:
            at_x, at_y = _middle_km(heap, ground)
            if hypot(x - at_x, y - at_y) < near:
                heap.append(spot)
                break
        else:
            heaps.append([spot])
    return [Group(letters(number), _middle(heap), tuple(heap)) for number, heap in enumerate(heaps)]


def _middle(heap: Sequence[Spot]) -> Place:
    """The mean place; longitudes are counted from the first one's, for the date line's sake."""
    first = heap[0].place[1]
    turned = [(spot.place[1] - first + 180) % 360 - 180 for spot in heap]
    return sum(spot.place[0] for spot in heap) / len(heap), first + sum(turned) / len(heap)


def _middle_km(heap: Sequence[Spot], ground: Ground) -> tuple[float, float]:
    return ground.km(_middle(heap))


def letters(number: int) -> str:
    """A, B, … Z, AA, AB, …

    Parameters
    ----------
    number : int
        From 0.

    Returns
    -------
    str
        Its letters.

    Examples
    --------
    >>> letters(0), letters(25), letters(26)
    ('A', 'Z', 'AA')
    """
    head, last = divmod(number, 26)
    return (letters(head - 1) if head else "") + chr(ord("A") + last)


@dataclass(frozen=True, slots=True)
class Words:
    """What the picture says, in the reader's language."""

    title: str
    kinds: Mapping[SpotKind, str]
    yard: str
    north: str


def draw_map(
    groups: Sequence[Group],
    ways: Sequence[Way],
    ground: Ground,
    *,
    yard: Place | None,
    words: Words,
    tiles: str = "",
) -> tuple[str, str]:
    """Draw marks, rounds and the yard, for a desk and for a phone.

    Parameters
    ----------
    groups : sequence of Group
        From :func:`groups_of`.
    ways : sequence of Way
        Rounds, each with another kind of line.
    ground : Ground
        What is shown.
    yard : (float, float) or None
        Where the vans start from [degrees].
    words : Words
        In the reader's language.
    tiles : str
        Address of a square of the land behind, as :func:`draw_tiles` takes it; without one there is none.

    Returns
    -------
    (str, str)
        Two pictures as SVG.
    """
    desk, phone = (_drawn(groups, ways, ground, yard, words, sheet=sheet, tiles=tiles) for sheet in (DESK, PHONE))
    return desk, phone


def _drawn(
    groups: Sequence[Group],
    ways: Sequence[Way],
    ground: Ground,
    yard: Place | None,
    words: Words,
    *,
    sheet: Sheet,
    tiles: str,
) -> str:
    inside = sheet.width - 2 * MARGIN
    scale = min(inside / ground.wide_km, 1.1 * inside / ground.high_km)  # px a km
    left = (sheet.width - ground.wide_km * scale) / 2
    bottom = ground.high_km * scale + 2 * MARGIN

    def at(place: Place) -> tuple[float, float]:
        east, south = ground.km(place)
        return left + east * scale, MARGIN + south * scale

    marks = []
    if tiles:
        west, north = ground.place(-left / scale, -MARGIN / scale)
        east, south = ground.place((sheet.width - left) / scale, (bottom - MARGIN) / scale)
        marks.append(draw_tiles(tiles, (west, north, east, south), sheet.width, bottom))
    marks += [f'<path fill="none" {stroke("grid")} d="M1 1H{sheet.width - 1}V{bottom:.0f}H1z"/>']
    named = []
    for number, way in enumerate(ways):
        dashes = DASHES[number % len(DASHES)]
        look = f'fill="none" stroke-width="2" {stroke("wash")}' + (f' stroke-dasharray="{dashes}"' if dashes else "")
        points = " ".join(f"{x:.1f},{y:.1f}" for x, y in map(at, way.places))
        marks.append(f'<polyline {look} points="{points}"/>')
        named.append((f'<path {look} d="M0 0H22"/>', way.name))
    if yard is not None:
        x, y = at(yard)
        marks.append(f'<path {fill("ink")} d="M{x - 8:.1f} {y + 7:.1f}v-8l8-7 8 7v8z"/>')
        named.append((f'<path {fill("ink")} d="M4 7v-8l8-7 8 7v8z"/>', words.yard))
    for group in groups:
        marks.append(_mark(group, *at(group.middle), sheet))
    for kind in sorted({group.kind for group in groups}):
        shape, colour = MARKS[kind]
        named.append((f'<path {fill(colour)} transform="translate(11 0)" d="{shape.value}"/>', words.kinds[kind]))
    foot, names = legend(named, sheet, bottom + FOOT)
    marks += [_scale_bar(scale, bottom, sheet, words.north), names]
    return picture(sheet.width, foot, "".join(marks), title=words.title, key=f"map-{sheet.name}")


def _mark(group: Group, x: float, y: float, sheet: Sheet) -> str:
    """The shape of its kind; around more than one, a ring and how many there are."""
    shape, colour = MARKS[group.kind]
    text = f'{fill("ink")} font-size="{sheet.letters}"'
    mark = f'<path {fill(colour)} transform="translate({x:.1f} {y:.1f})" d="{shape.value}"/>'
    letter = f'<text {text} x="{x + 10:.1f}" y="{y - 8:.1f}">{group.letter}</text>'
    if len(group.spots) == 1:
        return mark + letter
    look = f'class="fill-sheet stroke-{colour}" fill="{PALETTE["sheet"]}" stroke="{PALETTE[colour]}"'
    ring = f'<circle {look} cx="{x:.1f}" cy="{y:.1f}" r="15"/>'
    count = f'<text {text} text-anchor="middle" x="{x:.1f}" y="{y + 13:.1f}">{len(group.spots)}</text>'
    small = f'<path {fill(colour)} transform="translate({x:.1f} {y - 6:.1f}) scale(.8)" d="{shape.value}"/>'
    return ring + small + count + f'<text {text} x="{x + 15:.1f}" y="{y - 10:.1f}">{group.letter}</text>'


def _scale_bar(scale: float, bottom: float, sheet: Sheet, north: str) -> str:
    """A round number of kilometres, and which way is north."""
    rough = sheet.width / 4 / scale
    steps = [size * 10.0**power for power in range(-2, 5) for size in (1, 2, 5)]
    km = max(one for one in steps if one <= max(rough, steps[0]))
    y, end = bottom + 16, 8 + km * scale
    bar = f"M8 {y - 5:.0f}v10M8 {y:.0f}H{end:.1f}M{end:.1f} {y - 5:.0f}v10"
    return (
        f'<path fill="none" stroke-width="2" {stroke("ink")} d="{bar}"/>'
        f'<text {fill("ink")} font-size="{sheet.letters}" x="{end + 8:.1f}" y="{y + 5:.0f}">{km:g} km</text>'
        f'<text {fill("ink")} font-size="{sheet.letters}" text-anchor="end" x="{sheet.width - 6}" y="{y + 5:.0f}">'
        f"↑ {escape(north)}</text>"
    )
