"""The file as it came: one file or the files of a zip, and what kind each of them is."""

from __future__ import annotations

import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, BinaryIO, Literal, cast

from lxml import etree

from portal.readers.delimited import MAX_BYTES, OpenBytes, size_text
from portal.readers.reading import ReadError

MAX_MEMBERS = 5_000
"""Files in a zip: thirteen years of a file a day. A bound on time, no source."""
_HEAD = 8_192
"""Bytes from which a file's kind is told. A bound on memory, no source."""

SourceKind = Literal["text", "xlsx", "xls", "ods", "xml", "nem12"]

_PICTURE = "{name} is a picture. Send the readings themselves, as CSV or as a spreadsheet."
_PROGRAM = "{name} is a program, not a file of readings. Export the readings as CSV and send that."
_NOT_READINGS = (
    (
        b"%PDF",
        "{name} is a PDF. Figures cannot be read from it safely: export the readings as CSV or a spreadsheet.",
    ),
    (b"\x89PNG", _PICTURE),
    (b"\xff\xd8\xff", _PICTURE),
    (b"GIF8", _PICTURE),
    (b"\x1f\x8b", "{name} is a gzip archive. Unpack it and send the file inside, or send a zip."),
    (b"7z\xbc\xaf\x27\x1c", "{name} is a 7z archive. Unpack it and send the files inside, or send a zip."),
    (b"Rar!", "{name} is a RAR archive. Unpack it and send the files inside, or send a zip."),
    (b"BZh", "{name} is a bzip2 archive. Unpack it and send the file inside, or send a zip."),
    (b"PAR1", "{name} is a Parquet file. Export the readings as CSV."),
    (b"SQLite format 3", "{name} is a database. Export the readings as CSV."),
    (b"\x7fELF", _PROGRAM),
    (b"MZ", _PROGRAM),
    (b"{\\rtf", "{name} is a word processor's document. Export the readings as CSV or as a spreadsheet."),
)
"""How files begin that hold no readings, and what is to be done with each."""


@dataclass(frozen=True, slots=True)
class Source:
    """One file of readings. ``open_bytes`` gives a fresh stream each time."""

    name: str
    open_bytes: OpenBytes
    kind: SourceKind


def xml_events(stream: IO[bytes]) -> etree.iterparse:
    """Starts and ends of XML elements as they come: nothing expanded, nothing fetched, nothing of unbounded depth.

    Parameters
    ----------
    stream
        The XML.

    Returns
    -------
    iterparse
        Pairs of "start" or "end" and the element.
    """
    return etree.iterparse(
        stream,
        events=("start", "end"),
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
    )


def free(element: Any) -> None:
    """Let go of an element and of those before it, so that a file of any length takes the memory of one element.

    Parameters
    ----------
    element
        One that has ended, and of which nothing is needed any more.
    """
    element.clear()
    parent = element.getparent()
    if parent is not None:
        while element.getprevious() is not None:
            del parent[0]


@contextmanager
def opened(path: Path, filename: str) -> Iterator[list[Source]]:
    """Yield the file, or the files inside a zip.

    Parameters
    ----------
    path
        The file on disk.
    filename
        Its name as its owner knows it.

    Yields
    ------
    list of Source
        The files of readings.

    Raises
    ------
    ReadError
        When it is too large, damaged, locked, or holds no readings.
    """

    def open_path() -> BinaryIO:
        return path.open("rb")

    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(_HEAD)
    if size > MAX_BYTES and not head.startswith(b"PK"):
        raise ReadError(
            f"{filename} is {size_text(size)}; more than {size_text(MAX_BYTES)} is not taken in at once. Ten years of "
            "5-minute readings take about 40 MB: check that this is the right file, or export it in several parts."
        )
    if not head.startswith(b"PK"):
        yield [Source(filename, open_path, kind_of_bytes(head, filename))]
        return
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, IndexError, struct.error) as error:
        raise ReadError(
            f"{filename} is a damaged or incomplete zip file. Download or export it again and send it once more."
        ) from error
    with archive:
        members = _members(archive, filename)
        names = {member.filename for member in archive.infolist()}
        if "[Content_Types].xml" in names or "content.xml" in names:
            _refuse_large(archive.infolist(), filename)
            yield [Source(filename, open_path, _sheet_kind(names, filename))]
            return
        _refuse_large(members, filename)
        yield [_member(archive, member, filename) for member in members]


