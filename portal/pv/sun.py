"""Where the sun stands: NREL's algorithm once a day, for all places, and spherical trigonometry from there."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from portal.pv.arrays import Floats

DAY_S = 86_400
"""Seconds of a day, by definition."""
J2000 = 946_728_000
"""Unix seconds of 2000-01-01 12:00 UTC."""
SIDEREAL_TURN = 360.985_647_366_29
"""Degrees the Earth turns in a day of 86,400 s (Meeus, Astronomical Algorithms, ch. 12)."""
GREGORIAN_YEAR = 365.2425
"""Days, by definition of the calendar."""
SUNS_AT_ONCE = 366
"""Days of the sun's place that are computed in one go and kept for all sites: a little over a
year. No source."""


def sun_position(unix: Floats, latitude: float, longitude: float) -> tuple[Floats, Floats, Floats]:
    """Apparent zenith, azimuth and hour angle of the sun [degrees].

    NREL's Solar Position Algorithm (Reda and Andreas 2004, doi:10.1016/j.solener.2003.12.003) gives right ascension,
    declination and sidereal time; they change slowly, so they are computed at each 00:00 UTC and interpolated
    (error below 0.001°), then turned into a position by spherical trigonometry. That is some 40 times faster
    than the full algorithm at every instant.

    Parameters
    ----------
    unix : ndarray (n,)
        Seconds since 1970-01-01 00:00 UTC; finite.
    latitude, longitude : float
        Degrees, north and east positive.

    Returns
    -------
    zenith, azimuth, hour_angle : ndarray (n,)
        [degrees]: zenith as refracted, azimuth clockwise from north, hour angle negative before solar noon.

    Examples
    --------
    The NREL report's worked example (TP-560-34302: 2003-10-17 12:30:30 at UTC-7, zenith 50.11162):

    >>> zenith, azimuth, _ = sun_position(np.array([1066419030.0]), 39.742476, -105.1786)
    >>> bool(abs(zenith[0] - 50.112) < 0.01), bool(abs(azimuth[0] - 194.340) < 0.01)
    (True, True)
    """
    if not unix.size:
        return unix.copy(), unix.copy(), unix.copy()
    hour_angle, declination = among_the_stars(unix, longitude)
    h, d, phi = np.radians(hour_angle), np.radians(declination), np.radians(latitude)
    sin_elevation = np.sin(phi) * np.sin(d) + np.cos(phi) * np.cos(d) * np.cos(h)
    elevation = np.degrees(np.arcsin(np.clip(sin_elevation, -1, 1)))
    # Refraction as in the SPA report, eq. 42, at standard pressure and 12 °C; it only matters near the horizon.
    bent = np.where(elevation > -0.83, 1.02 / (60 * np.tan(np.radians(elevation + 10.3 / (elevation + 5.11)))), 0.0)
    azimuth = np.degrees(np.arctan2(np.sin(h), np.cos(h) * np.sin(phi) - np.tan(d) * np.cos(phi))) + 180
    return 90 - elevation - bent, azimuth % 360, hour_angle


def among_the_stars(unix: Floats, longitude: float) -> tuple[Floats, Floats]:
    """Hour angle and declination of the sun at some instants.

    Parameters
    ----------
    unix : ndarray (n,)
        Seconds since 1970-01-01 00:00 UTC; one or more, finite.
    longitude : float
        Degrees, east positive.

    Returns
    -------
    hour_angle, declination : ndarray (n,)
        [degrees]: the hour angle is negative before solar noon, the declination positive in the north.

    Examples
    --------
    At noon of the June solstice in Greenwich the sun stands over the tropic:

    >>> hour_angle, declination = among_the_stars(np.array([1_592_740_800.0]), 0.0)
    >>> bool(abs(hour_angle[0]) < 1), round(float(declination[0]), 1)
    (True, 23.4)
    """
    days = np.arange(np.floor(unix.min() / DAY_S), np.floor(unix.max() / DAY_S) + 2).astype(np.int64)
    kept = [_suns(number) for number in range(int(days[0]) // SUNS_AT_ONCE, int(days[-1]) // SUNS_AT_ONCE + 1)]
    begun = int(days[0]) // SUNS_AT_ONCE * SUNS_AT_ONCE
    sidereal, ascension, declination = np.concatenate(kept, axis=1)[:, days - begun]
    knots = days * float(DAY_S)
    turned = np.unwrap(sidereal - (knots - J2000) / DAY_S * SIDEREAL_TURN, period=360)
    east = np.unwrap(ascension, period=360)
    turn = (unix - J2000) / DAY_S * SIDEREAL_TURN
    hour_angle = (np.interp(unix, knots, turned - east) + turn + longitude + 180) % 360 - 180
    return np.asarray(hour_angle), np.interp(unix, knots, declination)


@lru_cache(maxsize=64)
def _suns(number: int) -> Floats:
    """Sidereal time, right ascension and declination [degrees] at 00:00 UTC of a span of days, (3, days).

    They do not depend on the place, so all sites of a process share them.
    """
    # pvlib brings scipy, half a second and 60 MB: beat, a worker of mails and most commands never need it.
    from pvlib import spa

    knots = (number + np.arange(SUNS_AT_ONCE) / SUNS_AT_ONCE) * SUNS_AT_ONCE * DAY_S
    delta_t = spa.calculate_deltat(1970 + float(knots.mean()) / (GREGORIAN_YEAR * DAY_S), 6)
    return np.asarray(spa.solar_position_numpy(knots, 0.0, 0.0, 0.0, 1013.25, 12.0, delta_t, 0.5667, 1, sst=True))
