"""The eight climates of the first maker, and where they are found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fixtures.weather import Climate


def _year(mean: float, swing: float, peak: int) -> tuple[float, ...]:
    """Twelve monthly values of a smooth year that peaks in a month (0 is January)."""
    return tuple(float(mean + swing * np.cos(2 * np.pi * (month - peak) / 12)) for month in range(12))


def _climate(
    *,
    wet: tuple[float, float, int],
    wet_mm: float,
    clear: tuple[float, float, int],
    aod: tuple[float, float, int],
    water: tuple[float, float, int],
    air: tuple[float, float, int],
    swing: float = 11.0,
) -> Climate:
    """A climate of smooth years, each given as mean, swing and month of its peak."""
    fair = tuple(0.5 * (1 - share) for share in _year(*clear))
    return Climate(
        wet_after_dry=_year(*wet),
        wet_after_wet=0.4,
        wet_mm=wet_mm,
        clear=_year(*clear),
        fair=fair,
        marine=(0.0,) * 12,
        aod700=_year(*aod),
        water_cm=_year(*water),
        air_c=_year(*air),
        air_swing=swing,
        wind_m_s=3.0,
        dust=(1.0,) * 12,
    )


@dataclass(frozen=True)
class Place:
    """Where a climate is found."""

    latitude: float
    longitude: float
    altitude_m: float
    tz: str
    climate: Climate


PLACES = {
    "desert": Place(
        33.5,
        -112.0,
        350.0,
        "America/Phoenix",
        _climate(
            wet=(0.045, 0.02, 0),
            wet_mm=6,
            clear=(0.68, 0.08, 5),
            aod=(0.09, 0.03, 5),
            water=(1.5, 0.8, 6),
            air=(23, 10, 6),
        ),
    ),
    "mediterranean": Place(
        37.5,
        -5.9,
        60.0,
        "Europe/Madrid",
        _climate(
            wet=(0.09, 0.06, 0),
            wet_mm=9,
            clear=(0.58, 0.2, 6),
            aod=(0.12, 0.04, 6),
            water=(1.8, 0.6, 6),
            air=(18.5, 8, 6),
        ),
    ),
    "humid_subtropical": Place(
        29.8,
        -95.4,
        20.0,
        "America/Chicago",
        _climate(
            wet=(0.17, 0.03, 5),
            wet_mm=14,
            clear=(0.42, 0.08, 10),
            aod=(0.14, 0.05, 6),
            water=(3.2, 1.3, 6),
            air=(21, 8, 6),
        ),
    ),
    "marine": Place(
        53.0,
        9.0,
        20.0,
        "Europe/Berlin",
        _climate(
            wet=(0.2, 0.03, 11),
            wet_mm=5,
            clear=(0.22, 0.08, 5),
            aod=(0.10, 0.03, 5),
            water=(1.6, 0.6, 6),
            air=(9.5, 8, 6),
            swing=7.0,
        ),
    ),
    "snowy_north": Place(
        60.0,
        11.0,
        100.0,
        "Europe/Oslo",
        _climate(
            wet=(0.15, 0.02, 9),
            wet_mm=6,
            clear=(0.30, 0.06, 5),
            aod=(0.07, 0.02, 5),
            water=(1.2, 0.7, 6),
            air=(5, 11, 6),
            swing=8.0,
        ),
    ),
    "southern_dry": Place(
        -31.9,
        116.0,
        30.0,
        "Australia/Perth",
        _climate(
            wet=(0.11, 0.08, 6),
            wet_mm=9,
            clear=(0.55, 0.18, 0),
            aod=(0.08, 0.02, 10),
            water=(1.8, 0.5, 0),
            air=(18.5, 6, 0),
        ),
    ),
    "southern_semiarid": Place(
        -33.5,
        -68.7,
        750.0,
        "America/Argentina/Mendoza",
        _climate(
            wet=(0.07, 0.05, 6),
            wet_mm=11,
            clear=(0.52, 0.18, 0),
            aod=(0.12, 0.03, 7),
            water=(1.3, 0.4, 0),
            air=(14.5, 6, 0),
            swing=14.0,
        ),
    ),
    "dusty_monsoon": Place(
        27.0,
        75.8,
        390.0,
        "Asia/Kolkata",
        _climate(
            wet=(0.10, 0.10, 6),
            wet_mm=13,
            clear=(0.45, 0.18, 11),
            aod=(0.30, 0.10, 6),
            water=(2.8, 1.8, 6),
            air=(25, 8, 5),
            swing=12.0,
        ),
    ),
}