def _members(archive: zipfile.ZipFile, filename: str) -> list[zipfile.ZipInfo]:
    infos = archive.infolist()
    if len(infos) > MAX_MEMBERS:
        raise ReadError(f"{filename} holds more than {MAX_MEMBERS:,} files. Send a zip with one year of files at most.")
    found = []
    for info in infos:
        base = info.filename.rsplit("/", 1)[-1]
        if (
            not info.filename
            or info.is_dir()
            or base.startswith((".", "~$"))
            or "__MACOSX" in info.filename
            or not info.file_size
        ):
            continue
        if re.fullmatch(r"(?i)read[ _-]?me.*|licen[cs]e.*|thumbs\.db|desktop\.ini", base):
            continue
        if info.flag_bits & 1:
            raise ReadError(f"{filename} is locked with a password. Unpack it and send the files inside.")
        if base.lower().endswith((".zip", ".7z", ".rar", ".gz", ".tar")):
            raise ReadError(
                f"{filename} holds another archive, {base}. Unpack it and send the files of readings alone."
            )
        found.append(info)
    if not found and not any(info.filename == "[Content_Types].xml" for info in infos):
        raise ReadError(f"{filename} holds no file of readings. Check what was packed and send it again.")
    return sorted(found, key=lambda info: [int(t) if t.isdigit() else t for t in re.split(r"(\d+)", info.filename)])


def _refuse_large(infos: list[zipfile.ZipInfo], filename: str) -> None:
    # zipfile never hands out more of a member than the size it declares, so the declared sizes are the bound.
    total = sum(info.file_size for info in infos)
    if total > MAX_BYTES:
        raise ReadError(
            f"{filename} unpacks to {size_text(total)}; more than {size_text(MAX_BYTES)} is not taken in at once. "
            "Check that it is the right file, or send it in several parts."
        )


def _sheet_kind(names: set[str], filename: str) -> SourceKind:
    if any(name.startswith("xl/") for name in names):
        if "xl/workbook.bin" in names:
            raise ReadError(f"{filename} is a binary workbook (.xlsb). Save it as .xlsx or as CSV and send that.")
        return "xlsx"
    if "content.xml" in names:
        return "ods"
    raise ReadError(
        f"{filename} is an office document but no spreadsheet. Save the table as .xlsx or as CSV and send that."
    )


def _member(archive: zipfile.ZipFile, info: zipfile.ZipInfo, filename: str) -> Source:
    def open_member() -> BinaryIO:
        try:
            return cast(BinaryIO, _Member(archive.open(info)))
        except (zipfile.BadZipFile, NotImplementedError, OSError, RuntimeError) as error:
            raise damaged(info.filename, filename) from error

    base = info.filename.rsplit("/", 1)[-1]
    with open_member() as stream:
        head = stream.read(_HEAD)
    if head.startswith(b"PK"):
        if base.lower().endswith((".xlsx", ".xlsm")):
            return Source(base, open_member, "xlsx")
        if base.lower().endswith(".ods"):
            return Source(base, open_member, "ods")
        raise ReadError(f"{filename} holds another archive, {base}. Unpack it and send the files of readings alone.")
    return Source(base, open_member, kind_of_bytes(head, base))


