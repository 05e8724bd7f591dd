"""NEM12, the Meter Data File Format of the Australian market operator (AEMO).

The two blocks under ``PUBLISHED`` are the example of the specification itself ("Meter Data File Format Specification
NEM12 & NEM13", examples of actual interval data and of a day with substituted intervals), as AEMO also publishes it in
its NEM12 example files; typed from there.
"""

from __future__ import annotations

import zipfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import aemo_mdff_reader
import pandas as pd
import pytest

from portal.readers import ReadError, ReadResult, UndecidedError
from tests.readers.dialects import assert_same, guess_file, read_file, save, truth

TZ = "Australia/Brisbane"

PUBLISHED = "\n".join(
    [
        "100,NEM12,200405011135,MDA1,Ret1",
        "200,VABD000163,E1Q1,1,E1,N1,METSER123,kWh,30,",
        "300,20040201," + "1.111," * 48 + "A,,,20040202120025,20040202142516",
        "300,20040202," + "1.111," * 48 + "A,,,20040203120025,20040203142516",
        "200,VABD000163,E1Q1,2,Q1,N2,METSER123,kVArh,30,",
        "300,20040201," + "2.222," * 48 + "A,,,20040202120025,20040202142516",
        "900",
    ]
)


def nem12(energy: pd.Series[int], suffix: str = "B1", quality: str = "A", minutes: int = 5) -> list[str]:
    """Write whole days of market time (UTC+10 all year) as records 200 and 300."""
    lines = [f"200,4103123456,{suffix},1,{suffix},N1,12345,kWh,{minutes},"]
    market = (pd.DatetimeIndex(energy.index) + pd.Timedelta(hours=10)).tz_localize(None)
    for day, values in energy.groupby(market.date):
        assert len(values) == 1440 // minutes
        cells = ",".join(f"{value / 1000:.3f}" for value in values)
        lines.append(f"300,{day:%Y%m%d},{cells},{quality},,,{day:%Y%m%d}235959,")
    return lines


def wrap(*blocks: list[str]) -> bytes:
    lines = ["100,NEM12,202405011135,MDA1,Ret1"]
    for block in blocks:
        lines += block
    return "\n".join([*lines, "900"]).encode()


ENERGY = truth(date(2024, 9, 20), 30, TZ, 5)


def read_all(path: Path, tz: str = TZ, meter: str = "") -> ReadResult:
    mapping = guess_file(path, tz).mapping.answered("export", "all")
    return read_file(path, tz, mapping.answered("meter", meter) if meter else mapping)


def test_the_published_example(tmp_path: Path) -> None:
    path = save(tmp_path, PUBLISHED.encode(), "nem12.csv")
    with pytest.raises(UndecidedError, match="what it used, not what the panels produced"):
        read_file(path, TZ)
    result = read_file(path, TZ, guess_file(path, TZ).mapping.answered("delivered", "accept"))
    got = result.readings.energy_wh
    assert result.readings.interval_minutes == 30
    assert list(got) == [pytest.approx(1111.0)] * 96
    # Market time is UTC+10: the 1st of February begins at 14:00 UTC of the day before.
    assert got.index[0] == pd.Timestamp("2004-01-31 14:00", tz="UTC")
    assert result.readings.quality is not None
    assert set(result.readings.quality) == {"A"}
    assert [(channel.name, channel.direction, channel.taken) for channel in result.channels] == [
        ("VABD000163 E1", "consumption", True)
    ]


def test_a_production_channel_comes_back_exactly(tmp_path: Path) -> None:
    path = save(tmp_path, wrap(nem12(ENERGY)), "nem12.csv")
    assert_same(read_all(path), ENERGY, 5)


@pytest.mark.parametrize("tz", ["Australia/Sydney", "Australia/Adelaide"])
def test_market_time_knows_no_summer_time_and_no_states(tmp_path: Path, tz: str) -> None:
    # Sydney's clocks went forward on 6 October 2024, inside the span.
    energy = truth(date(2024, 9, 20), 30, "Etc/GMT-10", 30)
    path = save(tmp_path, wrap(nem12(energy, minutes=30)), "nem12.csv")
    assert_same(read_all(path, tz), energy, 30)


