"""Which sites share a sky."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from portal.pv.arrays import Floats

TOWN_KM = 40.0
"""Sites within this distance of a town's first site share haze, snow and rain [km]. Common practice, no source; a site
that lies near and breathes another air is found by its days (:data:`portal.pv.air.ALIKE`)."""
EARTH_KM = 6371.0088
"""Mean radius of the Earth (IUGG, GRS 80) [km]."""


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
    return float(_kilometres(latitude_a, longitude_a, np.array([latitude_b]), np.array([longitude_b]))[0])


def _kilometres(latitude: float, longitude: float, latitudes: Floats, longitudes: Floats) -> Floats:
    """From one point to each of others."""
    a, b = np.radians(latitude), np.radians(latitudes)
    turn = np.radians(longitudes - longitude)
    half = np.sin((b - a) / 2) ** 2 + np.cos(a) * np.cos(b) * np.sin(turn / 2) ** 2
    return np.asarray(2 * EARTH_KM * np.arcsin(np.sqrt(half)))


def towns(latitudes: Sequence[float], longitudes: Sequence[float]) -> npt.NDArray[np.int64]:
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
    north, east = np.zeros(len(latitudes)), np.zeros(len(latitudes))  # of the towns' first sites
    labels = np.zeros(len(latitudes), dtype=np.int64)
    count = 0
    for i, (latitude, longitude) in enumerate(zip(latitudes, longitudes, strict=True)):
        near = np.flatnonzero(_kilometres(latitude, longitude, north[:count], east[:count]) <= TOWN_KM)
        if near.size:
            labels[i] = near[0]
        else:
            labels[i], north[count], east[count] = count, latitude, longitude
            count += 1
    return labels
