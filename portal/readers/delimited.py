"""Delimited text: bytes on disk to rows of cells with their line numbers, within a bounded memory."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING, BinaryIO

from portal.readers.reading import ReadError

if TYPE_CHECKING:
    import _csv

MAX_BYTES = 300_000_000
"""Bytes of a file, or of all files in a zip: ten years of 5-minute readings take some 40 MB. A bound on time and
memory, no source."""
MAX_LINE_BYTES = 200_000
"""Bytes of a line: a day of 5-minute readings takes some 3 kB. A bound on memory, no source."""
MAX_COLUMNS = 3_000
"""Columns of a table: a day of minutes has 1,440. A bound on memory, no source."""
CHUNK_ROWS = 4_000
ROWS_AT_ONCE = 16
_BLOCK = 1 << 17
"""Rows that are worked on, rows that are read, and bytes, at a time. Bounds on memory, no source."""
ENCODING_BYTES = 4_000
FEWEST_BYTES = 8
"""Bytes that tell two bytes a letter from one, and how many at least. Common practice, no source."""
ONE_SIDED = 10
"""How many times more often the one byte of a letter is nothing than the other is. Common practice, no source."""

OpenBytes = Callable[[], BinaryIO]


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some rows of a table with the line (a spreadsheet's row) each of them ends on."""

    lines: range | list[int]
    rows: list[list[str]]


@dataclass(frozen=True, slots=True)
class TextFile:
    """One text file, inside a zip or not."""

    name: str
    open_bytes: OpenBytes
    encoding: str


def size_text(size: float) -> str:
    """Return a size in bytes as people read it.

    Parameters
    ----------
    size
        Bytes.

    Returns
    -------
    str
        The size with its unit.

    Examples
    --------
    >>> size_text(300_000_000)
    '300.0 MB'
    """
    return (
        f"{size / 10**9:.1f} GB"
        if size >= 10**9
        else f"{size / 10**6:.1f} MB"
        if size >= 10**5
        else f"{size / 1000:.1f} kB"
    )


def look_over(open_bytes: OpenBytes, name: str) -> str:
    """Read the whole file once as bytes and return its encoding.

    Refuses what has lines no table has, or is no text; 300 MB take about a second.

    Parameters
    ----------
    open_bytes
        Opens the file anew.
    name
        The file as a person knows it.

    Returns
    -------
    str
        The encoding by Python's name: one of Unicode's, gb18030, cp932 (Shift-JIS) or another that
        words of its language show, or else cp1252.

    Raises
    ------
    ReadError
        When it is empty, no text, or has a line that no table has.
    """
    utf8 = codecs.getincrementaldecoder("utf-8")()
    is_utf8, size, since_newline = True, 0, 0
    with open_bytes() as stream:
        head = stream.read(_BLOCK)
        encoding = _by_mark(head)
        block = head
        while block:
            size += len(block)
            if encoding is None and is_utf8:
                try:
                    utf8.decode(block)
                except UnicodeDecodeError:
                    is_utf8 = False
            first = min((at for at in (block.find(b"\n"), block.find(b"\r")) if at >= 0), default=-1)
            if first < 0:
                since_newline += len(block)
            else:
                since_newline += first
                if since_newline <= MAX_LINE_BYTES:
                    since_newline = len(block) - max(block.rfind(b"\n"), block.rfind(b"\r"))
            if since_newline > MAX_LINE_BYTES:
                raise ReadError(
                    f"{name} has a line of more than {size_text(MAX_LINE_BYTES)}. "
                    "That is no table of readings: export it again with one reading, or one day, a line."
                )
            block = stream.read(_BLOCK)
    if size == 0:
        raise ReadError(f"{name} is empty. Export it again and check that it opens before sending it.")
    if encoding is None and b"\0" in head:
        raise ReadError(
            f"{name} is not text: it holds binary data. Send the export as CSV, as a spreadsheet, or as the "
            "meter's XML."
        )
    return encoding or ("utf-8" if is_utf8 else _by_words(head))


def _by_mark(head: bytes) -> str | None:
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if head.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        return "utf-32"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    sample = head[:ENCODING_BYTES]
    if len(sample) >= FEWEST_BYTES and sample.count(0) >= len(sample) // 3:
        even, odd = sample[0::2].count(0), sample[1::2].count(0)
        if odd > ONE_SIDED * even:
            return "utf-16-le"
        if even > ONE_SIDED * odd:
            return "utf-16-be"
    return None