def test_generation_is_chosen_beside_consumption_and_asked_whether_it_is_all(tmp_path: Path) -> None:
    load = pd.Series(200, index=ENERGY.index)
    path = save(tmp_path, wrap(nem12(load, "E1"), nem12(ENERGY, "B1")), "nem12.csv")
    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    assert [question.code for question in asked.value.questions] == ["export"]
    result = read_file(path, TZ, asked.value.mapping.answered("export", "all"))
    assert_same(result, ENERGY, 5)
    assert [(channel.name[-2:], channel.taken) for channel in result.channels] == [("E1", False), ("B1", True)]


def test_two_generation_channels_are_asked_about_and_can_be_added_up(tmp_path: Path) -> None:
    other = truth(date(2024, 9, 20), 30, TZ, 5, seed=9)
    path = save(tmp_path, wrap(nem12(ENERGY, "B1"), nem12(other, "B2")), "nem12.csv")
    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    assert {question.code for question in asked.value.questions} == {"meter", "export"}
    mapping = asked.value.mapping.answered("export", "all")
    assert_same(read_file(path, TZ, mapping.answered("meter", "4103123456 B2")), other, 5)
    assert_same(read_file(path, TZ, mapping.answered("meter", "*")), ENERGY + other, 5)


def test_a_channel_that_went_from_30_to_5_minutes_is_one_history(tmp_path: Path) -> None:
    before = truth(date(2024, 9, 1), 19, TZ, 30)
    path = save(tmp_path, wrap(nem12(before, minutes=30), nem12(ENERGY)), "nem12.csv")
    result = read_all(path)
    assert_same(result, pd.concat([before, ENERGY.resample("30min").sum()]), 30)
    assert "interval_changed" in [notice.code for notice in result.notices]


def test_a_channel_of_use_alone_is_refused_though_it_looks_like_a_day(tmp_path: Path) -> None:
    path = save(tmp_path, wrap(nem12(ENERGY, "E1")), "nem12.csv")
    with pytest.raises(UndecidedError, match="what it used, not what the panels produced"):
        read_file(path, TZ)


def test_substituted_intervals_are_energy_but_no_evidence(tmp_path: Path) -> None:
    lines = nem12(ENERGY)
    day = lines[10].split(",")
    day[2 + 288] = "V"
    noon = 144
    lines[10:11] = [
        ",".join(day),
        f"400,1,{noon},A,,",
        f"400,{noon + 1},{noon + 12},S14,32,meter exchanged",
        f"400,{noon + 13},288,A,,",
    ]
    result = read_all(save(tmp_path, wrap(lines), "nem12.csv"))

    start = datetime(2024, 9, 29, 12, tzinfo=UTC) - timedelta(hours=10)
    held = ENERGY[(ENERGY.index >= start) & (ENERGY.index < start + timedelta(hours=1))]
    assert [lump.start for lump in result.lumps] == [start]
    assert result.lumps[0].energy_wh == pytest.approx(float(held.sum()))
    assert result.readings.energy_wh[held.index].isna().all()
    assert result.readings.quality is not None
    assert set(result.readings.quality[held.index]) == {"S14"}
    assert "estimated" in {notice.code for notice in result.notices}
    assert_same(result, ENERGY.drop(held.index), 5)


def test_a_day_of_the_wrong_length_is_rejected_and_the_others_are_kept(tmp_path: Path) -> None:
    lines = nem12(ENERGY)
    short = lines[5].split(",")
    del short[100]
    lines[5] = ",".join(short)
    result = read_all(save(tmp_path, wrap(lines), "nem12.csv"))
    assert [rejected.line for rejected in result.rejected] == [7]
    assert len(result.readings.energy_wh.dropna()) == len(ENERGY) - 288


def test_a_figure_beyond_all_reason_is_rejected_beside_a_clock_change(tmp_path: Path) -> None:
    energy = truth(date(2024, 9, 20), 30, "Etc/GMT-10", 30)
    lines = nem12(energy, minutes=30)
    cells = lines[5].split(",")
    cells[26] = "1e308"
    lines[5] = ",".join(cells)
    result = read_all(save(tmp_path, wrap(lines), "nem12.csv"), "Australia/Sydney")
    assert [(one.line, one.reason) for one in result.rejected] == [(7, "no plant produces that much")]
    assert_same(result, energy.drop(energy.index[4 * 48 + 24]), 30)


def test_blank_intervals_are_blank_and_not_zero(tmp_path: Path) -> None:
    lines = nem12(ENERGY)
    cells = lines[5].split(",")
    cells[150] = ""
    lines[5] = ",".join(cells)
    result = read_all(save(tmp_path, wrap(lines), "nem12.csv"))
    assert result.blanks == 1
    assert len(result.readings.energy_wh.dropna()) == len(ENERGY) - 1


