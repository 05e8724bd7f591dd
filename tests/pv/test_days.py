"""Local days where clocks change at midnight, and blocks of other intervals, against the zone database."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from portal.pv.days import day_starts, join_days


@pytest.mark.parametrize(
    ("tz", "day", "hours"),
    [
        # IANA tz database, file northamerica, rules Cuba: clocks went back on the first Sunday of November at 0:00
        # standard time, so that 0:00 to 1:00 came twice. What is over does not change when the database does.
        ("America/Havana", date(2023, 11, 5), 25),
        # the same, file africa: in Egypt summer time begins at 0:00 of the last Friday of April, which has no midnight
        ("Africa/Cairo", date(2024, 4, 26), 23),
    ],
)
def test_a_day_whose_midnight_comes_twice_or_never_is_whole(tz: str, day: date, hours: int) -> None:
    begin, end = day_starts(day, day, tz=tz)
    assert end - begin == timedelta(hours=hours)
    # the first instant whose date it is, as the standard library reads the zone
    before = (begin - timedelta(seconds=1)).to_pydatetime().astimezone(ZoneInfo(tz))
    first = begin.to_pydatetime().astimezone(ZoneInfo(tz))
    assert (before.date(), first.date()) == (day - timedelta(days=1), day)
    assert isinstance(first, datetime)


def test_what_cannot_be_split_honestly_is_left_out_and_what_can_be_summed_is() -> None:
    day = date(2026, 6, 1)
    twenty, hourly = np.ones(72, dtype=np.float32), np.ones(24, dtype=np.float32)
    assert join_days([(day, 20, twenty)], tz="America/Denver", interval_minutes=30).isna().all()
    assert join_days([(day, 60, hourly)], tz="America/Denver", interval_minutes=30).isna().all()
    hours = join_days([(day, 20, twenty)], tz="America/Denver", interval_minutes=60)
    assert hours.tolist() == [3.0] * 24
