"""Spreadsheets by the same road as text."""

from __future__ import annotations

import io
import struct
import zipfile
from datetime import date, datetime, time
from pathlib import Path

import odfdo
import openpyxl
import pandas as pd
import pytest

from portal.readers import ReadError, UndecidedError
from tests.readers.dialects import assert_same, guess_file, local_index, read_file, truth

TZ = "Europe/Berlin"
ENERGY = truth(date(2024, 10, 20), 12, TZ, 15)
NAIVE = [at.to_pydatetime().replace(tzinfo=None) for at in local_index(ENERGY, TZ)]


def xlsx(path: Path, sheets: dict[str, list[list[object]]]) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def rows_of(energy: pd.Series[int], naive: list[datetime]) -> list[list[object]]:
    return [["Time", "PV energy [kWh]"], *([at, value / 1000] for at, value in zip(naive, energy, strict=True))]


def test_xlsx_with_date_cells_a_title_and_a_total(tmp_path: Path) -> None:
    rows: list[list[object]] = [["Report of the plant"], [], *rows_of(ENERGY, NAIVE)]
    rows.append(["Total", float(ENERGY.sum()) / 1000])
    result = read_file(xlsx(tmp_path / "a.xlsx", {"Readings": rows}), TZ)
    assert_same(result, ENERGY, 15)
    assert result.mapping.format == "sheet"


def test_xlsx_with_text_cells_in_a_local_dialect(tmp_path: Path) -> None:
    rows: list[list[object]] = [["Datum", "Uhrzeit", "PV-Ertrag [kWh]"]]
    rows += [
        [f"{at:%d.%m.%Y}", f"{at:%H:%M}", f"{value / 1000:.3f}".replace(".", ",")]
        for at, value in zip(NAIVE, ENERGY, strict=True)
    ]
    assert_same(read_file(xlsx(tmp_path / "a.xlsx", {"A": rows}), TZ), ENERGY, 15)


def test_xlsx_with_a_date_and_a_time_column(tmp_path: Path) -> None:
    rows: list[list[object]] = [["Date", "Time", "PV energy [Wh]"]]
    rows += [[at.date(), time(at.hour, at.minute), int(value)] for at, value in zip(NAIVE, ENERGY, strict=True)]
    assert_same(read_file(xlsx(tmp_path / "a.xlsx", {"A": rows}), TZ), ENERGY, 15)


def test_xlsx_of_a_sheet_a_month(tmp_path: Path) -> None:
    energy = truth(date(2024, 9, 25), 12, TZ, 15)
    naive = [at.to_pydatetime().replace(tzinfo=None) for at in local_index(energy, TZ)]
    cut = next(i for i, at in enumerate(naive) if at.month == 10)
    notes: list[list[object]] = [["Plant", "invented"]]
    path = xlsx(
        tmp_path / "a.xlsx",
        {
            "Notes": notes,
            "September": rows_of(energy[:cut], naive[:cut]),
            "October": rows_of(energy[cut:], naive[cut:]),
        },
    )
    assert_same(read_file(path, TZ), energy, 15)


