"""Zips, XML and workbooks sent by mistake or by malice: a plain sentence, nothing unpacked beyond its bounds."""

from __future__ import annotations

import struct
import time
import zipfile
from datetime import date
from pathlib import Path

import pytest

from portal.readers import ReadError
from tests.readers.dialects import assert_same, read_file, save, truth, variant, write

TZ = "Europe/Berlin"
MAY = date(2024, 5, 2)
ENERGY = truth(MAY, 10, TZ, 15)


def refused(path: Path) -> str:
    with pytest.raises(ReadError) as caught:
        read_file(path, TZ)
    text = str(caught.value)
    assert text[:1].isupper() or text.startswith(path.name), text
    assert text.endswith("."), text
    assert "Traceback" not in text
    return text


def test_a_zip_cut_off_in_the_middle(tmp_path: Path) -> None:
    path = tmp_path / "whole.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.csv", write(variant(), ENERGY))
    assert "damaged or incomplete" in refused(save(tmp_path, path.read_bytes()[:-200], "cut.zip"))


def test_a_zip_whose_insides_are_damaged(tmp_path: Path) -> None:
    path = tmp_path / "whole.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.csv", write(variant(), ENERGY))
    content = bytearray(path.read_bytes())
    content[400:500] = b"\xaa" * 100
    assert "damaged" in refused(save(tmp_path, bytes(content), "bad.zip"))


def test_a_zip_bomb(tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("a.csv", "w", force_zip64=True) as out,
    ):
        for _ in range(400):
            out.write(b"," * 1_000_000)
    assert path.stat().st_size < 2_000_000
    start = time.process_time()
    assert "unpacks to" in refused(path)
    assert time.process_time() - start < 2


def test_a_zip_that_lies_about_its_size(tmp_path: Path) -> None:
    path = tmp_path / "liar.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.csv", b"0" * 5_000_000)
    content = path.read_bytes().replace(struct.pack("<L", 5_000_000), struct.pack("<L", 1_000))
    assert "damaged" in refused(save(tmp_path, content, "liar2.zip"))


def test_archives_inside_archives_locked_ones_and_empty_ones(tmp_path: Path) -> None:
    inner = tmp_path / "inner.zip"
    with zipfile.ZipFile(inner, "w") as archive:
        archive.writestr("a.csv", write(variant(), ENERGY))
    outer = tmp_path / "outer.zip"
    with zipfile.ZipFile(outer, "w") as archive:
        archive.write(inner, "inner.zip")
    assert "another archive" in refused(outer)
    with zipfile.ZipFile(tmp_path / "none.zip", "w"):
        pass
    assert "no file of readings" in refused(tmp_path / "none.zip")
    many = tmp_path / "many.zip"
    with zipfile.ZipFile(many, "w") as archive:
        for number in range(5_001):
            archive.writestr(f"{number}.csv", "x")
    assert "more than 5,000 files" in refused(many)
    content = bytearray(inner.read_bytes())
    content[6] |= 1
    content[content.index(b"PK\x01\x02") + 8] |= 1
    assert "password" in refused(save(tmp_path, bytes(content), "locked.zip"))


def test_a_file_without_a_name_in_a_zip(tmp_path: Path) -> None:
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(zipfile.ZipInfo(""), b"nothing")
        archive.writestr("a.csv", write(variant(), ENERGY))
    assert_same(read_file(path, TZ), ENERGY, 15)


def test_names_in_a_zip_cannot_lead_out_of_it(tmp_path: Path) -> None:
    path = tmp_path / "paths.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("../../../evil.csv", write(variant(), ENERGY))
    assert_same(read_file(path, TZ), ENERGY, 15)
    assert not list(tmp_path.parent.glob("**/evil.csv"))


ESPI = """<feed xmlns="http://www.w3.org/2005/Atom"><entry><content><IntervalBlock xmlns="http://naesb.org/espi">
<IntervalReading><timePeriod><duration>900</duration><start>1714600000</start></timePeriod><value>{}</value>
</IntervalReading></IntervalBlock></content></entry></feed>"""


@pytest.mark.parametrize(
    "doctype",
    [
        '<!DOCTYPE feed [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;">]>',
        '<!DOCTYPE feed [<!ENTITY c SYSTEM "file:///etc/passwd">]>',
        '<!DOCTYPE feed SYSTEM "http://127.0.0.1:9/evil.dtd">',
        '<!DOCTYPE feed [<!ENTITY % p SYSTEM "http://127.0.0.1:9/evil"> %p; <!ENTITY c "1">]>',
    ],
)
def test_xml_entities_and_document_types_are_refused(tmp_path: Path, doctype: str) -> None:
    text = '<?xml version="1.0"?>' + doctype + ESPI.format("&c;")
    said = refused(save(tmp_path, text.encode(), "a.xml"))
    assert "document type declaration" in said or "broken" in said
    assert "root:" not in said


def test_a_feed_of_endless_entries_is_refused(tmp_path: Path) -> None:
    head = b'<feed xmlns="http://www.w3.org/2005/Atom">'
    many = b"<entry><content><UsagePoint/></content></entry>" * 50_001
    assert "more than 50,000 entries" in refused(save(tmp_path, head + many + b"</feed>", "a.xml"))


def test_a_billion_laughs_in_a_workbook(tmp_path: Path) -> None:
    path = tmp_path / "laugh.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("[Content_Types].xml", '<!DOCTYPE x [<!ENTITY a "ha">]><Types/>')
        archive.writestr("xl/workbook.xml", "<workbook/>")
    assert "document type" in refused(path)


@pytest.mark.parametrize("name", ["book.xlsx", "book.ods"])
def test_a_workbook_that_is_none(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("[Content_Types].xml" if name.endswith("x") else "content.xml", "<nonsense")
        archive.writestr("xl/workbook.xml", "<nonsense")
    assert "spreadsheet" in refused(path)


def test_an_old_workbook_that_is_none(tmp_path: Path) -> None:
    assert "cannot be opened as a spreadsheet" in refused(
        save(tmp_path, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 4000, "book.xls")
    )
