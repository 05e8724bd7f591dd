"""Days that nobody read: rows stand on an axis of days without holes, on the full and on the short way."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from portal.pv.assessment import assess, assess_town
from portal.pv.daily import NO_READINGS
from portal.pv.memory import FULL_FIT_EVERY, from_bytes
from portal.pv.quality import new_days, reduce_to_days
from portal.pv.readings import SiteReadings
from tests.pv.planted import START, dust, site, weather

DAYS = 200
SKY = weather(days=DAYS, minutes=60)
SITES = [site(SKY, dust(SKY, 0.001 * (n + 1)), seed=n, planes=((20.0 + 3 * n, 180.0, 5.0),)) for n in range(3)]


def without(readings: SiteReadings, lost: list[int], until: int) -> SiteReadings:
    """The record up to a day, some days of it never read (absent, not even as NaN)."""
    local = pd.DatetimeIndex(readings.energy_wh.index).tz_convert(readings.array.tz)
    day = (local.tz_localize(None).normalize() - pd.Timestamp(START)).days.to_numpy()
    return SiteReadings(readings.array, readings.energy_wh[(day < until) & ~np.isin(day, lost)], 60, key=readings.key)


holes = st.lists(st.integers(1, DAYS - 2), max_size=12, unique=True)


@given(lost=holes, known=st.integers(60, DAYS - 12), more=st.integers(1, 11))
@settings(max_examples=25, deadline=None)
def test_known_and_new_rows_lie_end_to_end_whatever_was_not_read(lost: list[int], known: int, more: int) -> None:
    before = reduce_to_days(SITES[0].array, without(SITES[0], lost, known).energy_wh, 60)
    whole = without(SITES[0], lost, known + more)
    new = new_days(whole.array, whole.energy_wh, 60, before.rows, before.meter)
    days = np.concatenate([before.rows["day"], new["day"]])
    assert (np.diff(days) == 1).all()
    unread = {int(day) for day in days[np.concatenate([before.rows["flag"], new["flag"]]) == NO_READINGS]}
    first = (START - pd.Timestamp(0).date()).days
    assert unread == {first + day for day in lost if first + day <= days[-1] and first + day >= days[0]}


@given(lost=st.lists(st.integers(150, DAYS - 3), min_size=1, max_size=8, unique=True), at=st.integers(0, 2))
@settings(max_examples=6, deadline=None)
def test_a_town_goes_on_where_one_roof_lacks_days(lost: list[int], at: int) -> None:
    def town(until: int) -> list[SiteReadings]:
        return [without(one, lost if n == at else [], until) for n, one in enumerate(SITES)]

    known = 160
    first = assess_town(town(known), as_of=START + timedelta(days=known - 1))
    for until in (known + 3, known + FULL_FIT_EVERY + 2, DAYS):
        as_of = START + timedelta(days=until - 1)
        answers = assess_town(town(until), as_of=as_of, previous=[answer.memory for answer in first])
        for answer in answers:
            days = [day.toordinal() for day in answer.daily.index]
            assert (np.diff(days) == 1).all()
            memory = from_bytes(answer.memory)
            assert memory is None or (np.diff(memory.rows["day"]) == 1).all()
        first = answers


def test_a_roof_whose_new_readings_begin_after_a_hole_keeps_the_days_between() -> None:
    whole = SITES[1]
    known = assess(without(whole, [], 150))
    gone = list(range(150, 153))
    answer = assess(without(whole, gone, 156), previous=known.memory)
    lost = answer.daily.loc[[START + timedelta(days=day) for day in gone]]
    assert lost["energy_wh"].isna().all()
    assert (lost["expected_wh"] > 0).all()
    assert len(answer.daily) == 156