def test_xlsx_with_a_row_a_day_of_date_cells(tmp_path: Path) -> None:
    """A spreadsheet's date comes with a midnight, and its column heads may be times."""
    energy = truth(date(2024, 5, 2), 9, TZ, 15)
    rows: list[list[object]] = [["Day [kWh]", *(time(k // 4, k % 4 * 15) for k in range(96)), "Total"]]
    for day in range(9):
        values = energy.iloc[day * 96 :][:96]
        rows.append([date(2024, 5, 2 + day), *(value / 1000 for value in values), float(values.sum()) / 1000])
    assert_same(read_file(xlsx(tmp_path / "a.xlsx", {"A": rows}), TZ), energy, 15)


def test_xlsx_with_a_date_merged_over_its_day(tmp_path: Path) -> None:
    rows: list[list[object]] = [["Date", "Time", "PV energy [Wh]"]]
    rows += [
        [at.date() if at.hour == at.minute == 0 else None, at.time(), int(value)]
        for at, value in zip(NAIVE, ENERGY, strict=True)
    ]
    assert_same(read_file(xlsx(tmp_path / "a.xlsx", {"A": rows}), TZ), ENERGY, 15)


def test_xlsx_whose_lines_all_ended_up_in_the_first_column(tmp_path: Path) -> None:
    rows: list[list[object]] = [["Zeit;PV-Ertrag [kWh]"]]
    for at, value in zip(NAIVE, ENERGY, strict=True):
        rows.append([f"{at:%d.%m.%Y %H:%M};{value / 1000:.3f}".replace(".", ",").replace(",", ".", 2)])
    assert_same(read_file(xlsx(tmp_path / "a.xlsx", {"A": rows}), TZ), ENERGY, 15)


def test_xlsx_of_a_sheet_an_inverter_is_asked_about(tmp_path: Path) -> None:
    path = xlsx(
        tmp_path / "a.xlsx", {"East": rows_of(ENERGY // 4, NAIVE), "West": rows_of(ENERGY - ENERGY // 4, NAIVE)}
    )
    with pytest.raises(UndecidedError, match=r", “East”.*, “West”") as asked:
        read_file(path, TZ)
    assert_same(read_file(path, TZ, asked.value.mapping.answered("meter", "*")), ENERGY, 15)


def test_a_rejected_row_names_its_sheet_row(tmp_path: Path) -> None:
    rows = rows_of(ENERGY, NAIVE)
    rows[100][1] = "broken"
    result = read_file(xlsx(tmp_path / "a.xlsx", {"A": rows}), TZ)
    assert [rejected.line for rejected in result.rejected] == [101]


def test_a_mapping_is_remembered_for_the_next_workbook(tmp_path: Path) -> None:
    path = xlsx(tmp_path / "a.xlsx", {"A": rows_of(ENERGY, NAIVE)})
    mapping = guess_file(path, TZ).mapping
    later = xlsx(tmp_path / "b.xlsx", {"A": [["Printed", "later"], [], *rows_of(ENERGY, NAIVE)]})
    assert_same(read_file(later, TZ, type(mapping).from_json(mapping.to_json())), ENERGY, 15)


def test_ods(tmp_path: Path) -> None:
    """Written by odfdo, a library for OpenDocument of its own."""
    table = odfdo.Table("A")
    cells: list[list[str | datetime | float]] = [["Time", "PV energy [kWh]"]]
    cells += [[at, float(value) / 1000] for at, value in zip(NAIVE, ENERGY, strict=True)]
    for values in cells:
        row = odfdo.Row()
        row.set_values(values)
        table.append_row(row)
    document = odfdo.Document("spreadsheet")
    document.body.clear()
    document.body.append(table)
    path = tmp_path / "a.ods"
    document.save(path)
    assert_same(read_file(path, TZ), ENERGY, 15)


def test_an_ods_that_repeats_a_cell_a_billion_times(tmp_path: Path) -> None:
    content = (
        '<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"'
        ' xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0">'
        '<table:table table:name="A"><table:table-row {}>'
        '<table:table-cell office:value-type="float" office:value="1" {}/>'
        "</table:table-row></table:table></office:document-content>"
    )
    for rows, columns in (
        ('table:number-rows-repeated="1000000000"', ""),
        ("", 'table:number-columns-repeated="1000000000"'),
    ):
        path = tmp_path / "bomb.ods"
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("content.xml", content.format(rows, columns))
        with pytest.raises(ReadError, match=r"rows|columns"):
            read_file(path, TZ)


# An .xls cannot be written with what is installed: xlwt is no longer kept. BIFF2, the oldest and plainest form of it
# (Microsoft's [MS-XLS] predecessors; OpenOffice's "Excel File Format", sections 4 and 5), is written here by hand.
def biff2(rows: list[list[object]]) -> bytes:
    out = io.BytesIO()

    def record(kind: int, data: bytes) -> None:
        out.write(kind.to_bytes(2, "little") + len(data).to_bytes(2, "little") + data)

    record(0x0009, struct.pack("<HH", 0x0002, 0x0010))
    for i, row in enumerate(rows):
        for j, cell in enumerate(row):
            head = struct.pack("<HH", i, j) + b"\0\0\0"
            if isinstance(cell, str):
                encoded = cell.encode("ascii")
                record(0x0004, head + bytes([len(encoded)]) + encoded)
            else:
                record(0x0003, head + struct.pack("<d", float(cell)))  # type: ignore[arg-type]
    record(0x000A, b"")
    return out.getvalue()


def test_xls(tmp_path: Path) -> None:
    rows: list[list[object]] = [["Time", "PV energy [Wh]"]]
    rows += [[f"{at:%d.%m.%Y %H:%M}", int(value)] for at, value in zip(NAIVE, ENERGY, strict=True)]
    path = tmp_path / "a.xls"
    path.write_bytes(biff2(rows))
    assert_same(read_file(path, TZ), ENERGY, 15)


def test_xls_with_times_as_serial_numbers(tmp_path: Path) -> None:
    epoch = datetime(1899, 12, 30)  # noqa: DTZ001 (a workbook knows no zones)
    rows: list[list[object]] = [["Time", "PV energy [Wh]"]]
    rows += [[(at - epoch).total_seconds() / 86_400, int(value)] for at, value in zip(NAIVE, ENERGY, strict=True)]
    path = tmp_path / "a.xls"
    path.write_bytes(biff2(rows))
    assert_same(read_file(path, TZ), ENERGY, 15)
