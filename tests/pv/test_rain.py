"""Whether rain may have washed the modules: what a gauge says, what it misses, and the sky where there is none."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from portal.pv.daily import DAY, EPOCH, Daily, Metering
from portal.pv.rain import wash_chance

DARK = 40
"""Number of the one dark day among the bright ones."""
FIRST = 19_000


def days(count: int = 80) -> Daily:
    rows = np.zeros(count, dtype=DAY)
    rows["day"] = FIRST + np.arange(count)
    rows["bright"] = 0.9
    rows["bright"][DARK] = 0.2
    return Daily(rows, 60, 0, 0, Metering(1.0, 0, 0.0, 1.0, 1.0, 1.0))


def gauge(fell_mm: dict[int, float], count: int = 80) -> pd.Series[float]:
    dates = [EPOCH + timedelta(days=FIRST + number) for number in range(count)]
    return pd.Series([fell_mm.get(number, 0.0) for number in range(count)], index=pd.Index(dates, dtype=object))


@pytest.mark.parametrize(("fell_mm", "least", "most"), [(1.0, 0.0, 0.05), (10.0, 0.75, 1.0), (20.0, 0.9, 1.0)])
def test_a_gauge_tells_a_rain_that_washes_whatever_the_sky(fell_mm: float, least: float, most: float) -> None:
    # Kimber et al. 2006 (doi:10.1109/WCPEC.2006.279690) and later: what cleans is a rain of some 3 to 10 mm a day or
    # more; a millimetre is none. The day is bright, so the sky tells nothing of it.
    bright = 20
    heavy = wash_chance(days(), gauge({bright: fell_mm}))[bright, 1]
    assert least <= heavy <= most


def test_a_gauge_tells_a_dry_dark_day_from_a_wet_one() -> None:
    sky = wash_chance(days(), None)[DARK].sum()
    dry = wash_chance(days(), gauge({}))[DARK].sum()
    wet = wash_chance(days(), gauge({DARK: 12.0}))[DARK].sum()
    assert dry < sky / 2 < sky < wet


def test_a_gauge_that_caught_nothing_on_a_dark_day_may_have_missed_a_rain() -> None:
    """Showers are small: a gauge some kilometres away misses one now and then. Common practice, no source."""
    light, heavy = wash_chance(days(), gauge({}))[DARK]
    assert light > 0.01
    assert heavy > 0.01
    assert light + heavy < 0.1
    assert wash_chance(days(), gauge({}))[20].sum() < 0.002, "under a clear sky there is nothing to miss"


def test_a_day_without_a_gauges_figure_is_judged_by_its_sky() -> None:
    sky = wash_chance(days(), None)
    assert wash_chance(days(), gauge({DARK: float("nan")}))[DARK] == pytest.approx(sky[DARK])
    short = wash_chance(days(), gauge({}, count=DARK))
    assert short[DARK:] == pytest.approx(sky[DARK:])
    assert sky[DARK].sum() == pytest.approx(0.4, abs=0.05), (
        "four in ten of the darkest days; common practice, no source"
    )
