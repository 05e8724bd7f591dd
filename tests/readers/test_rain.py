"""A rain gauge's daily series is read, and what is not rain is named by line."""

import gzip
import random
from collections.abc import Callable
from datetime import date, timedelta

import pytest

from portal.readers.rain import MOST_RAIN_BYTES, read_rain, read_rain_file
from portal.readers.reading import ReadError
from tests import ghcn


def test_days_and_millimetres_are_read_under_a_header() -> None:
    rain, rejected = read_rain(["date,rain_mm", "2026-05-30,0", "2026-05-31,4.2"])
    assert rain == {date(2026, 5, 30): 0.0, date(2026, 5, 31): 4.2}
    assert rejected == []


@pytest.mark.parametrize("line", ["31/05/2026,4", "2026-05-31,nan", "2026-05-31,-1", "2026-05-31,9999", "2026-05-31"])
def test_a_line_that_is_no_rain_is_named(line: str) -> None:
    rain, rejected = read_rain(["2026-05-30,1", line])
    assert list(rain) == [date(2026, 5, 30)]
    assert [one.line for one in rejected] == [2]


def test_a_file_without_rain_is_refused_in_a_sentence() -> None:
    with pytest.raises(ReadError, match="columns date and rain_mm"):
        read_rain(["<html>", "hello"])


NUMBER = "USW00094728"
LAYOUTS = [ghcn.dly, ghcn.by_station, ghcn.access]


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("seed", range(3))
def test_what_is_written_to_the_documented_layout_is_read_back(layout: Callable[..., str], seed: int) -> None:
    chance = random.Random(seed)
    first = date(2023, 1, 1) + timedelta(chance.randrange(400))
    days = {}
    for number in range(90):
        if chance.random() < 0.9:  # some days are missing from the file
            days[first + timedelta(number)] = (chance.choice([0, 3, 42, 1016]), chance.choice(["", "T"]), "")
    record = read_rain_file(layout(NUMBER, days).encode())
    assert record.rain_mm == {day: pytest.approx(tenths / 10) for day, (tenths, _, _) in days.items()}
    assert (record.station, record.rejected, record.failed_checks) == (NUMBER, [], 0)
    if layout is ghcn.access:
        assert (record.name, record.latitude, record.longitude) == ("INVENTED PARK, NY US", 40.77898, -73.96925)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_days_that_the_networks_checks_doubt_or_nobody_measured_are_left_out(layout: Callable[..., str]) -> None:
    """Quality flags of readme.txt: D duplicate, G gap, I internal consistency, K streak, X bounds; blank passed.

    Measurement flag P: missing presumed zero; T: a trace, whose value is 0.
    """
    days = {date(2026, 5, 1): (42, "", ""), date(2026, 5, 2): (0, "T", "")}
    doubted = {date(2026, 5, 2 + at): (500, "", flag) for at, flag in enumerate("DGIKLMNORSTWXZ", start=1)}
    doubted[date(2026, 5, 30)] = (0, "P", "")
    record = read_rain_file(layout(NUMBER, days | doubted).encode())
    assert record.rain_mm == {date(2026, 5, 1): 4.2, date(2026, 5, 2): 0.0}
    assert record.failed_checks == len(doubted)


@pytest.mark.parametrize("layout", [ghcn.dly, ghcn.by_station])
def test_other_elements_are_no_rain(layout: Callable[..., str]) -> None:
    days = {date(2026, 5, 1): (42, "", "")}
    text = layout(NUMBER, {date(2026, 5, 1): (128, "", "")}, "TMAX") + layout(NUMBER, days)
    assert read_rain_file(text.encode()).rain_mm == {date(2026, 5, 1): 4.2}
    with pytest.raises(ReadError, match="no day of rain"):
        read_rain_file((layout(NUMBER, days, "MDPR")).encode())


def test_a_packed_file_is_read_and_a_bomb_is_not() -> None:
    text = ghcn.by_station(NUMBER, {date(2026, 5, 1): (42, "", "")})
    packed = gzip.compress(text.encode())
    assert read_rain_file(packed).rain_mm == {date(2026, 5, 1): 4.2}
    with pytest.raises(ReadError, match="damaged or cut off"):
        read_rain_file(packed[:-9])
    with pytest.raises(ReadError, match="larger than 32 MB"):
        read_rain_file(gzip.compress(b" " * (MOST_RAIN_BYTES + 1)))


def test_wrong_lines_are_named_and_a_second_station_is_refused() -> None:
    days = {date(2026, 5, 1): (42, "", "")}
    torn = ghcn.by_station(NUMBER, days) + f"{NUMBER},20269901,PRCP,1,,,W\n{NUMBER},20260502,PRCP,-3,,,W\nhalf a li"
    assert [one.line for one in read_rain_file(torn.encode()).rejected] == [2, 3, 4]
    two = ghcn.by_station(NUMBER, days) + ghcn.by_station("ASN00066062", days)
    with pytest.raises(ReadError, match="several stations"):
        read_rain_file(two.encode())
    line = ghcn.dly(NUMBER, days)
    assert [one.line for one in read_rain_file((line + line.replace("-9999", "wrong", 1)).encode()).rejected] == [2]
