"""NEM12: AEMO's Meter Data File Format, read record by record with aemo-mdff-reader.

All NEM12 times are market time: UTC+10 all year, whatever the state. Directions are the market's: energy out of the
grid is "export" (suffix E, what the customer uses), energy into the grid is "import" (suffix B, what the customer
sends), as the National Metering Identifier Procedure defines them.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from datetime import UTC, datetime

from aemo_mdff_reader import NEM12ParseError, parse_events, parse_to_columns

from portal.readers.delimited import TextFile, look_over, open_text
from portal.readers.mapping import Unit
from portal.readers.reading import MAX_READINGS, ReadError
from portal.readers.rejected import MAX_BAD
from portal.readers.series import MeterSeries
from portal.readers.source import Source

MARKET_OFFSET_S = 10 * 3600

_DIRECTIONS = {"E": "consumption", "F": "consumption", "B": "export", "C": "export", "N": "net"}
_UNITS: dict[str, Unit] = {"WH": "Wh", "KWH": "kWh", "MWH": "MWh", "W": "W", "KW": "kW", "MW": "MW"}
_ESTIMATED = {"E", "F", "S"}


def read_series(sources: Sequence[Source], bad: list[tuple[int, str]], bad_text: dict[int, str]) -> list[MeterSeries]:
    """Read NEM12 files, with starts on market time; a record that breaks the format is set aside with its line."""
    found: dict[str, MeterSeries] = {}
    count = 0
    unused: set[str] = set()
    for number, source in enumerate(sources):
        file = TextFile(source.name, source.open_bytes, look_over(source.open_bytes, source.name))
        base = number << 32
        channel: list[str] | None = None
        series: MeterSeries | None = None
        step = 0
        day: _Day | None = None
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
                line = base + reader.line_num
                record = row[0].strip().lstrip("\ufeff") if row else ""
                if record in ("300", "900", "200") and day is not None and series is not None:
                    day.put(series)
                    day = None
                if record == "200":
                    channel, series = row, None
                    try:
                        unit = _UNITS.get(row[7].strip().upper())
                        step = int(row[8]) * 60
                        suffix = row[4].strip()
                    except (IndexError, ValueError):
                        _set_aside(bad, bad_text, line, row, "the record of a channel (200) is incomplete")
                        channel = None
                        continue
                    if unit is None:
                        unused.add(f"{suffix} in {row[7].strip()[:12]}")
                        continue
                    if not 0 < step <= 3600 or 86_400 % step:
                        _set_aside(bad, bad_text, line, row, f"an interval of {row[8]} minutes does not divide a day")
                        channel = None
                        continue
                    name = f"{row[1].strip()} {suffix}"
                    direction = _DIRECTIONS.get(suffix[:1].upper(), "")
                    # A meter that went from 30 to 5 minutes is one meter.
                    series = found.setdefault(name, MeterSeries(name, direction, unit, False))
                    if series.unit != unit:
                        raise ReadError(f"{source.name}: the channel {name} changes its unit inside the file.")
                elif record == "300":
                    if channel is None:
                        _set_aside(
                            bad, bad_text, line, row, "a day of readings (300) without its channel (200) before it"
                        )
                        continue
                    if series is None:
                        continue
                    count += 86_400 // step
                    if count > MAX_READINGS:
                        raise ReadError(f"{source.name} has more than {MAX_READINGS:,} readings. Send it in parts.")
                    day = _read_day(channel, row, step, line, bad, bad_text)
                elif record == "400" and day is not None:
                    day.apply(row, bad, bad_text, line)
                elif record == "250":
                    raise ReadError(
                        f"{source.name}, line {reader.line_num}, holds NEM13 records: readings of a register "
                        "months apart. "
                        "Dirt cannot be seen in those. Ask for interval data (NEM12)."
                    )
        if day is not None and series is not None:
            day.put(series)
    kept = [series for series in found.values() if series.start_s]
    if not kept:
        has = f" Its channels are {', '.join(sorted(unused)[:5])}." if unused else ""
        raise ReadError(
            f"{sources[0].name} is a NEM12 file without a day of energy readings.{has} Ask for the energy channels."
        )
    return kept


class _Day:
    """One 300 record: a day of one channel."""

    def __init__(
        self, start_s: int, step: int, values: list[float], flag: str, line: int, head: list[list[str]]
    ) -> None:
        self.start_s, self.step, self.values, self.line, self.head = start_s, step, values, line, head
        self.flags = [flag] * len(values)

    def apply(self, row: list[str], bad: list[tuple[int, str]], bad_text: dict[int, str], line: int) -> None:
        """Give the intervals of a 400 record its quality."""
        try:
            for event in parse_events([*self.head, row]):
                for at in range(event.start_interval - 1, min(event.end_interval, len(self.flags))):
                    if at >= 0:
                        self.flags[at] = event.quality_method
        except (NEM12ParseError, ValueError, IndexError):
            _set_aside(bad, bad_text, line, row, "the record of qualities (400) cannot be read")

    def put(self, series: MeterSeries) -> None:
        for at, (value, flag) in enumerate(zip(self.values, self.flags, strict=True)):
            series.start_s.append(self.start_s + at * self.step)
            series.length_s.append(self.step)
            series.figure.append(math.nan if flag[:1] == "N" else value)
            series.line.append(self.line)
            series.quality.append(flag)


def _read_day(
    channel: list[str], row: list[str], step: int, line: int, bad: list[tuple[int, str]], bad_text: dict[int, str]
) -> _Day | None:
    per_day = 86_400 // step
    cells = [cell.strip() for cell in row]
    if len(cells) < per_day + 3:
        _set_aside(
            bad,
            bad_text,
            line,
            row,
            f"the day has {max(0, len(cells) - 2)} fields, too few for {per_day} intervals and their quality",
        )
        return None
    if cells[2 + per_day] and not cells[2 + per_day][:1].isalpha():
        _set_aside(bad, bad_text, line, row, f"the day has more than {per_day} intervals")
        return None
    try:
        columns = parse_to_columns([channel, cells[: 3 + per_day]])
        day = columns["IntervalDate"][0]
        start = datetime(day.year, day.month, day.day, tzinfo=UTC)
        values = [float(value) for value in columns["Value"]]
    except (NEM12ParseError, ValueError, IndexError, KeyError, OverflowError) as error:
        _set_aside(bad, bad_text, line, row, f"the day breaks the format: {str(error)[:120]}")
        return None
    if not 1990 <= start.year < 2100 or any(math.isinf(value) for value in values):
        _set_aside(bad, bad_text, line, row, "the date lies outside 1990 to 2099, or a figure is impossible")
        return None
    # The library reads a blank cell as zero; here it stays blank.
    values = [value if cell else math.nan for value, cell in zip(values, cells[2 : 2 + per_day], strict=True)]
    head = [channel, cells[: 3 + per_day]]
    return _Day(int(start.timestamp()), step, values, cells[2 + per_day], line, head)


def _set_aside(bad: list[tuple[int, str]], bad_text: dict[int, str], line: int, row: list[str], reason: str) -> None:
    bad.append((line, reason))
    if len(bad) > MAX_BAD:
        raise ReadError(f"More than {MAX_BAD:,} records break the NEM12 format. Ask for the file again.")
    if len(bad_text) < 2_000:
        bad_text.setdefault(line, ",".join(row[:12])[:200])


def is_estimate(flag: str) -> bool:
    """Say whether a quality flag marks a figure nobody measured: substituted, estimated, or final substituted."""
    return flag[:1] in _ESTIMATED
