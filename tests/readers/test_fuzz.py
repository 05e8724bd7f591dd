"""Damaged and invented files: each reader ends with readings or with a sentence, never with anything else.

What this and the random dialects have found so far, each mended since: a search for the first line of readings that
could run out (StopIteration); a broken namespace prefix in XML (ValueError from lxml); a damaged member of a zip
(zlib.error) and a damaged directory of one (IndexError from zipfile); a wide table with a single reading (division by
zero); the year 0001 read as 2001; a row of units that made all stamps of its chunk unreadable; a file without a header
whose lines were all rejected when a title stood above them; an interval length that doubled when every other cell was
no number; a lone "24:00" written in another form than the stamps around it; the unit guessed from another column than
the one chosen afterwards; quadratic time on cells of blanks; figures near 1e308 that became infinite, or overflowed a
sum, before they were rejected; a row of units longer than the header; a file in a zip that has no name.
"""

from __future__ import annotations

import io
import os
import warnings
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from portal.readers import ReadError, guess, read
from tests.readers.dialects import NOW, local_index, truth, variant, write
from tests.readers.test_espi import feed, reading_type, usage_point
from tests.readers.test_nem12 import nem12, wrap
from tests.readers.test_property import BOUNDED
from tests.readers.test_sheet import biff2

TIMES = int(os.environ.get("FUZZ_TIMES", "1"))
"""A long run makes so many times the files of a short one."""
TZ = "Europe/Berlin"
ENERGY = truth(date(2024, 3, 29), 4, TZ, 60)


def text() -> bytes:
    return write(variant(minutes=60, preamble=2, units_row=True, footer=True, extra=True, delimiter=";"), ENERGY)


def wide() -> bytes:
    return write(variant(minutes=60, layout="wide", stamp="%d.%m.%Y"), ENERGY)


def register() -> bytes:
    return write(variant(minutes=60, kind="register", decimal=",", thousands=".", delimiter=";"), ENERGY)


def xlsx() -> bytes:
    book = openpyxl.Workbook()
    for at, value in zip(local_index(ENERGY, TZ), ENERGY, strict=True):
        book.active.append([at.to_pydatetime().replace(tzinfo=None), int(value)])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def ods() -> bytes:
    cells = "".join(
        f'<table:table-row><table:table-cell office:value-type="date" office:date-value="{at:%Y-%m-%dT%H:%M:%S}"/>'
        f'<table:table-cell office:value-type="float" office:value="{value}"/></table:table-row>'
        for at, value in zip(local_index(ENERGY, TZ), ENERGY, strict=True)
    )
    content = (
        '<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"'
        ' xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0">'
        f'<table:table table:name="A">{cells}</table:table>'
        "</office:document-content>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("content.xml", content)
    return out.getvalue()


def xls() -> bytes:
    rows: list[list[object]] = [["Time", "PV energy [Wh]"]]
    rows += [[f"{at:%d.%m.%Y %H:%M}", int(value)] for at, value in zip(local_index(ENERGY, TZ), ENERGY, strict=True)]
    return biff2(rows)


def espi() -> bytes:
    return feed(usage_point(1, "Roof", ENERGY, reading_type(interval=3600), seconds=3600))


def market() -> bytes:
    return wrap(nem12(truth(date(2024, 3, 29), 4, "Etc/GMT-10", 30), minutes=30))


def zipped() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.csv", text())
        archive.writestr("b.csv", text())
    return out.getvalue()


MAKERS: dict[str, Callable[[], bytes]] = {
    maker.__name__: maker for maker in (text, wide, register, xlsx, ods, xls, espi, market, zipped)
}
_SPLICES = [
    b"\n",
    b"\0",
    b",",
    b";",
    b'"',
    b"<",
    b"&",
    b"1e308",
    b"-",
    b"24:00",
    b"29.02.2023",
    b"9999",
    b"\xff\xfe",
    b"=1+1",
]


def damage(content: bytes, seed: int, cuts: int) -> bytes:
    """Flip, splice, repeat and cut pieces of a file."""
    random = np.random.default_rng(seed)
    data = bytearray(content)
    for _ in range(cuts):
        at = int(random.integers(0, max(1, len(data))))
        size = int(random.integers(1, 40))
        match int(random.integers(0, 5)):
            case 0:
                data[at : at + size] = random.bytes(size)
            case 1:
                del data[at : at + size]
            case 2:
                data[at:at] = _SPLICES[int(random.integers(0, len(_SPLICES)))]
            case 3:
                data[at:at] = data[at : at + size * 10]
            case _:
                if random.random() < 0.1:
                    del data[at:]
    return bytes(data)


def taken(content: bytes, name: str = "a.csv") -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        said = ""
        try:
            seen = guess(path, filename=name, tz=TZ, now=NOW)
            result = read(path, filename=name, tz=TZ, now=NOW, mapping=seen.mapping)
        except ReadError as error:
            said = str(error)
        if said:
            assert said[-1] in ".?"
            return
        energy = result.readings.energy_wh
        assert not np.isinf(energy.to_numpy()).any()
        assert not (energy < 0).any()
        assert energy.index.is_monotonic_increasing
        assert energy.index.is_unique
        assert result.rejected_count >= len(result.rejected)


@pytest.mark.parametrize("name", MAKERS)
def test_a_damaged_file_ends_with_readings_or_a_sentence(name: str) -> None:
    content = MAKERS[name]()

    @settings(BOUNDED, max_examples=25 * TIMES)
    @given(seed=st.integers(0, 2**32), cuts=st.integers(1, 12))
    def run(seed: int, cuts: int) -> None:
        # openpyxl and xlrd warn about odd workbooks; a customer's odd workbook is no fault of the program.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)
            taken(damage(content, seed, cuts))

    run()


CELLS = st.one_of(
    st.sampled_from(
        ["2024-05-02 12:00", "02/05/2024", "12:15", "24:00", "1714600000", "45292.5", "1,234", "1.234,5", "-1"]
    ),
    st.sampled_from(
        ["", "NaN", "1e400", "Total", "kWh", "W", "=A1", "PV energy [kWh]", "Timestamp", "Meter", "12:00 AM +02:00"]
    ),
    st.text(max_size=12),
    st.floats().map(str),
    st.dates(date(1850, 1, 1), date(2600, 1, 1)).map(str),
)


@settings(BOUNDED, max_examples=60 * TIMES)
@given(
    rows=st.lists(st.lists(CELLS, max_size=6), max_size=25),
    delimiter=st.sampled_from([",", ";", "\t", " "]),
    encoding=st.sampled_from(["utf-8", "utf-16", "utf-8-sig"]),
)
def test_an_invented_table_ends_with_readings_or_a_sentence(
    rows: list[list[str]], delimiter: str, encoding: str
) -> None:
    taken("\n".join(delimiter.join(row) for row in rows).encode(encoding, errors="replace"))


@settings(BOUNDED, max_examples=60 * TIMES)
@given(st.binary(max_size=400))
def test_any_bytes_end_with_a_sentence(content: bytes) -> None:
    taken(content)
