"""A rain gauge's daily series is read, and what is not rain is named by line."""

from datetime import date

import pytest

from portal.readers.rain import read_rain
from portal.readers.reading import ReadError


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
