"""Writes a station's days as GHCN-Daily lays them out.

By ``readme.txt`` (III, the ``.dly`` files) and ``readme-by_station.txt`` beside the data at
https://www.ncei.noaa.gov/pub/data/ghcn/daily/, and for the CSV files with a header by what stands beside them under
``/data/global-historical-climatology-network-daily/``. Told from memory: the archive was not at hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

Days = Mapping[date, tuple[int, str, str]]
"""Tenths of a millimetre with measurement and quality flag."""


def dly(station: str, days: Days, element: str = "PRCP") -> str:
    """ID 1-11, YEAR 12-15, MONTH 16-17, ELEMENT 18-21, then VALUE (5), MFLAG, QFLAG, SFLAG for each of 31 days."""
    lines = []
    for year, month in sorted({(day.year, day.month) for day in days}):
        held = {day.day: told for day, told in days.items() if (day.year, day.month) == (year, month)}
        cells = ""
        for number in range(1, 32):
            value, measured, quality = held.get(number, (-9999, " ", " "))
            cells += f"{value:5d}{measured or ' '}{quality or ' '}{'W' if number in held else ' '}"
        lines.append(f"{station:11}{year:04d}{month:02d}{element}{cells}")
    return "\n".join(lines) + "\n"


def by_station(station: str, days: Days, element: str = "PRCP") -> str:
    """ID, YEAR/MONTH/DAY, ELEMENT, DATA VALUE, M-FLAG, Q-FLAG, S-FLAG, OBS-TIME, without a header."""
    return "".join(
        f"{station},{day:%Y%m%d},{element},{value},{measured},{quality},W,2400\n"
        for day, (value, measured, quality) in sorted(days.items())
    )


def access(station: str, days: Days, *, latitude: float = 40.77898, longitude: float = -73.96925) -> str:
    """Under a header, each element with its attributes: "measurement,quality,source,time"."""
    lines = [
        '"STATION","DATE","LATITUDE","LONGITUDE","ELEVATION","NAME","TMAX","TMAX_ATTRIBUTES","PRCP","PRCP_ATTRIBUTES"'
    ]
    for day, (value, measured, quality) in sorted(days.items()):
        lines.append(
            f'"{station}","{day}","{latitude}","{longitude}","42.7","INVENTED PARK, NY US","  128",",,W",'
            f'"{value:5d}","{measured},{quality},W,2400"'
        )
    return "\n".join(lines) + "\n"
