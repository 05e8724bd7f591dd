"""Files that cannot be taken in, or not without an answer: what is said names the cell or line, says what was expected
there and what to do next, and a Spanish customer reads all of it in Spanish."""

from __future__ import annotations

import io
import math
import re
import zipfile
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import openpyxl
import pytest
from django.utils import translation
from PIL import Image

from portal.readers import ReadError, read
from portal.readers.reading import UndecidedError
from portal.words.kept import in_their_words
from tests.readers.dialects import truth
from tests.readers.test_espi import feed, reading_type, usage_point

NOW = datetime(2026, 6, 15, 18, tzinfo=UTC)
TZ = "Europe/Madrid"
ENGLISH = re.compile(r"\b(the|and|of|is|are|was|were|with|send|export|file|line|sheet|not|this|which)\b", re.IGNORECASE)
QUOTED = re.compile(r"“[^”]*”|«[^»]*»|^\S+( \S+)*?\.\w{3,4}\b")
"""What a file has in it or is called stays as it stands there."""


def hours(first: str = "2026-05-01", days: int = 5, stamp: str = "%Y-%m-%d %H:%M") -> list[tuple[str, float]]:
    begin = datetime.fromisoformat(first)
    moments = [begin + timedelta(hours=n) for n in range(days * 24)]
    return [(f"{at:{stamp}}", round(max(0.0, math.sin((at.hour - 6) / 12 * math.pi)) * 4, 3)) for at in moments]


def table(rows: list[tuple[str, float]], head: str = "Time,PV energy (kWh)") -> bytes:
    return "\n".join([head, *(f"{at},{figure}" for at, figure in rows)]).encode()


def cells(figure: str, head: str = "Time,PV energy (kWh)") -> bytes:
    return "\n".join([head, *(f"{at},{figure}" for at, _ in hours())]).encode()


def picture(kind: str) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (20, 20)).save(out, kind)
    return out.getvalue()


