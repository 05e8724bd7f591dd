"""The facts of a PV site that the computation needs: planes, inverter, place, clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Plane:
    """One roof plane of modules.

    Parameters
    ----------
    tilt : float
        Degrees from horizontal, 0 to 90.
    azimuth : float
        Degrees clockwise from north, 0 to 360 (pvlib's ``surface_azimuth``).
    dc_kw : float
        Rated DC power at standard test conditions [kW], above 0.

    Raises
    ------
    ValueError
        When a fact lies outside its range.
    """

    tilt: float
    azimuth: float
    dc_kw: float

    def __post_init__(self) -> None:
        if not 0 <= self.tilt <= 90:
            raise ValueError(f"tilt is {self.tilt}; it must lie between 0 and 90 degrees")
        if not 0 <= self.azimuth <= 360:
            raise ValueError(f"azimuth is {self.azimuth}; it must lie between 0 and 360 degrees")
        if not self.dc_kw > 0:
            raise ValueError(f"dc_kw is {self.dc_kw}; it must be above 0")


@dataclass(frozen=True, slots=True)
class Array:
    """A site as the computation sees it.

    Parameters
    ----------
    latitude, longitude : float
        Degrees, north and east positive.
    tz : str
        IANA zone of the site; its local days are the days of the assessment.
    planes : tuple of Plane
        At least one.
    ac_kw : float
        Rated AC power of the inverter [kW]; output is clipped there.
    installed_on : date or None
        Day of installation, if known.
    """

    latitude: float
    longitude: float
    tz: str
    planes: tuple[Plane, ...]
    ac_kw: float
    installed_on: date | None = None

    def __post_init__(self) -> None:
        if not -90 <= self.latitude <= 90:
            raise ValueError(f"latitude is {self.latitude}; it must lie between -90 and 90")
        if not -180 <= self.longitude <= 180:
            raise ValueError(f"longitude is {self.longitude}; it must lie between -180 and 180")
        if not self.planes:
            raise ValueError("a site needs at least one roof plane")
        if not self.ac_kw > 0:
            raise ValueError(f"ac_kw is {self.ac_kw}; it must be above 0")

    @property
    def dc_kw(self) -> float:
        """Rated DC power of all planes [kW]."""
        return sum(plane.dc_kw for plane in self.planes)
