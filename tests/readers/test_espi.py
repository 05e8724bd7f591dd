"""Green Button (NAESB REQ.21, ESPI)."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from datetime import date
from importlib.util import find_spec
from pathlib import Path

import pandas as pd
import pytest

from portal.readers import ReadError, UndecidedError
from tests.readers.dialects import assert_same, guess_file, read_file, save, truth

TZ = "America/Los_Angeles"
ENERGY = truth(date(2024, 3, 1), 20, TZ, 15)  # the clocks go forward on 10 March 2024


def entry(href: str, up: str, body: str, title: str = "", related: tuple[str, ...] = ()) -> str:
    links = "".join(f'<link rel="related" href="{to}"/>' for to in related)
    return (
        f'<entry><id>urn:uuid:{abs(hash(href))}</id><link rel="self" href="{href}"/><link rel="up" href="{up}"/>{links}'
        f"<title>{title}</title><content>{body}</content><updated>2024-04-01T00:00:00Z</updated></entry>"
    )


def reading_type(flow: int = 0, multiplier: int = 0, uom: int = 72, accumulation: int = 4, interval: int = 900) -> str:
    return (
        f"<espi:ReadingType><espi:accumulationBehaviour>{accumulation}</espi:accumulationBehaviour><espi:commodity>1</espi:commodity>"
        f"<espi:flowDirection>{flow}</espi:flowDirection><espi:intervalLength>{interval}</espi:intervalLength><espi:kind>12</espi:kind>"
        f"<espi:powerOfTenMultiplier>{multiplier}</espi:powerOfTenMultiplier><espi:uom>{uom}</espi:uom></espi:ReadingType>"
    )


def blocks(
    energy: pd.Series[int], base: str, factor: float = 1, quality: dict[int, int] | None = None, seconds: int = 900
) -> str:
    """A block a day, as the standard has it: starts in UTC seconds, a duration each."""
    out = []
    for number, (_, day) in enumerate(energy.groupby(pd.DatetimeIndex(energy.index).date)):
        rows = []
        for at, value in day.items():
            second = int(at.timestamp())  # type: ignore[attr-defined]
            flag = quality.get(second) if quality else None
            mark = f"<espi:ReadingQuality><espi:quality>{flag}</espi:quality></espi:ReadingQuality>" if flag else ""
            rows.append(
                f"<espi:IntervalReading>{mark}<espi:timePeriod><espi:duration>{seconds}</espi:duration><espi:start>{second}</espi:start>"
                f"</espi:timePeriod><espi:value>{value / factor:.12g}</espi:value></espi:IntervalReading>"
            )
        body = f"<espi:IntervalBlock>{''.join(rows)}</espi:IntervalBlock>"
        out.append(entry(f"{base}/IntervalBlock/{number}", f"{base}/IntervalBlock", body))
    return "".join(out)


def usage_point(number: int, title: str, energy: pd.Series[int], type_: str, **more: object) -> str:
    host = "https://data.example.org/espi/1_1/resource/"
    point = f"{host}RetailCustomer/1/UsagePoint/{number}"
    meter, kind = f"{point}/MeterReading/1", f"{host}ReadingType/{number}"
    return (
        entry(point, f"{host}RetailCustomer/1/UsagePoint", "<espi:UsagePoint/>", title, (f"{point}/MeterReading",))
        + entry(meter, f"{point}/MeterReading", "<espi:MeterReading/>", "", (f"{meter}/IntervalBlock", kind))
        + blocks(energy, meter, **more)  # type: ignore[arg-type]
        + entry(kind, f"{host}ReadingType", type_)
    )


def feed(*parts: str, tz_offset: int = -28_800) -> bytes:
    offsets = f"<espi:dstOffset>3600</espi:dstOffset><espi:tzOffset>{tz_offset}</espi:tzOffset>"
    local = f"<espi:LocalTimeParameters>{offsets}</espi:LocalTimeParameters>"
    return (
        '<?xml version="1.0" encoding="UTF-8"?><feed xmlns="http://www.w3.org/2005/Atom" xmlns:espi="http://naesb.org/espi">'
        + entry("https://data.example.org/LocalTimeParameters/1", "https://data.example.org/LocalTimeParameters", local)
        + "".join(parts)
        + "</feed>"
    ).encode()


def test_a_feed_comes_back_exactly_across_a_clock_change(tmp_path: Path) -> None:
    result = read_file(save(tmp_path, feed(usage_point(1, "Roof", ENERGY, reading_type())), "a.xml"), TZ)
    assert_same(result, ENERGY, 15)
    assert result.mapping.format == "espi"
    # Energy Policy Act of 2005: summer time begins at 2:00 local on the second Sunday of March, here 10:00 UTC.
    assert [f"{at:%Y-%m-%d %H:%M}" for at in result.clock_changes] == ["2024-03-10 10:00"]


@pytest.mark.parametrize(("multiplier", "factor"), [(-3, 0.001), (3, 1000.0), (0, 1.0)])
def test_the_power_of_ten_multiplier(tmp_path: Path, multiplier: int, factor: float) -> None:
    part = usage_point(1, "Roof", ENERGY, reading_type(multiplier=multiplier), factor=factor)
    result = read_file(save(tmp_path, feed(part), "a.xml"), TZ)
    got = result.readings.energy_wh
    assert float((got - ENERGY).abs().max()) < 1e-6


def test_watts_are_average_powers(tmp_path: Path) -> None:
    part = usage_point(1, "Roof", ENERGY * 4, reading_type(uom=38))
    assert_same(read_file(save(tmp_path, feed(part), "a.xml"), TZ), ENERGY, 15)


def test_a_running_register(tmp_path: Path) -> None:
    total = ENERGY.cumsum().shift(1, fill_value=0) + 1_000_000
    result = read_file(save(tmp_path, feed(usage_point(1, "Roof", total, reading_type(accumulation=1))), "a.xml"), TZ)
    assert_same(result, ENERGY.iloc[:-1], 15)


def test_the_reverse_flow_is_chosen_beside_the_forward_one_and_asked_about(tmp_path: Path) -> None:
    load = pd.Series(200, index=ENERGY.index)
    parts = (
        usage_point(1, "House", load, reading_type(flow=1)),
        usage_point(2, "House", ENERGY, reading_type(flow=19)),
    )
    path = save(tmp_path, feed(*parts), "a.xml")
    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    assert [question.code for question in asked.value.questions] == ["export"]
    assert_same(read_file(path, TZ, asked.value.mapping.answered("export", "all")), ENERGY, 15)


def test_what_was_delivered_to_the_house_is_asked_about_though_it_looks_like_a_day(tmp_path: Path) -> None:
    path = save(tmp_path, feed(usage_point(1, "Shop", ENERGY, reading_type(flow=1))), "a.xml")
    with pytest.raises(UndecidedError, match="what it used, not what the panels produced"):
        read_file(path, TZ)
    assert_same(read_file(path, TZ, guess_file(path, TZ).mapping.answered("delivered", "accept")), ENERGY, 15)


def test_the_net_beside_the_reverse_flow_is_left_out(tmp_path: Path) -> None:
    net = usage_point(1, "Front", ENERGY - 150, reading_type(flow=4))
    path = save(tmp_path, feed(net, usage_point(2, "Front", ENERGY, reading_type(flow=19))), "a.xml")
    assert_same(read_file(path, TZ, guess_file(path, TZ).mapping.answered("export", "surplus")), ENERGY, 15)


def test_hours_before_and_quarters_after_a_change_of_meter_are_one_history(tmp_path: Path) -> None:
    """Two meter readings of one usage point; where both speak the finer one is taken."""
    host = "https://data.example.org/espi/1_1/resource/"
    point = f"{host}RetailCustomer/1/UsagePoint/1"
    hours = ENERGY.resample("60min").sum()
    parts = [entry(point, f"{host}RetailCustomer/1/UsagePoint", "<espi:UsagePoint/>", "Roof")]
    for number, (energy, seconds) in enumerate(((hours.iloc[: 10 * 24], 3600), (ENERGY.iloc[6 * 96 :], 900)), 1):
        meter, kind = f"{point}/MeterReading/{number}", f"{host}ReadingType/{number}"
        parts += [
            entry(meter, f"{point}/MeterReading", "<espi:MeterReading/>", "", (f"{meter}/IntervalBlock", kind)),
            blocks(energy, meter, seconds=seconds),
            entry(kind, f"{host}ReadingType", reading_type(interval=seconds)),
        ]
    result = read_file(save(tmp_path, feed(*parts), "a.xml"), TZ)
    assert_same(result, hours, 60)
    assert "interval_changed" in [notice.code for notice in result.notices]


def test_several_usage_points_are_asked_about(tmp_path: Path) -> None:
    other = truth(date(2024, 3, 1), 20, TZ, 15, seed=5)
    path = save(
        tmp_path,
        feed(usage_point(1, "Roof", ENERGY, reading_type()), usage_point(2, "Barn", other, reading_type())),
        "a.xml",
    )
    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    choices = [choice.value for choice in asked.value.questions[0].choices]
    barn = next(choice for choice in choices if choice.startswith("Barn"))
    assert_same(read_file(path, TZ, asked.value.mapping.answered("meter", barn)), other, 15)
    assert_same(read_file(path, TZ, asked.value.mapping.answered("meter", "*")), ENERGY + other, 15)


def test_repeated_readings_are_taken_once_the_later_winning(tmp_path: Path) -> None:
    wrong = ENERGY.iloc[:96].copy()
    wrong[:] = 7
    host = "https://data.example.org/espi/1_1/resource/RetailCustomer/1/UsagePoint/1/MeterReading/1"
    parts = usage_point(1, "Roof", ENERGY, reading_type())
    result = read_file(save(tmp_path, feed(blocks(wrong, host) + parts), "a.xml"), TZ)
    assert result.duplicates == 96
    assert_same(result, ENERGY, 15)


def test_estimated_readings_are_energy_but_no_evidence(tmp_path: Path) -> None:
    noon = [int(at.timestamp()) for at in pd.DatetimeIndex(ENERGY.index) if at.day == 5 and at.hour == 20]
    part = usage_point(1, "Roof", ENERGY, reading_type(), quality=dict.fromkeys(noon, 8))
    result = read_file(save(tmp_path, feed(part), "a.xml"), TZ)
    estimated = ENERGY[[int(at.timestamp()) in noon for at in ENERGY.index]]
    assert [lump.energy_wh for lump in result.lumps] == [pytest.approx(float(estimated.sum()))]
    assert_same(result, ENERGY.drop(estimated.index), 15)


def test_links_missing_and_the_type_after_the_readings(tmp_path: Path) -> None:
    text = feed(blocks(ENERGY, ""), entry("", "", reading_type(multiplier=0))).decode()
    bare = text.replace('<link rel="self" href=""/><link rel="up" href=""/>', "")
    assert_same(read_file(save(tmp_path, bare.encode(), "a.xml"), TZ), ENERGY, 15)


def test_a_feed_of_gas_is_refused(tmp_path: Path) -> None:
    part = usage_point(1, "Stove", ENERGY, reading_type(uom=169))
    with pytest.raises(ReadError, match="gas"):
        read_file(save(tmp_path, feed(part), "a.xml"), TZ)


def test_a_broken_reading_is_rejected_with_its_line(tmp_path: Path) -> None:
    text = feed(usage_point(1, "Roof", ENERGY, reading_type())).decode().replace("<entry>", "\n<entry>")
    noon = int(pd.Timestamp("2024-03-05 20:00", tz="UTC").timestamp())
    broken = text.replace(f"<espi:start>{noon}</espi:start>", "<espi:start>noon</espi:start>")
    result = read_file(save(tmp_path, broken.encode(), "a.xml"), TZ)
    assert result.rejected_count == 1
    assert "start noon" in result.rejected[0].text
    assert broken.splitlines()[result.rejected[0].line - 1].count("noon") == 1


def test_another_zone_in_the_file_is_told(tmp_path: Path) -> None:
    content = feed(usage_point(1, "Roof", ENERGY, reading_type()), tz_offset=-18_000)
    result = read_file(save(tmp_path, content, "a.xml"), TZ)
    assert "other_zone" in {notice.code for notice in result.notices}


def test_a_cut_off_feed_names_the_line(tmp_path: Path) -> None:
    content = feed(usage_point(1, "Roof", ENERGY, reading_type()))
    with pytest.raises(ReadError, match="line 1: the XML is broken or cut off"):
        read_file(save(tmp_path, content[:-500], "a.xml"), TZ)


def test_a_real_year_that_nobody_here_wrote(tmp_path: Path) -> None:
    """The sample feed in the wheel jendobson.greenbutton 0.0.1 (MIT): a year of hours, no links, times in UTC."""
    spec = find_spec("greenbutton")
    assert spec is not None
    assert spec.submodule_search_locations is not None
    (path,) = (Path(spec.submodule_search_locations[0]) / "sample_data").glob("*.xml")

    # The same figures by the standard library's parser.
    espi = "{http://naesb.org/espi}"
    figures: dict[int, float] = {}
    for reading in ET.parse(path).iter(f"{espi}IntervalReading"):
        start, value = reading.find(f"{espi}timePeriod/{espi}start"), reading.find(f"{espi}value")
        assert start is not None
        assert value is not None
        figures[int(start.text or "")] = float(value.text or "")
    assert len(figures) > 8_000

    with pytest.raises(UndecidedError, match="looks like consumption"):
        read_file(path, TZ)
    result = read_file(path, TZ, guess_file(path, TZ).mapping.answered("night", "accept"))
    got = result.readings.energy_wh.dropna()
    assert result.readings.interval_minutes == 60
    lumped = sum(lump.energy_wh for lump in result.lumps)
    assert float(got.sum()) + lumped == pytest.approx(sum(figures.values()))
    assert all(
        figures[int(at.timestamp())] == value for at, value in zip(pd.DatetimeIndex(got.index), got, strict=True)
    )