_SCRIPTS = {
    "gb18030": re.compile(r"时间|日期|时刻|发电|电量|电能|功率|\d年\d{1,2}月"),
    "cp932": re.compile(r"日時|日付|時刻|時間|年月日|発電|電力|売電|\d年\d{1,2}月"),
    "cp949": re.compile(r"일시|날짜|시간|발전|전력"),
    "big5": re.compile(r"時間|日期|發電|電量|\d年\d{1,2}月"),
    "cp1251": re.compile(r"\b(?:Дата|Время|Выработка|Энергия|Мощность|Час|Генерация)\b"),
    "cp1253": re.compile(r"Ημερομηνία|Παραγωγή|Ενέργεια|Ώρα\b"),
    "cp1255": re.compile(r"תאריך|שעה|ייצור|אנרגיה"),
    "cp1256": re.compile(r"التاريخ|الوقت|الإنتاج|الطاقة"),
    "cp1250": re.compile(r"\b(?:čas|Čas)\b|Időpont|[śŚ]redni|Dátum|Értek"),
}
"""Words of which a table of readings in such letters has one: other text passes for these encodings too."""


def _by_words(head: bytes) -> str:
    """Tell apart the encodings that mark nothing by what the text would say; cp1252 for none."""
    whole = head[: head.rfind(b"\n") + 1] or head
    for encoding, words in _SCRIPTS.items():
        try:
            if words.search(whole.decode(encoding)):
                return encoding
        except UnicodeDecodeError:
            continue
    return "cp1252"


def open_text(file: TextFile) -> io.TextIOWrapper:
    """Open a file as text; bytes that are no letters of its encoding become replacement marks.

    Parameters
    ----------
    file
        The file.

    Returns
    -------
    TextIOWrapper
        A stream of its text.
    """
    return io.TextIOWrapper(file.open_bytes(), encoding=file.encoding, errors="replace", newline="")


def cell_reader(lines: Iterable[str], delimiter: str, quote: str) -> _csv.Reader:
    """Return a reader of lines; with no ``quote`` quotation marks are letters like others.

    Parameters
    ----------
    lines
        The lines.
    delimiter
        What stands between the cells.
    quote
        What stands around them, "" for nothing.

    Returns
    -------
    reader
        One of the standard library's ``csv``.
    """
    if quote:
        return csv.reader(lines, delimiter=delimiter, quotechar=quote, skipinitialspace=True)
    return csv.reader(lines, delimiter=delimiter, quoting=csv.QUOTE_NONE)


def undress(rows: list[list[str]], quote: str) -> list[list[str]]:
    """Take off what a spreadsheet program puts around: whole lines in quotation marks, and cells written ="0.5".

    Parameters
    ----------
    rows
        The rows.
    quote
        What stands around the cells, "" for nothing.

    Returns
    -------
    list of list of str
        The rows, without it.

    Examples
    --------
    >>> undress([['="0.5"', '="7"']], '"')
    [['0.5', '7']]
    """
    if not quote:
        return [[cell.strip('"') for cell in row] for row in rows]
    if any(cell.startswith('="') for row in (rows[len(rows) // 2], rows[-1]) for cell in row):
        return [[cell[2:-1] if cell.startswith('="') else cell for cell in row] for row in rows]
    return rows


def read_chunks(file: TextFile, delimiter: str, quote: str = '"', chunk_rows: int = CHUNK_ROWS) -> Iterator[Chunk]:
    """Yield the rows of a text file.

    Parameters
    ----------
    file
        The file.
    delimiter
        What stands between the cells.
    quote
        What stands around them, "" for nothing.
    chunk_rows
        Rows at a time.

    Yields
    ------
    Chunk
        Rows with their lines.

    Raises
    ------
    ReadError
        When a quotation mark is never closed, or a cell is longer than any figure.
    """
    with open_text(file) as stream:
        reader = cell_reader(stream, delimiter, quote)
        line = 0
        while True:
            rows: list[list[str]] = []
            try:
                while len(rows) < chunk_rows:
                    # Few rows at a time, so that a file of monstrous rows is met before it fills the memory.
                    some = list(islice(reader, ROWS_AT_ONCE))
                    if not some:
                        break
                    rows += some
                    if max(map(len, some)) > MAX_COLUMNS:
                        break
            except csv.Error as error:
                raise ReadError(
                    f"{file.name}, around line {reader.line_num}: a quotation mark is opened and never closed, "
                    "or a cell "
                    "is longer than any figure. Mend or delete that line and send the file again."
                ) from error
            if not rows:
                return
            if reader.line_num - line == len(rows):
                lines: range | list[int] = range(line + 1, line + 1 + len(rows))
            else:
                lines = []
                for row in rows:
                    line += 1 + sum(cell.count("\n") or cell.count("\r") for cell in row)
                    lines.append(line)
            line = reader.line_num
            yield Chunk(lines, undress(rows, quote))
