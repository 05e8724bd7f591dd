"""Spreadsheets (.xlsx, .xls, .ods) to text tables, row by row.

Each sheet is written once to a temporary text file whose lines are the sheet's rows; from there on a spreadsheet is
read like any other table, within the same bounds. The temporary files go when the reading ends.

python-calamine would read all formats, nine to ten times quicker (a year of 15-minute readings in 0.06 s instead of
0.55 s), but builds each sheet as a whole rectangle in memory: 200,000 rows of 11 columns take it 182 MB instead of 41,
a sheet of 5 kB with a cell in A1 and one in AZ1048576 takes 1.7 GB, and one in XFD1048576 ends the process, which no
exception can catch (measured with version 0.9.1). It does not know the oldest .xls (BIFF2) either. A row at a time is
slower and safe.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any, BinaryIO, TextIO

import xlrd

from portal.pv.sun import DAY_S
from portal.readers.delimited import MAX_COLUMNS, TextFile, cell_reader, open_text
from portal.readers.delimiter import sniff_delimiter
from portal.readers.reading import ReadError
from portal.readers.source import Source, free, xml_events
from portal.readers.table import too_wide

SEPARATOR = "\x1f"
MAX_ROWS = 1_100_000
"""Rows of a sheet: what spreadsheet programs hold (2**20) and some. From memory of their limits."""
BLANK_ROWS = 10_000
"""Rows said to be alike and empty from which they are the blank rest of a sheet. Common practice, no source."""
MAX_ROW_PARTS = 20 * MAX_COLUMNS
"""Pieces of XML in one row. A bound on memory, no source."""
HEAD_BYTES = 65_536
"""Bytes of a part in which a document type is sought; it stands before the first element (XML 1.0, 2.8). No source for
how many."""
MAX_SHEETS = 60
"""Sheets that are looked at: five years of one a month. Common practice, no source."""
MAX_FILE_BYTES = 60_000_000
MAX_UNPACKED_BYTES = 150_000_000
"""Bytes of a workbook, as it comes and unpacked. A bound on memory, no source."""

SheetRow = list[Any]


def to_text(source: Source, folder: Path) -> list[tuple[str, TextFile]]:
    """Write the sheets of a workbook to text files in ``folder``; return each sheet's name and file.

    Parameters
    ----------
    source
        The workbook.
    folder
        Takes the text files.

    Returns
    -------
    list of tuple
        Title and text file of each visible sheet with something on it.

    Raises
    ------
    ReadError
        When it cannot be opened, is too large, or is blank.
    """
    with source.open_bytes() as stream:
        data = stream.read(MAX_FILE_BYTES + 1)
    if len(data) > MAX_FILE_BYTES:
        raise ReadError(f"{source.name} is larger than {MAX_FILE_BYTES // 10**6} MB. Save it as CSV and send that.")
    try:
        if source.kind == "xlsx":
            sheets = _xlsx(io.BytesIO(data), source.name)
        elif source.kind == "xls":
            sheets = _xls(data, source.name)
        else:
            sheets = _ods(io.BytesIO(data), source.name)
        files = []
        for number, (title, rows) in enumerate(sheets):
            path = folder / f"{abs(hash(source.name))}-{number}.txt"
            with path.open("w", encoding="utf-8", newline="") as out:
                filled = _write(out, rows, f"{source.name}, “{title}”")
            if filled or _take_apart(path, source.name):
                files.append((title, _text_file(path, f"{source.name}, “{title}”")))
    except ReadError:
        raise
    except Exception as error:
        # The three libraries raise whatever their depths raise on a damaged file; all of it means the same here.
        raise ReadError(
            f"{source.name} cannot be opened as a spreadsheet: it is damaged, locked with a password, or "
            "something else with "
            "that ending. Open it in a spreadsheet program, save it as CSV, and send that."
        ) from error
    if not files:
        raise ReadError(f"{source.name} has no sheet with anything on it. Check the file and send it again.")
    return files


def _take_apart(path: Path, name: str) -> bool:
    """Part the cells of a sheet whose lines all ended up in the first column; return whether there was something."""
    file = _text_file(path, name)
    if not path.read_bytes().strip():
        return False
    delimiter, quote = sniff_delimiter(file)
    with open_text(file) as lines:
        rows = list(cell_reader(lines, delimiter, quote))
    with path.open("w", encoding="utf-8", newline="") as out:
        return _write(out, iter(rows), name)


def _text_file(path: Path, name: str) -> TextFile:
    def open_bytes() -> BinaryIO:
        return path.open("rb")

    return TextFile(name, open_bytes, "utf-8")


def _write(out: TextIO, rows: Iterator[SheetRow], name: str) -> bool:
    writer = csv.writer(out, delimiter=SEPARATOR, lineterminator="\n")
    filled = False
    for number, row in enumerate(rows, 1):
        if number > MAX_ROWS:
            raise ReadError(f"{name} has more than {MAX_ROWS:,} rows. Save it in parts and send those.")
        if len(row) > MAX_COLUMNS:
            last = max((i for i, cell in enumerate(row) if cell is not None and cell != ""), default=0)
            if last >= MAX_COLUMNS:
                raise too_wide(name, number, last + 1)
            row = row[: last + 1]
        cells = [cell_text(cell) for cell in row]
        while cells and not cells[-1]:
            cells.pop()
        filled = filled or len(cells) > 1
        writer.writerow(cells)
    return filled


def cell_text(cell: object) -> str:
    """Return a cell as the text tables are read from.

    Parameters
    ----------
    cell
        Its value as the libraries give it.

    Returns
    -------
    str
        The text, "" for a blank.

    Examples
    --------
    >>> cell_text(datetime(2024, 5, 3, 12, 14, 59, 999_999)), cell_text(12.0)
    ('2024-05-03 12:15:00', '12')
    """
    if cell is None:
        return ""
    if isinstance(cell, str):
        return re.sub(r"[\r\n\x1f\x00]+", " ", cell).strip()
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, int):
        return str(cell)
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 10**15 else repr(cell)
    if isinstance(cell, datetime):
        # A spreadsheet keeps times as fractions of a day; half a second is the most such a fraction strays.
        rounded = cell + timedelta(microseconds=500_000)
        return rounded.replace(microsecond=0).isoformat(sep=" ")
    if isinstance(cell, date):
        return cell.isoformat()
    if isinstance(cell, time):
        second = datetime(2000, 1, 1, cell.hour, cell.minute, cell.second, cell.microsecond)  # noqa: DTZ001 (a time of day)
        return (second + timedelta(microseconds=500_000)).strftime("%H:%M:%S")
    if isinstance(cell, timedelta):
        seconds = round(cell.total_seconds())
        if 0 <= seconds <= DAY_S:
            return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return str(cell)


def _xlsx(stream: BinaryIO, name: str) -> Iterator[tuple[str, Iterator[SheetRow]]]:
    import openpyxl  # takes a tenth of a second, and few processes ever open a sheet

    refuse_doctype(stream, name)
    book = openpyxl.load_workbook(stream, read_only=True, data_only=True, keep_links=False)
    try:
        for sheet in book.worksheets[:MAX_SHEETS]:
            if sheet.sheet_state == "visible":
                # The size a file declares for itself is often wrong, sometimes a million rows for ten.
                sheet.reset_dimensions()
                yield sheet.title, _xlsx_rows(sheet)
    finally:
        book.close()


def _xlsx_rows(sheet: Any) -> Iterator[SheetRow]:
    for row in sheet.iter_rows(values_only=True):  # as long as its last cell: a bound here would fill each up to it
        yield list(row)


def _xls(data: bytes, name: str) -> Iterator[tuple[str, Iterator[SheetRow]]]:
    book = xlrd.open_workbook(file_contents=data, on_demand=True, logfile=io.StringIO())
    try:
        for number in range(min(book.nsheets, MAX_SHEETS)):
            sheet = book.sheet_by_index(number)
            if sheet.visibility == 0:
                yield sheet.name, _xls_rows(sheet, book.datemode)
            book.unload_sheet(number)
    finally:
        book.release_resources()


def _xls_rows(sheet: Any, datemode: int) -> Iterator[SheetRow]:
    for at in range(sheet.nrows):
        row: SheetRow = []
        for cell in sheet.row(at):
            if cell.ctype == xlrd.XL_CELL_DATE:
                if cell.value < 1:
                    row.append(timedelta(days=cell.value))
                else:
                    row.append(xlrd.xldate_as_datetime(cell.value, datemode))
            elif cell.ctype in (xlrd.XL_CELL_ERROR, xlrd.XL_CELL_EMPTY, xlrd.XL_CELL_BLANK):
                row.append(None)
            else:
                row.append(cell.value)
        yield row


_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_TEXT = "{urn:oasis:names:tc:opendocument:xmlns:text:1.0}"


def _ods(stream: BinaryIO, name: str) -> Iterator[tuple[str, Iterator[SheetRow]]]:
    """Stream the sheets of an OpenDocument spreadsheet.

    The library for it builds the whole document in memory; a year of 15-minute readings takes it a minute.
    """
    refuse_doctype(stream, name)
    with zipfile.ZipFile(stream) as archive, archive.open("content.xml") as content:
        events = xml_events(content)
        for event, element in events:
            if event == "start" and element.tag == f"{_TABLE}table":
                yield element.get(f"{_TABLE}name") or "sheet", _ods_rows(events, name)
            elif event == "end":
                free(element)


def _ods_rows(events: Any, name: str) -> Iterator[SheetRow]:
    written = parts = 0
    in_row = False
    for event, element in events:
        if event == "start":
            if element.tag == f"{_TABLE}table-row":
                in_row, parts = True, 0
            parts += 1
            if parts > MAX_ROW_PARTS:
                raise too_wide(name, written + 1, parts)
            continue
        if element.tag == f"{_TABLE}table":
            return
        if element.tag != f"{_TABLE}table-row":
            if not in_row:
                free(element)
                parts = 0
            continue
        in_row = False
        row: SheetRow = []
        for cell in element:
            if cell.tag not in (f"{_TABLE}table-cell", f"{_TABLE}covered-table-cell"):
                continue
            again = int(cell.get(f"{_TABLE}number-columns-repeated") or 1)
            value = _ods_value(cell)
            if value is None and again > MAX_COLUMNS:
                again = 1  # the blank rest of the row
            if len(row) + again > MAX_COLUMNS * 2:
                raise too_wide(name, written + 1, len(row) + again)
            row += [value] * again
        times = int(element.get(f"{_TABLE}number-rows-repeated") or 1)
        free(element)
        if times > 1 and all(value is None for value in row):
            times = min(times, max(0, MAX_ROWS - written - 1))
            row = []
            if times > BLANK_ROWS:
                continue  # the blank rest of the sheet
        for _ in range(times):
            written += 1
            yield row


def _ods_value(cell: Any) -> object:
    kind = cell.get(f"{_OFFICE}value-type")
    if kind in ("float", "percentage", "currency"):
        return float(cell.get(f"{_OFFICE}value"))
    if kind == "date":
        text = cell.get(f"{_OFFICE}date-value") or ""
        try:
            return datetime.fromisoformat(text) if "T" in text else date.fromisoformat(text)
        except ValueError:
            return text
    if kind == "time":
        match = re.fullmatch(r"PT(\d+)H(\d+)M(\d+)(?:[.,]\d+)?S", cell.get(f"{_OFFICE}time-value") or "")
        return timedelta(hours=int(match[1]), minutes=int(match[2]), seconds=int(match[3])) if match else None
    text = " ".join("".join(part.itertext()) for part in cell.iter(f"{_TEXT}p"))
    return text or None


def refuse_doctype(stream: BinaryIO, name: str) -> None:
    """Refuse a workbook whose parts declare a document type: no spreadsheet program writes one, attacks do.

    Parameters
    ----------
    stream
        The workbook; it is left at its beginning.
    name
        The file as a person knows it.

    Raises
    ------
    ReadError
        When a part declares a document type, or all unpack to more than is read.
    """
    with zipfile.ZipFile(stream) as archive:
        if sum(info.file_size for info in archive.infolist()) > MAX_UNPACKED_BYTES:
            raise ReadError(
                f"{name} unpacks to more than {MAX_UNPACKED_BYTES // 10**6} MB. Save it as CSV and send that."
            )
        for info in archive.infolist():
            if info.filename.endswith((".xml", ".rels")):
                with archive.open(info) as part:
                    head = part.read(HEAD_BYTES)
                if any(b"<!DOCTYPE".decode().encode(code) in head for code in ("utf-8", "utf-16-le", "utf-16-be")):
                    raise ReadError(
                        f"{name} carries a document type declaration, which no spreadsheet needs. It is refused."
                    )
    stream.seek(0)
