"""What is sent by mistake or by malice: a plain sentence, in bounded time and memory, and nothing left behind."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import openpyxl
import pytest

from portal.readers import ReadError, UndecidedError
from tests.readers.dialects import assert_same, local_index, read_file, save, truth, variant, write

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


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("empty.csv", b"", "is empty"),
        ("blank.csv", b"\n\n  \n", "no text"),
        ("prose.csv", b"Dear all,\nplease find the readings attached.\n", "no column with dates"),
        ("numbers.csv", b"1,2,3\n4,5,6\n", "no column with dates"),
        ("header.csv", b"Timestamp,PV energy [kWh]\n", "no readings stand below it"),
        ("report.csv", b"%PDF-1.7 \x00\x01", "PDF"),
        ("photo.csv", b"\x89PNG\r\n\x1a\n\x00", "picture"),
        ("photo.csv", b"\xff\xd8\xff\xe0\x00", "picture"),
        ("log.csv.gz", b"\x1f\x8b\x08\x00", "gzip"),
        ("log.rar", b"Rar!\x1a\x07", "RAR"),
        ("a.csv", b"\x7fELF\x02\x01", "program"),
        ("a.csv", bytes(range(256)) * 40, "binary data"),
        ("portal.csv", b"<!DOCTYPE html>\n<html><body>Please log in</body></html>", "web page"),
        ("table.xls", b"\xef\xbb\xbf<html xmlns:x='urn'><table><tr><td>1</td></tr></table></html>", "web page"),
        (
            "book.xls",
            b'<?xml version="1.0"?>\n<?mso-application progid="Excel.Sheet"?>\n<Workbook></Workbook>',
            "as XML",
        ),
        ("data.csv", b'{"readings": []}', "JSON"),
        ("data.csv", b'[{"t": 1}]', "JSON"),
        ("other.xml", b"<?xml version='1.0'?><plants><plant/></plants>", "Green Button"),
        ("broken.xml", b"<?xml version='1.0'?><feed><entry>", "broken or cut off"),
        ("short.zip", b"PK\x03\x04\x14\x00", "damaged or incomplete zip"),
        ("nem13.csv", b"100,NEM13,200401011200,MDA1,Ret1\n", "NEM13"),
    ],
)
def test_what_holds_no_readings_is_refused_with_a_sentence(
    tmp_path: Path, name: str, content: bytes, says: str
) -> None:
    assert says in refused(save(tmp_path, content, name))


def _limited(paths: list[Path], seconds: int, megabytes: int) -> list[str]:
    """Read files in one process that may not take more of either; return the sentences."""
    script = (
        "import resource, sys\nfrom pathlib import Path\nfrom datetime import UTC, datetime\n"
        "from portal.readers import ReadError, read\n"
        f"resource.setrlimit(resource.RLIMIT_CPU, ({seconds}, {seconds}))\n"
        f"resource.setrlimit(resource.RLIMIT_DATA, ({megabytes} << 20, {megabytes} << 20))\n"
        "for path in map(Path, sys.argv[1:]):\n"
        "    try:\n        read(path, filename=path.name, tz='Europe/Berlin', now=datetime(2026, 11, 25, tzinfo=UTC))\n"
        "    except ReadError as error:\n        print(error)\n"
    )
    env = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-c", script, *map(str, paths)]
    done = subprocess.run(command, capture_output=True, text=True, env=env, check=False)
    assert done.returncode == 0, done.stderr[-500:]
    return done.stdout.strip().splitlines()


def test_monstrous_files_are_refused_within_400_mb_and_half_a_minute(tmp_path: Path) -> None:
    commas = tmp_path / "two-gigabytes-of-commas.csv"
    with commas.open("wb") as out:
        out.write(b"Timestamp,PV energy [kWh]\n" + b"," * (1 << 24))
        out.truncate(2_000_000_000)
    one_line = save(tmp_path, b"Timestamp,PV energy [kWh]\n" + b"," * (1 << 24), "one-line.csv")
    line = b"2024-05-02 00:00," + b"1," * 1_000_000 + b"\n"
    million = save(tmp_path, line + line, "a-million-columns.csv")
    lines = b"".join(b"2024-05-%02d 00:00," % day + b"1," * 4_000 + b"\n" for day in range(1, 29))
    columns = save(tmp_path, lines, "four-thousand-columns.csv")
    short = save(tmp_path, (b",," * 30 + b"\n") * 2_000_000, "short-lines.csv")
    dates = b"".join(b"%d.13.2024 99:00,1\n" % (number % 97) for number in range(400_000))
    unreadable = save(
        tmp_path, b"Timestamp,PV energy [kWh]\n" + b"02.05.2024 00:00,1\n" * 20_000 + dates, "unreadable.csv"
    )
    elements = save(tmp_path, b"<feed>" + b"<a/>" * 600_000, "elements.xml")
    parts = save(tmp_path, b"<feed><entry><IntervalReading>" + b"<a/>" * 600_000, "parts.xml")

    said = _limited([commas, one_line, million, columns, short, unreadable, elements, parts], 30, 400)

    for sentence, part in zip(
        said,
        [
            "is 2.0 GB",
            "line of more than",
            "line of more than",
            "has 4,002 columns",
            "no column with dates",
            "lines of unreadable.csv cannot be read",
            "broken or cut off",
            "over 500 parts",
        ],
        strict=True,
    ):
        assert part in sentence


def test_cells_of_sixty_thousand_spaces(tmp_path: Path) -> None:
    # A cell that makes a careless pattern look at each space from each space.
    cell = b"1" + b" " * 60_000 + b"x"
    lines = write(variant(), ENERGY).split(b"\n")
    lines[3:4] = [b"2024-05-02 00:30," + cell, b"2024-05-02" + b" " * 60_000 + b"x,1", cell + b"," + cell]
    start = time.process_time()
    result = read_file(save(tmp_path, b"\n".join(lines)), TZ)
    assert time.process_time() - start < 5
    assert [rejected.line for rejected in result.rejected] == [4, 5, 6]


def test_a_quotation_mark_that_is_never_closed(tmp_path: Path) -> None:
    content = write(variant(), truth(MAY, 200, TZ, 15)).replace(b"2024-05-20 00:00", b'"2024-05-20 00:00')
    assert "quotation mark" in refused(save(tmp_path, content))


@pytest.mark.parametrize("year", ["1900", "2500", "0001", "9999"])
def test_years_out_of_reach_are_rejected_line_by_line(tmp_path: Path, year: str) -> None:
    content = write(variant(), ENERGY).replace(b"2024-05-05 12:00", year.encode() + b"-05-05 12:00")
    result = read_file(save(tmp_path, content), TZ)
    assert [rejected.text[:4] for rejected in result.rejected] == [year]
    assert result.rejected_count == 1
    assert len(result.readings.energy_wh) == len(ENERGY)
    whole = write(variant(), ENERGY).replace(b"2024-", year.encode() + b"-")
    assert "date" in refused(save(tmp_path, whole))


def test_stamps_ahead_of_today_are_rejected(tmp_path: Path) -> None:
    later = truth(date(2026, 11, 23), 6, TZ, 15)
    result = read_file(save(tmp_path, write(variant(), later)), TZ)
    assert result.rejected_count > 0
    assert {rejected.reason for rejected in result.rejected} == {"the time lies ahead of today"}
    assert result.readings.energy_wh.last_valid_index() < later.index[-1]


@pytest.mark.parametrize(
    ("cell", "says"),
    [
        ("1e308", "no plant produces that much"),
        ("-1e308", "no plant produces that much"),
        ("1e999", "no number"),
        ("inf", "no number"),
        ("-inf", "no number"),
        ("1_000", "no number"),
        ("0x10", "no number"),
        ("abc", "no number"),
        ("=1+1", "no number"),
        ("88888", "more than 20 times"),
        ("-3", "negative"),
    ],
)
def test_impossible_figures_are_rejected_with_their_line(tmp_path: Path, cell: str, says: str) -> None:
    lines = write(variant(), ENERGY).decode().splitlines()
    lines[250] = lines[250].split(",")[0] + "," + cell
    result = read_file(save(tmp_path, "\n".join(lines).encode()), TZ)
    assert [rejected.line for rejected in result.rejected] == [251]
    assert says in result.rejected[0].reason
    assert cell in result.rejected[0].text
    assert_same(result, ENERGY.drop(ENERGY.index[249]), 15)


def test_figures_whose_sum_no_number_holds_are_rejected(tmp_path: Path) -> None:
    text = write(variant(), ENERGY).decode().splitlines()
    for at in (250, 251):
        text[at] = text[at].split(",")[0] + ",1.7e308"
    result = read_file(save(tmp_path, "\n".join(text).encode()), TZ)
    assert [rejected.line for rejected in result.rejected] == [251, 252]
    assert_same(result, ENERGY.drop(ENERGY.index[249:251]), 15)


def test_nan_is_a_blank(tmp_path: Path) -> None:
    lines = write(variant(), ENERGY).decode().splitlines()
    lines[250] = lines[250].split(",")[0] + ",NaN"
    result = read_file(save(tmp_path, "\n".join(lines).encode()), TZ)
    assert (result.blanks, result.rejected_count) == (1, 0)


def test_short_and_long_lines_are_rejected(tmp_path: Path) -> None:
    lines = write(variant(extra=True), ENERGY).decode().splitlines()
    lines[250] = lines[250].split(",")[0]
    lines[300] += ",1,2"
    result = read_file(save(tmp_path, "\n".join(lines).encode()), TZ)
    assert [(rejected.line, rejected.reason) for rejected in result.rejected] == [
        (251, "the line ends after 1 of 4 fields"),
        (301, "the line has 6 fields where the header has 4"),
    ]


def test_the_count_of_rejected_lines_is_whole_when_the_list_is_not(tmp_path: Path) -> None:
    energy = truth(MAY, 60, TZ, 15)
    lines = write(variant(), energy).decode().splitlines()
    for at in range(1, len(lines), 2):
        lines[at] = lines[at].split(",")[0] + ",abc"
    result = read_file(save(tmp_path, "\n".join(lines).encode()), TZ)
    assert result.rejected_count == len(energy) // 2
    assert len(result.rejected) == 1000
    assert result.rows_read == len(energy)


def test_someone_elses_consumption_is_refused(tmp_path: Path) -> None:
    load = [150 + (i * 37) % 200 for i in range(len(ENERGY))]
    stamps = local_index(ENERGY, TZ)
    text = "Timestamp,Energy [Wh]\n" + "".join(
        f"{at:%Y-%m-%d %H:%M},{value}\n" for at, value in zip(stamps, load, strict=True)
    )
    with pytest.raises(UndecidedError, match="looks like consumption") as asked:
        read_file(save(tmp_path, text.encode()), TZ)
    assert asked.value.questions[0].code == "night"
    named = text.replace("Energy [Wh]", "Consumption [Wh]")
    assert "used or bought" in refused(save(tmp_path, named.encode()))


def test_production_at_midnight_is_the_wrong_zone(tmp_path: Path) -> None:
    energy = truth(MAY, 10, "Australia/Sydney", 15)
    text = "Timestamp,PV energy [Wh]\n" + "".join(
        f"{at:%Y-%m-%d %H:%M},{value}\n" for at, value in zip(energy.index, energy, strict=True)
    )
    path = save(tmp_path, text.encode())
    with pytest.raises(UndecidedError, match="where the sun is not") as asked:
        read_file(path, "Australia/Sydney")
    assert [question.code for question in asked.value.questions] == ["hours"]
    assert_same(read_file(path, "Australia/Sydney", asked.value.mapping.answered("hours", "utc")), energy, 15)


def test_nothing_is_left_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(scratch))
    book = openpyxl.Workbook()
    book.active.append(["no", "readings"])
    book.active.append(["in", "here"])
    book.save(tmp_path / "a.xlsx")
    refused(tmp_path / "a.xlsx")
    refused(save(tmp_path, b"nothing,here\n1,2\n"))
    assert list(scratch.iterdir()) == []