def packed(**files: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in files.items():
            archive.writestr(name if "." in name else name.replace("_", "."), content)
    return out.getvalue()


def workbook(*rows: list[str]) -> bytes:
    book, out = openpyxl.Workbook(), io.BytesIO()
    for row in rows:
        book.active.append(row)
    book.save(out)
    return out.getvalue()


def letter() -> bytes:
    return packed(**{"word/document.xml": b"<a/>", "[Content_Types].xml": b"<a/>"})


def gas() -> bytes:
    energy = truth(date(2026, 5, 1), 3, TZ, 60)
    return feed(usage_point(1, "Gas", energy, reading_type(uom=119, interval=3600), seconds=3600), tz_offset=3600)


def wrong_day() -> bytes:
    return b"100,NEM12,202605010000,A,B\n200,1234567890,E1,1,E1,N1,,KWH,30,\n300,20260501,1,2,3\n900\n"


def two_meters() -> bytes:
    rows = [f"{at},{meter},{figure}" for at, figure in hours() for meter in ("A", "B")]
    return "\n".join(["Time,Inverter,PV energy (kWh)", *rows]).encode()


MONTHS = b"Month,kWh\n" + b"\n".join(b"2025-%02d,%d" % (month, 300 + month) for month in range(1, 13))
NUMBERS = b"Number,PV energy (kWh)\n" + b"\n".join(b"%d,%d" % (n, n % 7) for n in range(100))
NO_MONTH = b"Time,PV energy (kWh)\n" + b"\n".join(b"2026-13-%02d 12:00,1" % day for day in range(1, 28))
CUSTOMERS = b"name,phone,email\nAna Mora,600111222,ana@homes.example\nLuis Gil,600111333,luis@homes.example\n"
ORDERS = hours("2026-05-13", 2, "%d/%m/%Y %H:%M") + hours("2026-05-15", 2, "%m/%d/%Y %H:%M")
OPEN = hours("2026-05-03", 1, "%d/%m/%Y %H:%M")
ONLY = "no column of energy or power that the panels made, only “{}”"

FILES: dict[str, tuple[Callable[[], bytes], str, str]] = {
    # name: how it is made, what it names and expects, what to do next
    "photo.jpg": (lambda: picture("JPEG"), "photo.jpg is a picture", "Send the readings themselves"),
    "scan.png": (lambda: picture("PNG"), "scan.png is a picture", "as CSV or as a spreadsheet"),
    "readings.csv": (lambda: picture("GIF"), "readings.csv is a picture", "as CSV or as a spreadsheet"),
    "bill.pdf": (lambda: b"%PDF-1.7\n1 0 obj\n", "bill.pdf is a PDF", "export the readings as CSV"),
    "letter.docx": (
        letter,
        "an office document but no spreadsheet",
        "Save the table",
    ),
    "letter.rtf": (lambda: b"{\\rtf1 Dear", "a word processor's document", "Export the readings"),
    "empty.csv": (lambda: b"", "empty.csv is empty", "Export it again"),
    "blank.csv": (lambda: b"\n\n\n", "holds no text", "Export it again"),
    "head.csv": (
        lambda: b"Time,PV energy (kWh)\n",
        "nothing but one line (“Time / PV energy (kWh)”)",
        "Export the readings with",
    ),
    "page.html": (lambda: b"<!DOCTYPE html><html>Log in</html>", "is a web page", "Log in, export the readings again"),
    "words.txt": (lambda: b"Dear customer,\nsee the file.\n", "starts with “Dear customer", "Export the readings with"),
    "empty.zip": (lambda: packed(), "holds no file of readings", "Check what was packed"),
    "photos.zip": (lambda: packed(a_jpg=picture("JPEG")), "a.jpg is a picture", "Send the readings"),
    "mixed.zip": (lambda: packed(a_csv=table(hours()), b_xml=b"<feed/>"), "(a.csv, b.xml)", "Send each kind"),
    "twice.zip": (lambda: packed(a_zip=packed(a_csv=table(hours()))), "another archive, a.zip", "Unpack it"),
    "cut.zip": (lambda: packed(a_csv=table(hours()))[:60], "damaged or incomplete", "export it again"),
    "archive.gz": (lambda: b"\x1f\x8b\x08", "is a gzip archive", "Unpack it"),
    "archive.7z": (lambda: b"7z\xbc\xaf\x27\x1c", "is a 7z archive", "Unpack it"),
    "archive.rar": (lambda: b"Rar!\x1a", "is a RAR archive", "Unpack it"),
    "readings.db": (lambda: b"SQLite format 3\0", "is a database", "Export the readings as CSV"),
    "table.parquet": (lambda: b"PAR1", "is a Parquet file", "Export the readings as CSV"),
    "program.exe": (lambda: b"MZ\x90" + b"\0" * 300, "is a program", "Export the readings as CSV and send that"),
    "bytes.csv": (lambda: bytes(range(256)) * 20, "is not text", "Send the export as CSV"),
    "monthly.csv": (lambda: MONTHS, "(“2025-01”, “2025-02”)", "Export daily totals"),
    "yearly.csv": (lambda: b"Year,kWh\n2020,4000\n2021,4100\n", "(“2020”, “2021”)", "Export daily totals"),
    "future.csv": (
        lambda: table(hours("2031-05-01")),
        "ahead of today, 15 June 2026",
        "Check the order of day and month",
    ),
    "old.csv": (lambda: table(hours("1971-05-01")), "line 2: “1971-05-01 00:00” is no date from 1990", "Export the"),
    "month.csv": (lambda: NO_MONTH, "line 2: “2026-13-01 12:00” is no date", "Export the readings with"),
    "times.csv": (
        lambda: table(hours(stamp="%H:%M")),
        "line 2: “00:00” is a time without a day",
        "a date on each line",
    ),
    "numbers.csv": (lambda: NUMBERS, "starts with “Number / PV energy (kWh) / 0 / 0", "Export the readings with"),
    "states.csv": (lambda: cells("on", "Time,State"), "“on” stands where a figure is expected", "Export it again"),
    "n-a.csv": (lambda: cells("n/a"), "no column of figures", "Export it again"),
    "errors.csv": (lambda: cells("#DIV/0!"), "no column of figures", "Export it again"),
    "one-column.csv": (lambda: cells(""), "no column of figures", "with the energy or the power"),
    "celsius.csv": (lambda: table(hours(), "Time,Temperature (C)"), ONLY.format("Temperature (C)"), "Send the export"),
    "sun.csv": (lambda: table(hours(), "Time,Irradiance (W/m2)"), ONLY.format("Irradiance (W/m2)"), "Send the export"),
    "price.csv": (lambda: table(hours(), "Time,Price (EUR)"), ONLY.format("Price (EUR)"), "Send the export"),
    "store.csv": (lambda: table(hours(), "Time,Battery charge (%)"), ONLY.format("Battery charge (%)"), "Send the"),
    "used.csv": (
        lambda: table(hours(), "Time,Grid consumption (kWh)"),
        "(“Grid consumption (kWh)”)",
        "Send the export",
    ),
    "customers.csv": (
        lambda: CUSTOMERS,
        "looks like a table of customers: it has “ana@homes.example”",
        "only readings",
    ),
    "one.csv": (lambda: table([("2026-05-01 12:00", 3.2)]), "only one reading", "Choose the column|export at least"),
    "orders.csv": (lambda: table(ORDERS), "“13/05/2026” can only have the day first", "Export the file again"),
    "open.csv": (lambda: table(OPEN), "The dates in “Time”", "Which is it?"),
    "two-meters.csv": (two_meters, "2 meters: “A”, “B”", "Which one is this?"),
    "gas.xml": (gas, "none of electric energy or power (Wh or W)", "Export the electricity data"),
    "rss.xml": (lambda: b'<?xml version="1.0"?><rss/>', "no interval readings of the Green Button standard", "Export"),
    "broken.xml": (lambda: gas()[:900], "broken.xml, line 1: the XML is broken or cut off", "export it again"),
    "doctype.xml": (
        lambda: b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>',
        "document type declaration",
        "Export it again",
    ),
    "day.csv": (wrong_day, "3 values where 48 are due", "Ask for the file once more"),
    "nem13.csv": (lambda: b"100,NEM13,202605010000,A,B\n250,1\n900\n", "is a NEM13 file", "Ask the retailer"),
    "nothing.xlsx": (lambda: workbook(), "no sheet with anything on it", "Check the file"),
    "notes.xlsx": (lambda: workbook(["note", "text"]), "notes.xlsx, “Sheet”", "Export the readings with"),
    "locked.xlsx": (
        lambda: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600,
        "locked with a password",
        "save it as CSV",
    ),
}


def said_of(folder: Path, name: str, content: bytes) -> list[str]:
    """What its sender is told: the sentence, and the answers to choose from that are none of the file's own words."""
    path = folder / name
    path.write_bytes(content)
    with pytest.raises(ReadError) as told:
        read(path, filename=name, tz=TZ, now=NOW)
    choices: list[str] = []
    if isinstance(told.value, UndecidedError):
        choices = [choice.label for question in told.value.questions for choice in question.choices]
    rejected = [one.reason for one in told.value.rejected]
    return [str(told.value), *(one for one in choices + rejected if not QUOTED.fullmatch(one))]


@pytest.mark.parametrize("name", FILES)
def test_a_wrong_file_is_told_where_what_and_what_next_in_both_languages(name: str, tmp_path: Path) -> None:
    make, named, next_step = FILES[name]
    sentence, *more = said_of(tmp_path, name, make())
    assert named in sentence
    assert re.search(next_step, sentence), sentence
    with translation.override("es"):
        for english in (sentence, *more):
            spanish = in_their_words(english)
            assert spanish != english
            assert not ENGLISH.findall(QUOTED.sub("", spanish)), spanish


def test_what_a_file_has_in_it_stays_as_it_stands_there(tmp_path: Path) -> None:
    """A column called “Time” is not called «Hora» in the file that somebody has before them."""
    sentence = said_of(tmp_path, "open.csv", table(OPEN))[0]
    with translation.override("es"):
        assert "«Time»" in in_their_words(sentence)
