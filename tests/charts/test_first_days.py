"""The first days of a file, drawn small."""

from __future__ import annotations

import re
from datetime import UTC, datetime

from portal.charts.first_days import first_days


def test_the_days_below_do_not_run_into_each_other() -> None:
    drawn = first_days(datetime(2023, 11, 27, tzinfo=UTC), 60, [1000.0] * 96, tz="UTC")
    days = re.findall(r">([^<]*Nov[^<]*)</text>", drawn)
    assert days == ["27 Nov 2023", "28 Nov", "29 Nov", "30 Nov"]  # the year once
