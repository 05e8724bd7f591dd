"""Dirt that others' models make of rain that others measured, found in the readings of a roof that is dimmed by it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from portal.pv.assessment import assess
from portal.pv.readings import SiteReadings
from portal.pv.result import Assessment, Verdict
from tests.pv import greensboro, planted

# pvlib 0.16 still calls properties that pandas 3.1 deprecates.
pytestmark = [
    pytest.mark.filterwarnings("ignore:DatetimeIndex.dayofyear is deprecated"),
    pytest.mark.filterwarnings("ignore:DatetimeIndex.values returning an ndarray"),
]

EVERY = 14


def looks(site: SiteReadings, loss: dict[date, float], first: date) -> Iterator[tuple[float, Assessment]]:
    """True present loss and assessment, every 14 days."""
    day = first
    while day <= max(loss):
        yield loss[day], assess(site, as_of=day)
        day += timedelta(days=EVERY)


def by_day(loss: pd.Series[float]) -> dict[date, float]:
    """The loss at noon of each local day."""
    local = pd.DatetimeIndex(loss.index).tz_convert(greensboro.ZONE)
    noon = local.hour == 12
    return dict(zip(local[noon].date, loss.to_numpy()[noon], strict=True))


def judge(seen: list[tuple[float, Assessment]]) -> tuple[float, float]:
    """Mean absolute error, and share of looks whose interval holds the truth."""
    told = [(true, said.present_loss, said.present_loss_ci) for true, said in seen]
    off = [abs(said - true) for true, said, band in told if said is not None and band is not None]
    # An interval that begins at nothing holds nothing.
    held = [band.low - 1e-4 <= true <= band.high for true, said, band in told if band is not None]
    return float(np.mean(off)), float(np.mean(held))


def test_kimbers_model_makes_of_greensboros_rain_what_pvlib_publishes() -> None:
    # pvlib-python, tests/data/greensboro_kimber_soil_manwash.dat: with a wash on 15 February 1990. The first year only.
    rain = greensboro.rain_mm().iloc[:8760]
    loss = pvlib.soiling.kimber(rain, manual_wash_dates=[date(2021, 2, 15)]).to_numpy()
    published = {(2, 10, 20): 0.0018125, (2, 14, 23): 0.008, (2, 15, 0): 0.0, (2, 20, 12): 0.00825, (2, 24, 0): 0.0135}
    ends = pd.DatetimeIndex(rain.index)
    for (month, day, hour), value in published.items():
        here = (ends.month == month) & (ends.day == day) & (ends.hour == hour)
        assert loss[here] == pytest.approx([value], abs=1e-9)


def test_greensboros_own_soiling_is_followed_and_calls_for_no_wash() -> None:
    # Kimber's model as pvlib's tests run it: 0.15 % a day, 6 of rain clean, 14 days of grace. It reaches 3.1 %.
    loss = pvlib.soiling.kimber(greensboro.rain_mm())
    for gauge in (True, False):
        seen = list(looks(greensboro.roof(loss, gauge=gauge), by_day(loss), date(2021, 12, 31)))
        off, held = judge(seen)
        assert len(seen) >= 26
        assert off <= 0.01
        assert held >= 0.86
        assert not any(said.verdict in (Verdict.SOILING, Verdict.OTHER_FAULT) for _, said in seen)


def test_dirt_on_greensboros_roof_is_followed_from_rain_to_rain() -> None:
    # Kimber's model at twice the suburban rate of southern California (0.16 % a day, Kimber et al. 2006, as pvlib's
    # documentation has it), two days of grace: up to 10 %.
    loss = pvlib.soiling.kimber(greensboro.rain_mm(), soiling_loss_rate=0.003, grace_period=2)
    site, truth = greensboro.roof(loss, gauge=True), by_day(loss)
    seen = list(looks(site, truth, date(2021, 12, 31)))
    off, held = judge(seen)
    assert off <= 0.012
    assert held >= 0.86
    dirtiest = max((day for day in truth if day.year == 2022), key=lambda day: truth[day])
    assert truth[dirtiest] > 0.09
    # The rain that takes it falls in that day's afternoon.
    assert assess(site, as_of=dirtiest - timedelta(days=1)).verdict == Verdict.SOILING
    assert not any(said.verdict == Verdict.SOILING for true, said in seen if true < 0.025)


def test_dust_that_settles_as_hsus_model_has_it_is_followed() -> None:
    # pvlib's HSU model (Coello and Boyle 2019, doi:10.1109/JPHOTOV.2019.2919628) on the year of rain and fine dust that
    # pvlib's gallery runs it on, under a made sky that has clouds where that rain falls. It levels off.
    frame = pd.read_csv(
        Path(pvlib.__file__).parent / "data" / "soiling_hsu_example_inputs.csv", index_col=0, parse_dates=True
    )
    ratio = pvlib.soiling.hsu(frame["rain"], 0.5, 25.0, frame["PM2_5"], frame["PM10"])
    days = [float(value) for value in ratio.resample("D").mean()] * 2
    rain = np.tile(frame["rain"].resample("D").sum().to_numpy(), 2)
    sky = planted.weather(seed=5, days=len(days), latitude=33.0, longitude=-115.5, tz="America/Los_Angeles")
    sky = replace(sky, rain_mm=rain, cloudy=(sky.cloudy & (rain == 0) & (np.arange(len(rain)) % 2 == 0)) | (rain > 0))
    site = planted.site(sky, np.array(days), with_rain=True)
    truth = dict(zip(sky.dates, (1 - np.array(days)).tolist(), strict=True))
    seen = list(looks(site, truth, sky.dates[365]))
    off, held = judge(seen)
    assert off <= 0.02
    assert held >= 0.86
    assert all(said.verdict != Verdict.SOILING for true, said in seen if true < 0.025)
