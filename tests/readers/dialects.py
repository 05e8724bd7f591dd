"""Known readings, and a writer that puts them down in any dialect."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from portal.readers import Guess, Mapping, Question, ReadResult, guess, read

NOW = datetime(2026, 11, 25, tzinfo=UTC)


def truth(first: date, days: int, tz: str, minutes: int, seed: int = 1) -> pd.Series[int]:
    """Return whole-Wh energies of an invented 5 kW roof: a half sine of daylight, a factor a day, some cloud.

    Indexed by UTC interval starts from local midnight to local midnight.
    """
    zone = ZoneInfo(tz)
    start = datetime(first.year, first.month, first.day, tzinfo=zone)
    last = first + timedelta(days=days)
    end = datetime(last.year, last.month, last.day, tzinfo=zone)
    index = pd.date_range(start, end, freq=f"{minutes}min", inclusive="left").tz_convert("UTC")
    # The sun keeps to standard time: its noon here is 12:20, whatever the wall clock says.
    january = datetime(first.year, 1, 15, tzinfo=zone).utcoffset()
    july = datetime(first.year, 7, 15, tzinfo=zone).utcoffset()
    assert january is not None
    assert july is not None
    solar = index.tz_localize(None) + min(january, july) + pd.Timedelta(minutes=minutes / 2)
    hour = solar.hour + solar.minute / 60
    shape = np.clip(np.sin((hour - 5.8) / 13 * math.pi), 0, None) * ((hour > 5.8) & (hour < 18.8))
    random = np.random.default_rng(seed)
    day = (solar.normalize() - solar[0].normalize()).days
    clear = random.uniform(0.55, 1.0, int(day.max()) + 1)[day]
    cloud = random.uniform(0.8, 1.0, len(index))
    energy = np.round(5000 * minutes / 60 * shape * clear * cloud).astype(int)
    return pd.Series(energy, index=index)


@dataclass(frozen=True)
class Dialect:
    """One way to write a file."""

    tz: str = "Europe/Berlin"
    minutes: int = 15
    clock: str = "wall"
    label: str = "start"
    delimiter: str = ","
    decimal: str = "."
    thousands: str = ""
    encoding: str = "utf-8"
    newline: str = "\n"
    quote_all: bool = False
    stamp: str = "%Y-%m-%d %H:%M"
    time: str = ""
    """Format of a time column of its own; "" for one column."""
    kind: str = "energy"
    unit: str = "kWh"
    header: bool = True
    units_row: bool = False
    preamble: int = 0
    footer: bool = False
    extra: bool = False
    layout: str = "tall"
    descending: bool = False
    blank_nights: bool = False
    midnight24: bool = False

    @property
    def answers(self) -> dict[str, str]:
        order = "ymd" if self.stamp.startswith(("%Y", "%s")) else "dmy" if self.stamp.startswith("%d") else "mdy"
        return {
            "date_order": order,
            "label": self.label,
            "clock": self.clock,
            "hours": self.clock,
            "kind": self.kind,
            "unit": self.unit,
            "decimal": self.decimal,
            "night": "accept",
        }


_FACTOR = {"Wh": 1, "kWh": 1000, "MWh": 1_000_000, "W": 1, "kW": 1000}
_PLACES = {"Wh": 0, "kWh": 3, "MWh": 6, "W": 0, "kW": 3}


def figure(value: int, dialect: Dialect) -> str:
    """Write a figure of whole Wh or W in the dialect's unit."""
    text = f"{value / _FACTOR[dialect.unit]:,.{_PLACES[dialect.unit]}f}"
    whole, _, part = text.partition(".")
    whole = whole.replace(",", dialect.thousands)
    return whole + (dialect.decimal + part if part else "")


def stamp_text(moment: datetime, form: str) -> str:
    if form == "%s":
        return str(int(moment.timestamp()))
    if form.endswith("%I:%M %p"):
        return moment.strftime(form)
    return moment.strftime(form)


