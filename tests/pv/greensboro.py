"""A roof under a sky and a rain that somebody measured: pvlib's own typical year of Greensboro, North Carolina.

``723170TYA.CSV`` (NREL's TMY3) comes in pvlib's wheel with irradiance, temperature, wind and rain of each hour; pvlib's
tests publish what Kimber's model makes of that rain. The year is told twice, since an assessment wants to see a season
come back. Perez transposition, Sandia's cell temperature, and a flat inverter: nothing that the assessment uses.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
from pvlib.temperature import TEMPERATURE_MODEL_PARAMETERS

from portal.pv.array import Array, Plane
from portal.pv.readings import SiteReadings

YEARS = (2021, 2022)
LATITUDE, LONGITUDE, ZONE = 36.1, -79.95, "America/New_York"
TILT, AZIMUTH, DC_KW = 25.0, 190.0, 6.0


@lru_cache(maxsize=1)
def measured() -> pd.DataFrame:
    """Hours of two equal years, indexed by their ends."""
    path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    years: list[pd.DataFrame] = [
        pvlib.iotools.read_tmy3(path, coerce_year=year, map_variables=True)[0] for year in YEARS
    ]
    return pd.concat(years)


def rain_mm() -> pd.Series[float]:
    """Rain of each hour as pvlib's tests take it.

    The file's 8345 a year are what those tests expect and call mm; at some 1100 mm a year in Greensboro (NOAA's
    normals, from memory) they look like tenths, with a few months short. Kimber's answers rest on them as they are.
    """
    return measured()["Lprecip depth (mm)"].astype(np.float64)


def clean_wh() -> pd.Series[float]:
    """Energy of each hour [Wh] with clean modules, indexed by its start in UTC."""
    sky = measured()
    middle = pd.DatetimeIndex(sky.index) - pd.Timedelta(minutes=30)
    sun = pvlib.solarposition.get_solarposition(middle, LATITUDE, LONGITUDE)
    zenith, azimuth = sun["apparent_zenith"].to_numpy(), sun["azimuth"].to_numpy()
    ghi, dni, dhi = (sky[name].to_numpy(dtype=np.float64) for name in ("ghi", "dni", "dhi"))
    extra = np.asarray(pvlib.irradiance.get_extra_radiation(middle.day_of_year.to_numpy()))
    mass = pvlib.atmosphere.get_relative_airmass(zenith)
    poa = pvlib.irradiance.get_total_irradiance(
        TILT, AZIMUTH, zenith, azimuth, dni, ghi, dhi, extra, mass, model="perez", albedo=0.2
    )
    aoi = pvlib.irradiance.aoi(TILT, AZIMUTH, zenith, azimuth)
    seen = np.nan_to_num(np.asarray(poa["poa_direct"])) * pvlib.iam.ashrae(aoi)
    seen = np.nan_to_num(seen) + 0.95 * np.nan_to_num(np.asarray(poa["poa_diffuse"]))
    heat = TEMPERATURE_MODEL_PARAMETERS["sapm"]["close_mount_glass_glass"]
    cell = pvlib.temperature.sapm_cell(seen, sky["temp_air"].to_numpy(), sky["wind_speed"].to_numpy(), **heat)
    power = np.maximum(DC_KW * seen * (1 - 0.0038 * (cell - 25)) * 0.92 * 0.965, 0.0)
    starts = (pd.DatetimeIndex(sky.index) - pd.Timedelta(hours=1)).tz_convert("UTC")
    return pd.Series(power, index=starts)


def roof(loss: pd.Series[float], *, gauge: bool, visits: Sequence[date] = ()) -> SiteReadings:
    """The roof with the loss of each hour on it, alone, with the rain of the file as its gauge or without."""
    energy = (clean_wh() * (1 - loss.to_numpy())).round()
    array = Array(LATITUDE, LONGITUDE, ZONE, (Plane(TILT, AZIMUTH, DC_KW),), DC_KW)
    hours = rain_mm()
    fallen = hours.groupby((pd.DatetimeIndex(hours.index) - pd.Timedelta(hours=1)).tz_convert(ZONE).date).sum()
    return SiteReadings(array, energy, 60, tuple(visits), fallen if gauge else None, "Greensboro")