def test_a_later_file_in_the_zip_replaces_a_day(tmp_path: Path) -> None:
    path = tmp_path / "nem12.zip"
    first = ENERGY.copy()
    first[:288] = 1
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("nem12#1.csv", wrap(nem12(first)))
        archive.writestr("nem12#2.csv", wrap(nem12(ENERGY[:288])))
    result = read_all(path)
    assert result.duplicates == 288
    assert_same(result, ENERGY, 5)


def test_nem13_is_refused_with_the_reason(tmp_path: Path) -> None:
    line = "250,4103123456,11,1,11,11,12345,E,000021.2,20031001103230,A,,,000534.5,20040201100030,E64,77,,343.5,kWh,,,"
    for content in (
        f"100,NEM13,200401011200,MDA1,Ret1\n{line}\n900",
        line,
        f"100,NEM12,200401011200,MDA1,Ret1\n{line}\n900",
    ):
        with pytest.raises(ReadError, match=r"NEM13.*months apart"):
            read_file(save(tmp_path, content.encode(), "nem13.csv"), TZ)


def test_a_file_of_reactive_energy_only_is_refused(tmp_path: Path) -> None:
    lines = [line.replace("kWh", "kVArh") for line in nem12(ENERGY, "Q1")]
    with pytest.raises(ReadError, match="kVArh"):
        read_file(save(tmp_path, wrap(lines), "nem12.csv"), TZ)


def test_readings_without_a_channel_are_rejected_line_by_line(tmp_path: Path) -> None:
    lines = nem12(ENERGY)
    result = read_all(save(tmp_path, wrap([lines[1]], lines), "nem12.csv"))
    assert [rejected.line for rejected in result.rejected] == [2]
    assert_same(result, ENERGY, 5)


def test_the_same_figures_as_the_reference_library_reads(tmp_path: Path) -> None:
    """aemo-mdff-reader (MIT), a reader of the format by others; it takes a blank for zero, so there are none here."""
    lines = nem12(ENERGY)
    day = lines[10].split(",")
    lines[10:11] = [",".join([*day[:-5], "V", *day[-4:]]), "400,1,144,A,,", "400,145,288,S14,32,meter exchanged"]
    path = save(tmp_path, wrap(lines), "nem12.csv")
    known = aemo_mdff_reader.parse_to_columns(str(path))
    starts = pd.DatetimeIndex(known["IntervalStart"]).tz_localize("Etc/GMT-10").tz_convert("UTC")
    theirs = pd.Series(known["Value"], index=starts) * 1000
    events = list(aemo_mdff_reader.parse_events(str(path)))

    result = read_all(path)
    ours = result.readings.energy_wh.dropna()
    assert len(ours) == len(theirs) - 144
    assert ours.to_numpy() == pytest.approx(theirs[ours.index].to_numpy())
    assert sum(lump.energy_wh for lump in result.lumps) == pytest.approx(float(theirs.drop(ours.index).sum()))
    assert result.readings.quality is not None
    of_the_day = result.readings.quality[theirs.index[9 * 288 : 10 * 288]]
    for one in events:
        assert set(of_the_day.iloc[one.start_interval - 1 : one.end_interval]) == {one.quality_method}


def test_a_day_of_null_data_holds_no_figures(tmp_path: Path) -> None:
    """Quality N is "Null Data": its figures are none (the specification, Appendix "Quality flag")."""
    whole, missing = nem12(ENERGY.iloc[:-288]), nem12(ENERGY.iloc[-288:], quality="N")
    result = read_all(save(tmp_path, wrap([*whole, *missing[1:]]), "null.csv"))
    assert_same(result, ENERGY.iloc[:-288], 5)


@pytest.mark.parametrize(("unit", "per_kwh"), [("Wh", 1000.0), ("MWh", 0.001)])
def test_the_unit_is_that_of_the_channel(tmp_path: Path, unit: str, per_kwh: float) -> None:
    lines = [nem12(ENERGY)[0].replace("kWh", unit)]
    for line in nem12(ENERGY)[1:]:
        cells = line.split(",")
        figures = [f"{float(cell) * per_kwh:.6f}" for cell in cells[2:290]]
        lines.append(",".join([*cells[:2], *figures, *cells[290:]]))
    assert_same(read_all(save(tmp_path, wrap(lines), "unit.csv")), ENERGY, 5)
