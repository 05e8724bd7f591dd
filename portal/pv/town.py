"""Which sites share a sky."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from portal.pv.arrays import Ints

Place = tuple[float, float]
"""Latitude and longitude [°], north and east positive."""

TOWN_KM = 40.0
"""Sites within this distance of a town's first site share haze, snow and rain [km]. Common practice, no source; a site
that lies near and breathes another air is found by its days (:data:`portal.pv.air.ALIKE`)."""
EARTH_KM = 6371.0088
"""Mean radius of the Earth (IUGG, GRS 80) [km]."""
KM_A_DEGREE = math.radians(EARTH_KM)
"""Of latitude, on a sphere [km/°]."""
TOWN_DEGREES = TOWN_KM / KM_A_DEGREE
"""What lies within :data:`TOWN_KM` lies within so much latitude [°]."""
BOXES_BESIDE = range(-1, 2)


def kilometres(latitude_a: float, longitude_a: float, latitude_b: float, longitude_b: float) -> float:
    """Great-circle distance by the haversine formula, on a sphere.

    Parameters
    ----------
    latitude_a, longitude_a, latitude_b, longitude_b : float
        Degrees, north and east positive.

    Returns
    -------
    float
        [km]

    Examples
    --------
    One degree of latitude is some 111 km:

    >>> round(kilometres(50.0, 8.0, 51.0, 8.0), 1)
    111.2
    """
    a, b = math.radians(latitude_a), math.radians(latitude_b)
    turn = math.radians(longitude_b - longitude_a)
    half = math.sin((b - a) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(turn / 2) ** 2
    return 2 * EARTH_KM * math.asin(math.sqrt(min(half, 1.0)))


def towns(latitudes: Sequence[float], longitudes: Sequence[float]) -> Ints:
    """Label the sites that share a sky: those within :data:`TOWN_KM` of a town's first site.

    Parameters
    ----------
    latitudes, longitudes : sequence of float
        Of n sites, degrees, north and east positive.

    Returns
    -------
    ndarray (n,) of int
        Number of each site's town, from 0 in the order of their first sites.

    Examples
    --------
    >>> towns([50.0, 50.1, 53.0], [8.0, 8.1, 8.0]).tolist()
    [0, 0, 1]
    """
    boxes = _boxes(latitudes, longitudes)
    begun: dict[tuple[int, ...], list[int]] = {}  # the first sites of the towns, by the box that they lie in
    firsts: list[int] = []
    labels = np.zeros(len(latitudes), dtype=np.int64)
    for i, box in enumerate(boxes):
        around = (
            begun.get((box[0] + x, box[1] + y, box[2] + z))
            for x in BOXES_BESIDE
            for y in BOXES_BESIDE
            for z in BOXES_BESIDE
        )
        about = sorted(town for towns_of_box in around if towns_of_box for town in towns_of_box)
        for town in about:
            first = firsts[town]
            if kilometres(latitudes[i], longitudes[i], latitudes[first], longitudes[first]) <= TOWN_KM:
                labels[i] = town
                break
        else:
            labels[i] = len(firsts)
            begun.setdefault(box, []).append(len(firsts))
            firsts.append(i)
    return labels


def _boxes(latitudes: Sequence[float], longitudes: Sequence[float]) -> list[tuple[int, ...]]:
    """Cubes of :data:`TOWN_KM` that the sites lie in: one that is no farther lies in the same or one beside it."""
    north, east = np.radians(np.asarray(latitudes, np.float64)), np.radians(np.asarray(longitudes, np.float64))
    places = np.stack([np.cos(north) * np.cos(east), np.cos(north) * np.sin(east), np.sin(north)], axis=1)
    return [tuple(box) for box in np.floor(places * (EARTH_KM / TOWN_KM)).astype(np.int64).tolist()]
