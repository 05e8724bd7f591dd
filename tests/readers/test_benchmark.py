"""Rows per second and peak memory of the readers, beside pandas on the same file in the same run."""

from __future__ import annotations

import io
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from portal.readers import Mapping
from tests.readers.dialects import Dialect, guess_file, local_index, read_file, save, truth, variant, write
from tests.readers.test_espi import feed, reading_type, usage_point
from tests.readers.test_nem12 import nem12, wrap

pytestmark = pytest.mark.benchmark

_PEAK = """
import re, sys
from datetime import UTC, datetime
from pathlib import Path
from portal.readers import Mapping, read
path, tz, mapping = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
def peak():
    return int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) // 1024
before = peak()
read(path, filename=path.name, tz=tz, now=datetime(2026, 11, 25, tzinfo=UTC),
     mapping=Mapping.from_json(mapping) if mapping else None)
print(before, peak())
"""


# Processor time, not the clock's: the machine that runs this has other work.
def best_of(times: int, action: Callable[[], object]) -> float:
    found = []
    for _ in range(times):
        start = time.process_time()
        action()
        found.append(time.process_time() - start)
    return min(found)


def peak_mb(path: Path, tz: str, mapping: Mapping | None) -> tuple[int, int]:
    text = mapping.to_json() if mapping else ""
    done = subprocess.run(
        [sys.executable, "-c", _PEAK, str(path), tz, text], check=True, capture_output=True, text=True
    )
    before, after = done.stdout.split()
    return int(before), int(after)


def _nem12() -> bytes:
    return wrap(nem12(truth(date(2024, 1, 1), 365, "Etc/GMT-10", 5)))


def _espi() -> bytes:
    return feed(usage_point(1, "Roof", truth(date(2024, 1, 1), 365, "America/Los_Angeles", 15), reading_type()))


def _xlsx() -> bytes:
    energy = truth(date(2024, 1, 1), 365, "Europe/Berlin", 15)
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("A")
    sheet.append(["Time", "PV energy [Wh]"])
    for at, value in zip(local_index(energy, "Europe/Berlin"), energy, strict=True):
        sheet.append([at.to_pydatetime().replace(tzinfo=None), int(value)])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "make", "tz"),
    [
        ("nem12.csv", _nem12, "Australia/Brisbane"),
        ("espi.xml", _espi, "America/Los_Angeles"),
        ("year.xlsx", _xlsx, "Europe/Berlin"),
    ],
)
def test_readings_per_second_of_the_other_formats(
    tmp_path: Path, name: str, make: Callable[[], bytes], tz: str
) -> None:
    path = save(tmp_path, make(), name)
    mapping = guess_file(path, tz).mapping.answered("export", "all")
    count = read_file(path, tz, mapping).rows_read
    taken = best_of(3, lambda: read_file(path, tz, mapping))
    before, peak = peak_mb(path, tz, mapping)
    print(
        f"\n{name}, {path.stat().st_size / 1e6:.1f} MB, {count:,} readings: {taken:.3f} s, {count / taken:,.0f} "
        "a second, "
        f"peak memory {peak} MB ({before} MB after the imports)"
    )


@pytest.mark.parametrize(
    ("name", "dialect", "days"),
    [
        ("5 years of 15 minutes", variant(stamp="%d/%m/%Y %H:%M"), 5 * 365),
        ("1 year of 5 minutes", variant(stamp="%d/%m/%Y %H:%M", minutes=5), 365),
    ],
)
def test_rows_per_second_beside_pandas(tmp_path: Path, name: str, dialect: Dialect, days: int) -> None:
    energy = truth(date(2019, 1, 1), days, dialect.tz, dialect.minutes)
    path = save(tmp_path, write(dialect, energy))
    rows = len(energy)
    column = "Timestamp"

    def by_pandas() -> object:
        frame = pd.read_csv(path)
        return pd.to_datetime(frame[column], format="%d/%m/%Y %H:%M")

    mapping = read_file(path, dialect.tz).mapping
    alone = best_of(5, by_pandas)
    guessed = best_of(5, lambda: read_file(path, dialect.tz))
    mapped = best_of(5, lambda: read_file(path, dialect.tz, mapping))
    before, peak = peak_mb(path, dialect.tz, mapping)
    _, peak_guessed = peak_mb(path, dialect.tz, None)
    print(
        f"\n{name}: {rows:,} rows, {path.stat().st_size / 1e6:.1f} MB"
        f"\n  pandas alone, format given   {alone:.3f} s"
        f"\n  read with its mapping        {mapped:.3f} s = {mapped / alone:.2f} x, {rows / mapped:,.0f} rows/s"
        f"\n  read with the mapping guessed {guessed:.3f} s = {guessed / alone:.2f} x, {rows / guessed:,.0f} rows/s"
        f"\n  peak memory {peak} MB with a mapping, {peak_guessed} MB guessed ({before} MB after the imports)"
    )
