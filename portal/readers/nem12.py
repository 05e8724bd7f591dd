"""NEM12: AEMO's Meter Data File Format, read record by record ("Meter Data File Format Specification NEM12 & NEM13").

All NEM12 times are market time: UTC+10 all year, whatever the state. Directions are the market's: energy out of the
grid is "export" (suffix E, what the customer uses), energy into the grid is "import" (suffix B, what the customer
sends), as the National Metering Identifier Procedure defines them.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence

import numpy as np

from portal.pv.sun import DAY_S
from portal.readers.dates import read_date_parts, split_stamp, to_day_number
from portal.readers.delimited import TextFile, look_over, open_text
from portal.readers.figures import NumberStyle, read_column
from portal.readers.mapping import Unit
from portal.readers.place import file_and_line, place_of
from portal.readers.reading import MAX_READINGS, ReadError
from portal.readers.rejected import BadRecords
from portal.readers.series import MeterSeries
from portal.readers.source import Source

MARKET_OFFSET_S = 10 * 3600
"""Seconds that market time is ahead of UTC, all year, by definition of NEM12."""

_DIRECTIONS = {"E": "consumption", "F": "consumption", "B": "export", "C": "export", "N": "net"}
_UNITS: dict[str, Unit] = {"WH": "Wh", "KWH": "kWh", "MWH": "MWh", "W": "W", "KW": "kW", "MW": "MW"}
_ESTIMATED = {"E", "F", "S"}


def read_series(sources: Sequence[Source], bad: BadRecords) -> list[MeterSeries]:
    """Read NEM12 files.

    Parameters
    ----------
    sources
        The files.
    bad
        Takes the records that break the format.

    Returns
    -------
    list of MeterSeries
        The channels of energy or power, with starts on market time.

    Raises
    ------
    ReadError
        When there is no day of such a channel, or the file is of another kind after all.
    """
    channels = _Channels(bad)
    for number, source in enumerate(sources):
        file = TextFile(source.name, source.open_bytes, look_over(source.open_bytes, source.name))
        with open_text(file) as stream:
            reader = csv.reader(stream)
            while True:
                try:
                    row = next(reader, None)
                except csv.Error as error:
                    raise ReadError(
                        f"{source.name}, line {reader.line_num}: the line cannot be taken apart."
                    ) from error
                if row is None:
                    break
                channels.take(row, place_of(number, reader.line_num), source.name)
        channels.close()
    kept = [series for series in channels.found.values() if series.start_s]
    if not kept:
        if channels.found and bad.reasons:
            raise ReadError(
                f"No day of {sources[0].name} can be taken in; {len(bad.reasons):,} were rejected, the first because "
                f"{bad.reasons[0][1]}. Ask for the file once more."
            )
        has = f" Its channels are {', '.join(sorted(channels.unused)[:5])}." if channels.unused else ""
        raise ReadError(
            f"{sources[0].name} is a NEM12 file without a day of energy readings.{has} Ask for the energy channels."
        )
    return kept


class _Channels:
    """The channels met so far, and the one and the day that are open."""

    def __init__(self, bad: BadRecords) -> None:
        self.bad = bad
        self.found: dict[str, MeterSeries] = {}
        self.unused: set[str] = set()
        self.readings = 0
        self.close()

    def close(self) -> None:
        """Forget the open channel at the end of a file."""
        self.open = False
        self.series: MeterSeries | None = None
        self.step_s = 0
        self.day: int | None = None
        """Where the open day's readings begin in the series."""
        self.figures = np.zeros(0)
        """Its figures, whatever their quality."""

    def take(self, row: list[str], place: int, file: str) -> None:
        record = row[0].strip().lstrip("\ufeff") if row else ""
        if record in ("200", "300", "900"):
            self.day = None
        if record == "200":
            self._take_channel(row, place, file)
        elif record == "300":
            self._take_day(row, place, file)
        elif record == "400" and self.day is not None:
            self._take_qualities(row, place)
        elif record == "250":
            raise ReadError(
                f"{file}, line {file_and_line(place)[1]}, holds NEM13 records: readings of a register months apart. "
                "Dirt cannot be seen in those. Ask for interval data (NEM12)."
            )

    def _take_channel(self, row: list[str], place: int, file: str) -> None:
        self.open, self.series = False, None
        try:
            unit = _UNITS.get(row[7].strip().upper())
            self.step_s = int(row[8]) * 60
            suffix = row[4].strip()
        except (IndexError, ValueError):
            self._set_aside(row, place, "the record of a channel (200) is incomplete")
            return
        if unit is None:
            self.open = True
            self.unused.add(f"{suffix} in {row[7].strip()[:12]}")
            return
        if not 0 < self.step_s <= 3600 or DAY_S % self.step_s:
            self._set_aside(row, place, f"an interval of {row[8]} minutes does not divide a day")
            return
        self.open = True
        name = f"{row[1].strip()} {suffix}"
        # A meter that went from 30 to 5 minutes is one meter.
        direction = _DIRECTIONS.get(suffix[:1].upper(), "")
        self.series = self.found.setdefault(name, MeterSeries(name, direction, unit, False))
        if self.series.unit != unit:
            raise ReadError(f"{file}: the channel {name} changes its unit inside the file.")

    def _take_day(self, row: list[str], place: int, file: str) -> None:
        if not self.open:
            self._set_aside(row, place, "a day of readings (300) without its channel (200) before it")
            return
        series = self.series
        if series is None:
            return
        per_day = DAY_S // self.step_s
        self.readings += per_day
        if self.readings > MAX_READINGS:
            raise ReadError(f"{file} has more than {MAX_READINGS:,} readings. Send it in parts.")
        cells = [cell.strip() for cell in row[: 3 + per_day]]
        if len(cells) < per_day + 3:
            values = next((at for at, cell in enumerate(cells[2:]) if cell[:1].isalpha()), max(0, len(cells) - 2))
            reason = (
                f"the day has {values} values where {per_day} are due: its channel (200) says intervals of "
                f"{self.step_s // 60} minutes"
            )
            self._set_aside(row, place, reason)
            return
        flag = cells[2 + per_day]
        if flag and not flag[:1].isalpha():
            self._set_aside(row, place, f"the day has more than {per_day} intervals")
            return
        parts = read_date_parts(split_stamp(cells[1])[0])
        day = to_day_number(parts, "ymd") if parts and parts[3] == "ymd" else None
        figures = read_column(cells[2 : 2 + per_day], NumberStyle())
        if day is None or np.isinf(figures).any():
            reason = "the day breaks the format: no date from 1990 to 2099, or a cell that is no number"
            self._set_aside(row, place, reason)
            return
        self.figures, first = figures, len(series.start_s)
        self.day = first
        series.start_s.extend(range(day * DAY_S, (day + 1) * DAY_S, self.step_s))
        series.length_s.extend([self.step_s] * per_day)
        series.figure.extend([math.nan] * per_day if flag[:1] == "N" else figures.tolist())
        series.place.extend([place] * per_day)
        series.quality.extend([flag] * per_day)

    def _take_qualities(self, row: list[str], place: int) -> None:
        """Give the intervals of a 400 record its quality."""
        assert self.day is not None
        assert self.series is not None
        try:
            first, last, flag = int(row[1]), int(row[2]), row[3].strip()
        except (IndexError, ValueError):
            self._set_aside(row, place, "the record of qualities (400) cannot be read")
            return
        for at in range(max(0, first - 1), min(last, len(self.figures))):
            self.series.quality[self.day + at] = flag
            self.series.figure[self.day + at] = math.nan if flag[:1] == "N" else self.figures[at]

    def _set_aside(self, row: list[str], place: int, reason: str) -> None:
        self.bad.set_aside(place, ",".join(row[:12]), reason)


def flag_is_estimate(flag: str) -> bool:
    """Say whether a quality flag marks a figure nobody measured.

    Parameters
    ----------
    flag
        Quality and method of the format, for example "A" or "S14".

    Returns
    -------
    bool
        True for substituted, estimated and final substituted figures.

    Examples
    --------
    >>> flag_is_estimate("S14"), flag_is_estimate("A")
    (True, False)
    """
    return flag[:1] in _ESTIMATED
