"""The land behind a map: pictures of squares of the earth, from a tile server that the deployment names.

A square has the number of its zoom, its column from the west and its row from the north, in the web's usual cut of
Mercator's projection (OpenStreetMap wiki, "Slippy map tilenames"). Each is drawn where its corners lie on our own flat
map: within a firm's area the two projections hardly differ inside of one square.
"""

from __future__ import annotations

from html import escape
from math import asinh, atan, degrees, floor, log2, pi, radians, sinh, tan

from portal.charts.svg import fill

SQUARE = 256
"""A square's side as servers draw it [px]; it is shown between this over and times the root of 2."""
DEEPEST_ZOOM = 19
"""Servers have no squares beyond this zoom."""

Bounds = tuple[float, float, float, float]
"""West, north, east and south [degrees]; east may lie beyond 180."""


def column(longitude: float, zoom: int) -> float:
    """How many squares from the date line east.

    Parameters
    ----------
    longitude : float
        [degrees]
    zoom : int
        From 0, where one square is the earth.

    Returns
    -------
    float
        Columns [1]; its floor is the square's own.

    Examples
    --------
    >>> column(0.0, 1)
    1.0
    """
    return (longitude + 180) / 360 * 2.0**zoom


def row(latitude: float, zoom: int) -> float:
    """How many squares from the north down.

    Parameters
    ----------
    latitude : float
        [degrees], between -85.05 and 85.05.
    zoom : int
        From 0.

    Returns
    -------
    float
        Rows [1]; its floor is the square's own.

    Examples
    --------
    >>> row(0.0, 1)
    1.0
    """
    return (1 - asinh(tan(radians(latitude))) / pi) / 2 * 2.0**zoom


def latitude_of(row: float, zoom: int) -> float:
    """The latitude of a row's upper edge.

    Parameters
    ----------
    row : float
        From the north [1].
    zoom : int
        From 0.

    Returns
    -------
    float
        [degrees]

    Examples
    --------
    >>> round(latitude_of(0, 0), 4)
    85.0511
    """
    return degrees(atan(sinh(pi * (1 - 2 * row / 2**zoom))))


def draw_tiles(template: str, frame: Bounds, width: float, height: float) -> str:
    """Draw the squares that a frame holds, paled so that marks stand out on them.

    Parameters
    ----------
    template : str
        Address of a square, with ``{z}``, ``{x}`` and ``{y}``.
    frame : (float, float, float, float)
        What the picture shows [degrees].
    width, height : float
        Of the picture [px].

    Returns
    -------
    str
        A nested SVG, which cuts off what lies outside.
    """
    west, north, east, south = frame
    px_a_degree = width / (east - west)
    zoom = max(0, min(DEEPEST_ZOOM, round(log2(360 * px_a_degree / SQUARE))))
    across = 2**zoom
    images = []
    for y in range(max(0, floor(row(north, zoom))), min(across - 1, floor(row(south, zoom))) + 1):
        top, foot = ((north - latitude_of(edge, zoom)) / (north - south) * height for edge in (y, y + 1))
        for x in range(floor(column(west, zoom)), floor(column(east, zoom)) + 1):
            left = (x / across * 360 - 180 - west) * px_a_degree
            address = template.replace("{z}", str(zoom)).replace("{x}", str(x % across)).replace("{y}", str(y))
            side = 360 / across * px_a_degree
            images.append(
                f'<image href="{escape(address)}" x="{left:.1f}" y="{top:.1f}" width="{side:.1f}" '
                f'height="{foot - top:.1f}" preserveAspectRatio="none"/>'
            )
    pale = f'<rect {fill("sheet")} fill-opacity=".45" width="{width:.0f}" height="{height:.0f}"/>'
    return f'<svg width="{width:.0f}" height="{height:.0f}">{"".join(images)}{pale}</svg>'
