"""The assessment on real production: a clean record at many dates, and dirt planted on it.

``pytest -m benchmark -s tests/pv/test_real.py`` prints more looks, and judges nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from fixtures.weather import Floats
from portal.pv.array import Plane
from portal.pv.assessment import assess
from portal.pv.orientation import as_seen
from portal.pv.quality import reduce_to_days
from portal.pv.readings import SiteReadings
from portal.pv.result import Verdict
from tests.pv.real import local_dates, soiled, summer, years

EVERY = 28

Shape = Callable[[int, float], Floats]
"""Loss of so many days at a rate."""


@pytest.mark.parametrize(
    ("tilt", "azimuth"), [(45.0, 158.0), (25.0, 158.0), (60.0, 158.0), (45.0, 185.0), (45.0, 130.0)]
)
def test_where_a_real_system_stands_is_seen_whatever_was_told(tilt: float, azimuth: float) -> None:
    """Its owners publish 45 degrees towards 158."""
    site = years()
    told = replace(site.array, planes=(Plane(tilt, azimuth, site.array.dc_kw),))
    found = as_seen(told, reduce_to_days(told, site.energy_wh, site.interval_minutes).seen).planes[0]
    assert abs(found.tilt - 45) < 3
    assert abs(found.azimuth - 158) < 2


@pytest.mark.long(8)
def test_a_system_known_to_stand_at_45_degrees_is_not_turned_and_its_clean_years_are_never_called_dirty() -> None:
    """Told as its owners publish it (see ``tests/pv/real.py``)."""
    site = years()
    days = local_dates(site)
    assert reduce_to_days(site.array, site.energy_wh, site.interval_minutes).seen is None
    told = [assess(site, as_of=days[number]).verdict for number in range(EVERY, len(days), 2 * EVERY)]
    assert len(told) > 15
    assert set(told) <= {Verdict.CLEAN, Verdict.UNSURE, Verdict.NOT_ENOUGH_DATA}
    assert Verdict.CLEAN in told


@pytest.mark.benchmark
@pytest.mark.parametrize("record", [years, summer])
def test_looks_at_a_clean_record(record: Callable[[], SiteReadings]) -> None:
    site = record()
    days = local_dates(site)
    missed = 0
    print(f"\n{site.key}, clean, alone; a look every {EVERY} days")
    for number in range(EVERY, len(days), EVERY):
        result = assess(site, as_of=days[number])
        band = result.present_loss_ci
        wrong = result.verdict == Verdict.SOILING or result.verdict == Verdict.OTHER_FAULT
        missed += wrong
        told = "no estimate" if band is None else f"{result.present_loss:.1%} ({band.low:.1%} to {band.high:.1%})"
        print(
            f"  day {number:4d} {days[number]} {result.verdict:16s} {result.cause or '':12s} {told}"
            f"{'   MISSED' if wrong else ''}"
        )
    print(f"  {missed} looks of {(len(days) - 1) // EVERY} missed")


def linear(days: int, rate: float) -> Floats:
    """Loss that grows by a rate a day."""
    return np.asarray(rate * np.arange(1, days + 1), dtype=np.float64)


def levelling(days: int, rate: float, most: float = 0.18) -> Floats:
    """Loss that begins at a rate a day and levels off, as dust on dust does (Ilse et al. 2019)."""
    return np.asarray(most * (1 - np.exp(-linear(days, rate) / most)), dtype=np.float64)


def dark_days(site: SiteReadings) -> list[int]:
    """Days on which it may have rained: under a third of the best of the weeks around."""
    local = pd.DatetimeIndex(site.energy_wh.index).tz_convert(site.array.tz)
    made = site.energy_wh.groupby(local.tz_localize(None).normalize()).sum(min_count=80)
    best = made.rolling(41, center=True, min_periods=10).quantile(0.9)
    return [int(day) for day in np.flatnonzero((made < 0.33 * best).to_numpy())]


def planted(days: int, dark: list[int], rate: float, shape: Shape, takes: float, seed: int) -> Floats:
    """Loss of each day: spells of 20 to 90 days, each ended by a rain on a dark day that takes this share of it."""
    rng = np.random.default_rng(seed)
    loss = np.zeros(days)
    curve = shape(4 * days, rate)
    day, lies = 0, 0.0
    while day < days:
        after = day + int(rng.integers(20, 91))
        end = next((one for one in dark if one >= after), days)
        # Goes on where the rain left it.
        begins = int(np.searchsorted(curve, lies)) if lies else 0
        loss[day:end] = np.minimum(curve[begins : begins + end - day], 0.5)
        lies = (1 - takes) * float(loss[end - 1])
        day = end
    return loss


@pytest.mark.benchmark
def test_dirt_planted_on_real_production_is_seen() -> None:
    """Linear and levelling-off dirt of 0.02 to 0.4 % a day, full and partial recoveries, one known wash."""
    site = years()
    days = local_dates(site)
    n, dark = len(days), dark_days(site)
    washed = n - 70
    off, held, found, told, gains, zero, gain_held = [], [], [], [], [], [], []
    print(f"\n{site.key}, planted dirt, one known wash 70 days before the end")
    for shape in (linear, levelling):
        for rate in (0.0002, 0.0005, 0.001, 0.002, 0.004):
            for takes in (1.0, 0.4):
                loss = planted(n, dark, rate, shape, takes, seed=int(1e6 * rate) + int(10 * takes))
                gain = float(loss[washed])
                loss[washed:] = shape(n - washed, rate)
                result = assess(soiled(site, 1 - loss, [days[washed]]))
                band, true = result.present_loss_ci, float(loss[-1])
                cleaning = next((one for one in result.cleanings if one.date == days[washed]), None)
                gained = None if cleaning is None else cleaning.gain
                print(
                    f"  {shape.__name__:10s} {100 * rate:.2f} % a day, rain takes {takes:.0%}: true {true:.1%}, said "
                    f"{'–' if band is None else f'{result.present_loss:.1%} ({band.low:.1%} to {band.high:.1%})'}, "
                    f"{result.verdict}; wash true {gain:.1%}, said {'–' if gained is None else f'{gained:.1%}'}"
                )
                if band is not None and result.present_loss is not None:
                    off.append(abs(result.present_loss - true))
                    held.append(band.low <= true <= band.high)
                if true >= 0.04:
                    found.append(result.verdict == Verdict.SOILING)
                    told.append(result.verdict == Verdict.CLEAN)
                if cleaning is not None and cleaning.gain is not None and cleaning.gain_ci is not None:
                    gains.append(abs(cleaning.gain - gain))
                    zero.append(gain)
                    gain_held.append(cleaning.gain_ci.low <= gain <= cleaning.gain_ci.high)
    print(
        f"  MAE {100 * np.mean(off):.2f} pp, covers {np.mean(held):.0%}, dirty found {np.sum(found)} of {len(found)}, "
        f"told clean {np.sum(told)}; gain MAE {100 * np.mean(gains):.2f} (always zero {100 * np.mean(zero):.2f}), "
        f"covers {np.mean(gain_held):.0%} of {len(gains)}"
    )
