"""Files of other parts of the world: months by their names in CLDR, text in Shift-JIS and GB18030."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from babel.dates import format_date

from portal import readers

NOW = datetime(2026, 6, 15, tzinfo=UTC)
HOURS = [datetime(2024, 5, 20) + timedelta(hours=hour) for hour in range(24 * 20)]  # noqa: DTZ001  # a wall's clock
KWH = [max(0.0, 4.0 - abs(12 - stamp.hour)) for stamp in HOURS]


def read(tmp_path: Path, content: bytes) -> readers.ReadResult:
    path = tmp_path / "file.csv"
    path.write_bytes(content)
    return readers.read(path, filename="file.csv", tz="UTC", now=NOW)


@pytest.mark.parametrize("language", ["de", "pl", "cs", "ru", "uk", "tr", "fi", "el", "hu", "ro", "sv", "lt", "id"])
def test_a_month_is_known_by_its_name_in_any_language(tmp_path: Path, language: str) -> None:
    """As CLDR writes a day of May and June, by Babel; the names were typed in by nobody here."""
    lines = [
        f"{format_date(stamp, 'd MMMM y', language)} {stamp:%H:%M};{kwh}" for stamp, kwh in zip(HOURS, KWH, strict=True)
    ]
    result = read(tmp_path, "\n".join(["Time;PV energy (kWh)", *lines]).encode())
    energy = result.readings.energy_wh.dropna()
    assert len(energy) == len(HOURS)
    assert energy.index[0] == datetime(2024, 5, 20, tzinfo=UTC)
    assert energy.sum() == pytest.approx(1000 * sum(KWH))


def test_a_word_that_is_another_month_elsewhere_is_not_taken_for_one(tmp_path: Path) -> None:
    """listopad: November in Polish and Czech, October in Croatian."""
    lines = [f"{stamp.day} listopad 2024 {stamp:%H:%M};{kwh}" for stamp, kwh in zip(HOURS, KWH, strict=True)]
    with pytest.raises(readers.ReadError):
        read(tmp_path, "\n".join(["Time;PV energy (kWh)", *lines]).encode())


@pytest.mark.parametrize(
    ("encoding", "header"), [("shift_jis", "日時,発電電力量(kWh)"), ("gb18030", "时间,发电量(kWh)")]
)
@pytest.mark.parametrize("written", ["%Y/%m/%d %H:%M", "%Y年%m月%d日 %H:%M"])
def test_east_asian_text_is_told_and_echoed_right(tmp_path: Path, encoding: str, header: str, written: str) -> None:
    lines = [f"{stamp.strftime(written)},{kwh}" for stamp, kwh in zip(HOURS, KWH, strict=True)]
    lines.insert(7, f"{header.split(',')[0]}?,x")  # a line to be rejected and shown
    result = read(tmp_path, "\n".join([header, *lines]).encode(encoding))
    assert result.readings.energy_wh.dropna().sum() == pytest.approx(1000 * sum(KWH))
    assert result.columns == tuple(header.split(","))


@pytest.mark.parametrize("word", ["Février", "Größe", "Produção", "Année, énergie été", "Ñandú"])
def test_western_text_is_not_taken_for_east_asian(tmp_path: Path, word: str) -> None:
    lines = [f"{stamp:%Y-%m-%d %H:%M};{kwh};{word}" for stamp, kwh in zip(HOURS, KWH, strict=True)]
    result = read(tmp_path, "\n".join([f"Time;PV energy (kWh);{word}", *lines]).encode("cp1252"))
    assert result.columns[2] == word
