"""A place's daily rain: a table of two columns, or a weather station's file as GHCN-Daily lays it out.

The layouts are those of NOAA's Global Historical Climatology Network daily (Menne et al. 2012,
doi:10.1175/JTECH-D-11-00103.1; ``readme.txt`` and ``readme-by_station.txt`` beside the data):
``PRCP`` is in tenths of a millimetre, and a value with a quality flag failed one of their checks.
"""

from __future__ import annotations

import csv
import gzip
import io
import math
import re
import zlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date

from portal.readers.reading import ReadError, Rejected

MOST_RAIN_DAYS = 40_000
"""Days (rows) of a century; more is not a daily series. A bound on the work, no source."""
MOST_MM_A_DAY = 2000.0
"""Above the wettest day on record [mm] (1,825 mm, Réunion 1966, WMO extremes archive; value from memory)."""
MOST_RAIN_BYTES = 32 * 1024 * 1024
"""Bytes of a station's file, unpacked: all elements of 150 years take half. A bound on memory, no source."""
REJECTED_SHOWN = 100
"""Rejected lines that are kept. A bound on memory, no source."""

_STATION = re.compile(r"[A-Z]{2}[A-Z0-9][A-Z0-9_-]{8}")
_TENTHS_MISSING = -9999
"""Tenths of a millimetre that stand for a missing day (GHCN-Daily's readme.txt, 2012)."""
_PRESUMED_ZERO = "P"
_DLY_LINE = 269
_BY_STATION_CELLS = 8
"""Characters of a line of a .dly file, and cells of a line by station (GHCN-Daily's readme files, 2012)."""


@dataclass(slots=True)
class RainRecord:
    """What a file says of one gauge."""

    rain_mm: dict[date, float] = field(default_factory=dict)
    """Millimetres by day."""
    rejected: list[Rejected] = field(default_factory=list)
    failed_checks: int = 0
    """Days left out because the station network's own checks doubt them, or nobody measured them."""
    station: str = ""
    """The station's number in GHCN-Daily; empty for a plain table."""
    name: str = ""
    latitude: float | None = None
    longitude: float | None = None


def is_station(number: str) -> bool:
    """Say whether a text has the form of a station's number in GHCN-Daily.

    Parameters
    ----------
    number
        Eleven characters: country, network, and the number in it.

    Returns
    -------
    bool
        True where it has.

    Examples
    --------
    >>> is_station("USW00094728"), is_station("../secrets")
    (True, False)
    """
    return bool(_STATION.fullmatch(number))


def read_rain_file(data: bytes) -> RainRecord:
    """Read a gauge's days: ``date,rain_mm``, or a GHCN-Daily file of one station (``.dly``, either CSV, also ``.gz``).

    Parameters
    ----------
    data
        The file's bytes.

    Returns
    -------
    RainRecord
        Days with rain [mm]; days that are missing, or that the network's checks doubt, are not among them.

    Raises
    ------
    ReadError
        When no line of it can be read, it holds several stations, or is far too large.

    Examples
    --------
    >>> read_rain_file(b"USW00094728,20260531,PRCP,42,,,W,2400").rain_mm
    {datetime.date(2026, 5, 31): 4.2}
    """
    try:
        text = _unpacked(data).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ReadError("This is not a text file. Save the table as CSV and send that.") from None
    lines = text.splitlines()
    first = next((line for line in lines if line.strip()), "")
    cells = [cell.strip(' "') for cell in first.split(",")]
    if cells[0].upper() == "STATION" and "DATE" in [cell.upper() for cell in cells]:
        record = _read_by_name(lines)
    elif len(cells) >= _BY_STATION_CELLS - 1 and is_station(cells[0]):
        record = _read_by_station(lines)
    elif "," not in first[:21] and is_station(first[:11]):
        record = _read_dly(lines)
    else:
        rain, rejected = read_rain(lines)
        return RainRecord(rain, rejected)
    if not record.rain_mm:
        raise ReadError(
            f"Station {record.station} has no day of rain (PRCP) that passed its checks in this file. "
            "Choose a station that measures precipitation."
        )
    return record


def read_rain(lines: Iterable[str]) -> tuple[dict[date, float], list[Rejected]]:
    """Read ``date,rain_mm`` lines (ISO dates, a header line allowed); a later line for a day wins.

    Parameters
    ----------
    lines
        The file's lines.

    Returns
    -------
    rain : dict
        Millimetres by day.
    rejected : list of Rejected
        Lines that are none.

    Raises
    ------
    ReadError
        When no line can be read, or there are far too many.

    Examples
    --------
    >>> read_rain(["date,rain_mm", "2026-05-31,4.2"])[0]
    {datetime.date(2026, 5, 31): 4.2}
    """
    rain: dict[date, float] = {}
    rejected: list[Rejected] = []
    for number, row in enumerate(csv.reader(lines), start=1):
        if number > MOST_RAIN_DAYS:
            raise ReadError(f"The file has more than {MOST_RAIN_DAYS} lines. Send one line a day: date,rain_mm.")
        text = ",".join(row)
        if not text.strip() or (number == 1 and "date" in text.lower()):
            continue
        try:
            day = date.fromisoformat(row[0].strip())
            millimetres = float(row[1])
        except (ValueError, IndexError):
            rejected.append(Rejected(number, text[:200], "not a date such as 2026-05-31 and a number of millimetres"))
            continue
        if not (math.isfinite(millimetres) and 0 <= millimetres <= MOST_MM_A_DAY):
            rejected.append(Rejected(number, text[:200], "no possible rainfall of a day in millimetres"))
            continue
        rain[day] = millimetres
    if not rain:
        raise ReadError(
            "No line of this file is a day's rain. Send a CSV with the columns date and rain_mm, "
            "for example: 2026-05-31,4.2; or a station's file from GHCN-Daily."
        )
    return rain, rejected


