"""Production that nobody here made: two records of one system, which pvanalytics 0.2.2 (MIT) carries.

NREL's system 50 in the Department of Energy's open PVDAQ (https://data.openei.org/submissions/4568): 6 kW in Golden,
Colorado, 45 degrees steep, looking to 158 degrees (pvanalytics' gallery, "Infer array tilt/azimuth" and "PV Fleets QA
process: power"). No record of dirt or washes comes with it; that it stays clean is taken from its place: it rains there
every few days in the growing season (``pvlib``'s and Kimber's dirt needs weeks without), and it stands at 45 degrees.
Read from the installed package, never copied.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pandas as pd
from fastparquet import ParquetFile

from fixtures.weather import Floats
from portal.pv.array import Array, Plane
from portal.pv.readings import SiteReadings

ZONE = "America/Denver"


def _file(name: str) -> Path:
    spec = find_spec("pvanalytics")
    if spec is None or spec.submodule_search_locations is None:
        raise FileNotFoundError("pvanalytics is not installed")
    return Path(spec.submodule_search_locations[0]) / "data" / name


def _site(power_w: pd.Series[float], dc_kw: float, key: str) -> SiteReadings:
    """Quarter-hourly mean power [W] as readings.

    Whether a stamp names a quarter's begin or end is not said with the record. Taken for ends, the shapes of its clear
    days look to 159 degrees, for begins to 165: so they are ends.
    """
    energy = power_w.clip(lower=0.0) * 0.25
    energy.index = pd.DatetimeIndex(energy.index).tz_convert("UTC").as_unit("s") - pd.Timedelta(minutes=15)
    array = Array(39.7406, -105.1775, ZONE, (Plane(45.0, 158.0, dc_kw),), dc_kw)
    return SiteReadings(array, energy.asfreq("15min"), 15, key=key)


def years() -> SiteReadings:
    """One inverter of the system from April 2011 to the end of 2013; half of the modules.

    Its stamps say −07:00 all year, but the days' middle leaps by an hour in March and November: they are the clock on
    the wall.
    """
    with _file("system_50_ac_power_2_full_DST.parquet").open("rb") as file:
        frame = ParquetFile(file).to_pandas()
    power = frame.set_index("measured_on")["ac_power_2"].astype(np.float64)
    wall = pd.DatetimeIndex(power.index).tz_localize(None)
    power.index = wall.tz_localize(ZONE, nonexistent="NaT", ambiguous="NaT")
    return _site(power[power.index.notna()], 3.0, "system 50, 2011 to 2013")


def summer() -> SiteReadings:
    """The whole system from July to October 2016."""
    frame = pd.read_csv(_file("serf_east_15min_ac_power.csv"))
    power = pd.Series(frame["ac_power"].to_numpy(), index=pd.to_datetime(frame["measured_on"], utc=True))
    return _site(power, 6.0, "system 50, 2016")


def local_dates(site: SiteReadings) -> list[date]:
    """Local days of a record, first to last."""
    local = pd.DatetimeIndex(site.energy_wh.index).tz_convert(site.array.tz)
    return list(pd.date_range(local[0].date(), local[-1].date(), freq="D").date)


def soiled(site: SiteReadings, ratio: Floats, visits: Sequence[date] = ()) -> SiteReadings:
    """The record as it would be with dirt on the modules: each day's readings times that day's soiling ratio.

    Right but for the inverter's curve (its efficiency moves by less than a hundredth of the change) and its limit,
    which this system does not reach.
    """
    local = pd.DatetimeIndex(site.energy_wh.index).tz_convert(site.array.tz)
    day = (local.tz_localize(None).normalize() - pd.Timestamp(local_dates(site)[0])).days
    return replace(site, energy_wh=site.energy_wh * ratio[np.asarray(day)], visits=tuple(visits))