def on_clock(dialect: Dialect, at: datetime) -> datetime:
    """Return what the dialect's clock shows at an instant."""
    zone = ZoneInfo(dialect.tz)
    if dialect.clock == "utc" or dialect.stamp == "%s":
        return at
    if dialect.clock == "winter":
        offsets = [datetime(at.year, month, 1, tzinfo=zone).utcoffset() for month in (1, 7)]
        return (at + min(offset for offset in offsets if offset is not None)).replace(tzinfo=None)
    return at.astimezone(zone)


def write(dialect: Dialect, energy: pd.Series[int]) -> bytes:
    """Return the bytes of a file with the readings in the dialect."""
    starts = [at.to_pydatetime() for at in energy.index]
    step = timedelta(minutes=dialect.minutes)
    values = [int(v) for v in energy]
    if dialect.kind == "register":
        moments = [*starts, starts[-1] + step]
        values = [int(v) for v in np.concatenate(([0], np.cumsum(values))) + 12_345_678]
    else:
        moments = [at + step if dialect.label == "end" else at for at in starts]
        if dialect.kind == "power":
            values = [v * 60 // dialect.minutes for v in values]

    if dialect.layout == "wide":
        rows = _wide_rows(dialect, [on_clock(dialect, at) for at in starts], values)
    else:
        rows = _long_rows(dialect, [on_clock(dialect, moment) for moment in moments], values)
    if dialect.footer:
        rows.append(["Total", *[""] * (len(rows[-1]) - 2), figure(int(energy.sum()), dialect)])
    lead = [["Report of the plant"], [], ["Owner", "A. Nyone"], ["Printed", "quite recently"]][: dialect.preamble]
    out = io.StringIO()
    writer = csv.writer(
        out,
        delimiter=dialect.delimiter,
        lineterminator=dialect.newline,
        quoting=csv.QUOTE_ALL if dialect.quote_all else csv.QUOTE_MINIMAL,
    )
    writer.writerows([*lead, *rows])
    return out.getvalue().encode(dialect.encoding)


def _header(dialect: Dialect) -> list[str]:
    unit = "" if dialect.units_row else f" [{dialect.unit}]"
    word = {"energy": "PV energy", "power": "PV power", "register": "PV meter reading"}[dialect.kind]
    stamp = "Date" if dialect.time else "Timestamp"
    if dialect.clock == "utc":
        stamp += " (UTC)"
    cells = [stamp, *(["Time"] if dialect.time else []), word + unit]
    return [*cells, *(["Temperature", "Status"] if dialect.extra else [])]


def _long_rows(dialect: Dialect, moments: list[datetime], values: list[int]) -> list[list[str]]:
    rows: list[list[str]] = []
    for at, value in zip(moments, values, strict=True):
        cells = [stamp_text(at, dialect.stamp)]
        if dialect.time:
            cells.append(stamp_text(at, dialect.time))
        if dialect.midnight24 and at.hour == at.minute == 0 and dialect.label == "end":
            before = at - timedelta(days=1)
            cells = [stamp_text(before, re.split("[ T]%H", dialect.stamp)[0])]
            cells = [cells[0] + " 24:00"] if not dialect.time else [stamp_text(before, dialect.stamp), "24:00"]
        blank = dialect.blank_nights and value == 0 and dialect.kind != "register"
        cells.append("" if blank else figure(value, dialect))
        if dialect.extra:
            cells += [f"{20 + value % 7}", "OK"]
        rows.append(cells)
    if dialect.descending:
        rows.reverse()
    if dialect.header:
        rows.insert(0, _header(dialect))
        if dialect.units_row:
            rows.insert(1, ["", *([""] if dialect.time else []), dialect.unit, *(["°C", ""] if dialect.extra else [])])
    return rows


def _wide_rows(dialect: Dialect, moments: list[datetime], values: list[int]) -> list[list[str]]:
    per_day = 1440 // dialect.minutes
    names = [f"{k * dialect.minutes // 60:02d}:{k * dialect.minutes % 60:02d}" for k in range(per_day)]
    days: dict[date, dict[str, list[str]]] = {}
    for at, value in zip(moments, values, strict=True):
        days.setdefault(at.date(), {}).setdefault(f"{at:%H:%M}", []).append(figure(value, dialect))
    doubled = [name for name in names if any(len(cells.get(name, [])) > 1 for cells in days.values())]
    # The doubled hour follows the first one, as a clock put back shows it.
    order: list[tuple[str, int]] = [(name, 0) for name in names]
    if doubled:
        after = order.index((doubled[-1], 0)) + 1
        order[after:after] = [(name, 1) for name in doubled]
    rows = [["Date [" + dialect.unit + "]", *[name for name, _ in order]]]
    for day, cells in days.items():
        texts = [cells.get(name, [])[again : again + 1] for name, again in order]
        rows.append([day.strftime(dialect.stamp), *[text[0] if text else "" for text in texts]])
    return rows


def local_index(energy: pd.Series[int], tz: str) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(energy.index).tz_convert(tz)


def save(folder: Path, content: bytes, name: str = "export.csv") -> Path:
    path = folder / name
    path.write_bytes(content)
    return path


def guess_file(path: Path, tz: str) -> Guess:
    return guess(path, filename=path.name, tz=tz, now=NOW)


def read_file(path: Path, tz: str, mapping: Mapping | None = None) -> ReadResult:
    return read(path, filename=path.name, tz=tz, now=NOW, mapping=mapping)


def read_answered(path: Path, dialect: Dialect) -> ReadResult:
    """Read a file after answering whatever is asked with what is known of the dialect."""
    first = guess_file(path, dialect.tz)
    mapping = first.mapping
    if mapping.clock.kind != "offset" and dialect.stamp != "%s":
        mapping = mapping.answered("clock", dialect.clock)
    mapping = mapping.answered("label", dialect.label)
    for question in first.questions:
        mapping = mapping.answered(question.code, _answer(question, dialect))
    for _ in range(3):  # an answer may lead to another question
        questions = guess(path, filename=path.name, tz=dialect.tz, now=NOW, mapping=mapping).questions
        if not questions:
            break
        for question in (*questions, *first.questions):
            mapping = mapping.answered(question.code, _answer(question, dialect))
    return read_file(path, dialect.tz, mapping)


def _answer(question: Question, dialect: Dialect) -> str:
    if question.code == "columns":
        return json.dumps([f"column {3 if dialect.time else 2}"])
    answer = dialect.answers[question.code]
    return answer if answer in {choice.value for choice in question.choices} else "accept"


def assert_same(result: ReadResult, energy: pd.Series[int], minutes: int) -> None:
    """Assert that the readings are the known ones, interval by interval."""
    got = result.readings.energy_wh
    assert result.readings.interval_minutes == minutes
    known = got.dropna()
    assert len(known) == len(energy), f"{len(known)} readings for {len(energy)}"
    assert (known.index == energy.index).all(), f"first {known.index[0]} for {energy.index[0]}"
    off = float(np.abs(known.to_numpy() - energy.to_numpy()).max())
    assert off < 1e-5, f"off by {off} Wh"


BASE = Dialect()


def variant(**changes: object) -> Dialect:
    return replace(BASE, **changes)  # type: ignore[arg-type]


def codes(result: ReadResult) -> set[str]:
    return {notice.code for notice in result.notices}


def lines_of(folder: Path, energy: pd.Series[int], change: Callable[[list[list[str]]], list[list[str]]]) -> Path:
    """Write the plain dialect, with its rows (header first) changed."""
    rows = list(csv.reader(io.StringIO(write(variant(), energy).decode())))
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(change(rows))
    return save(folder, out.getvalue().encode())