class _Member:
    """A zip member's stream whose faults come out as sentences."""

    def __init__(self, stream: object) -> None:
        self._stream = cast(BinaryIO, stream)
        self.mode = "rb"

    def read(self, size: int = -1) -> bytes:
        return self._guard(lambda: self._stream.read(size))

    def read1(self, size: int = -1) -> bytes:
        return self._guard(lambda: self._stream.read(size if size >= 0 else 1 << 16))

    def readinto(self, buffer: bytearray) -> int:
        data = self.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)

    def _guard(self, action: object) -> bytes:
        try:
            return action()  # type: ignore[operator,no-any-return]
        except (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError) as error:
            raise damaged("a file", "The zip") from error

    def readable(self) -> bool:
        return True

    def writable(self) -> bool:
        return False

    def seekable(self) -> bool:
        return False

    @property
    def closed(self) -> bool:
        return self._stream.closed

    def flush(self) -> None:
        return

    def close(self) -> None:
        self._stream.close()

    def __enter__(self) -> _Member:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def damaged(member: str, archive: str) -> ReadError:
    """Say that a file in a zip is damaged.

    Parameters
    ----------
    member
        The file in it.
    archive
        The zip.

    Returns
    -------
    ReadError
        To be raised.
    """
    return ReadError(
        f"{archive} is damaged: {member} in it cannot be unpacked. Export or download it again and send it once more."
    )


def kind_of_bytes(head: bytes, name: str) -> SourceKind:
    """Say from its first bytes what a file is; refuse what holds no readings.

    Parameters
    ----------
    head
        The file's first bytes.
    name
        The file as a person knows it.

    Returns
    -------
    SourceKind
        What it is; "text" where nothing else is seen.

    Raises
    ------
    ReadError
        When it is of a kind that holds no readings, or none that can be read safely.

    Examples
    --------
    >>> kind_of_bytes(b"100,NEM12,202405011135,MDA1,Ret1", "readings.csv")
    'nem12'
    """
    for mark, said in _NOT_READINGS:
        if head.startswith(mark) and (mark != b"MZ" or b"\0" in head[:64]):
            raise ReadError(said.replace("{name}", name))
    if head.startswith(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"):
        return "xls"
    if re.match(rb"\x09[\x00\x02\x04\x08][\x04\x06\x08\x10]\x00", head):
        return "xls"  # the oldest workbooks are a bare stream of records
    text = _as_text(head).lstrip("\ufeff \t\r\n")
    low = text[:2000].lower()
    if low.startswith("<"):
        if re.search(r"<(?:!doctype\s+html|html|head|body|table|div|meta)\b", low):
            raise ReadError(
                f"{name} is a web page, not a file of readings; often the portal's login page was saved in its "
                "place, or a "
                "table with the ending of a spreadsheet. Log in, export the readings again, or open the file in a "
                "spreadsheet program and save it as .xlsx or CSV."
            )
        if "urn:schemas-microsoft-com:office:spreadsheet" in low or "<workbook" in low:
            raise ReadError(
                f"{name} is a spreadsheet written as XML. Open it and save it as .xlsx or CSV, and send that."
            )
        return "xml"
    if low.startswith(("{", "[{", "[[")):
        raise ReadError(f"{name} is JSON, which is not read. Export the readings as CSV or as a spreadsheet.")
    first = text.split("\n", 1)[0].replace('"', "").strip().lower()
    if re.match(r"100,nem13\b", first) or re.match(r"250,[^,]*,[^,]*,[^,]*,[^,]*,[^,]*,[^,]*,[ie],", first):
        raise ReadError(
            f"{name} is a NEM13 file. It holds the readings of a register months apart, not intervals, and dirt "
            "cannot be "
            "seen in those. Ask the retailer or the network for interval data (NEM12)."
        )
    if re.match(r"100,nem12\b", first) or re.match(r"200,[^,]{10,11},", first):
        return "nem12"
    return "text"


def _as_text(head: bytes) -> str:
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return head[: len(head) // 2 * 2].decode("utf-16", errors="replace")
    if head[1:2] == b"\0" and head[3:4] == b"\0":
        return head[: len(head) // 2 * 2].decode("utf-16-le", errors="replace")
    return head.decode("utf-8", errors="replace")