_BY_NAME_EXPECTED = "not a DATE such as 2026-05-31 and PRCP in tenths of a millimetre"


def _unpacked(data: bytes) -> bytes:
    """Unpack gzip, no further than the bound."""
    if data[:2] == b"\x1f\x8b":
        try:
            with gzip.open(io.BytesIO(data)) as packed:
                data = packed.read(MOST_RAIN_BYTES + 1)
        except (OSError, EOFError, zlib.error):
            raise ReadError("This gzip file is damaged or cut off. Fetch it once more.") from None
    if len(data) > MOST_RAIN_BYTES:
        raise ReadError(f"The file is larger than {MOST_RAIN_BYTES // 2**20} MB. Send one station's rain.")
    return data


def _take(record: RainRecord, station: str, day: str, tenths: str, flags: tuple[str, str]) -> None:
    """Take a day in unless it is missing or doubted. Raises ValueError where the line cannot be meant so."""
    if not is_station(station):
        raise ValueError(station)
    if record.station not in ("", station):
        raise ReadError(f"The file holds several stations ({record.station}, {station}). Send one station's file.")
    record.station = station
    if not tenths.strip() or int(tenths) == _TENTHS_MISSING:
        return
    measured, quality = flags
    if quality.strip() or measured == _PRESUMED_ZERO:
        record.failed_checks += 1
        return
    millimetres = int(tenths) / 10
    if not 0 <= millimetres <= MOST_MM_A_DAY:
        raise ValueError(tenths)
    record.rain_mm[date(int(day[:4]), int(day[4:6]), int(day[6:]))] = millimetres


def _reject(record: RainRecord, number: int, line: str, expected: str) -> None:
    if len(record.rejected) < REJECTED_SHOWN:
        record.rejected.append(Rejected(number, line[:200], expected))


def _read_dly(lines: Iterable[str]) -> RainRecord:
    """A line a month: station 1–11, year 12–15, month 16–17, element 18–21, then 31 times value (5) and three flags."""
    record = RainRecord()
    for number, line in enumerate(lines, start=1):
        if line[17:21] != "PRCP":
            continue
        line = line.ljust(_DLY_LINE)
        for ordinal in range(31):
            at = 21 + 8 * ordinal
            try:
                _take(
                    record,
                    line[:11],
                    f"{line[11:17]}{ordinal + 1:02}",
                    line[at : at + 5],
                    (line[at + 5], line[at + 6]),
                )
            except ValueError:
                _reject(
                    record, number, line, f"day {ordinal + 1} of the month is no rainfall in tenths of a millimetre"
                )
                break
    return record


def _read_by_station(lines: Iterable[str]) -> RainRecord:
    """A line a day and element: station, day, element, value, measurement, quality and source flag, time; no header."""
    record = RainRecord()
    for number, line in enumerate(lines, start=1):
        cells = [cell.strip(' "') for cell in line.split(",")]
        if len(cells) < _BY_STATION_CELLS - 1 or cells[2] != "PRCP":
            if line.strip() and len(cells) < _BY_STATION_CELLS - 1:
                _reject(record, number, line, "not the eight cells of a station's line")
            continue
        try:
            _take(
                record,
                cells[0],
                cells[1],
                cells[3],
                (cells[4], cells[5]),
            )
        except ValueError:
            _reject(record, number, line, "not a day such as 20260531 and rain in tenths of a millimetre")
    return record


def _read_by_name(lines: list[str]) -> RainRecord:
    """A line a day under a header; ``PRCP_ATTRIBUTES`` holds measurement, quality, source flag, with commas between."""
    record = RainRecord()
    rows = csv.DictReader(lines)
    if "PRCP" not in (rows.fieldnames or ()):
        raise ReadError("This station's file has no column PRCP. Choose a station that measures precipitation.")
    for row in rows:
        flags = [*(row.get("PRCP_ATTRIBUTES") or "").split(","), "", ""]
        try:
            _take(
                record,
                (row["STATION"] or "").strip(),
                (row["DATE"] or "").strip().replace("-", ""),
                row["PRCP"] or "",
                (flags[0], flags[1]),
            )
            if record.latitude is None and row.get("LATITUDE") and row.get("LONGITUDE"):
                record.latitude, record.longitude = float(row["LATITUDE"]), float(row["LONGITUDE"])
                record.name = (row.get("NAME") or "").strip()
        except ValueError:
            _reject(record, rows.line_num, ",".join(str(cell) for cell in row.values()), _BY_NAME_EXPECTED)
    return record
