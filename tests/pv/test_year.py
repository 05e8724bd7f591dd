"""What a roof's record says of its year (rates by season, rains, what they leave), read back from planted years."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from portal.pv.forecast import Money, PresentLoss, forecast
from portal.pv.worth import value_by_pentad
from portal.pv.year import PENTADS, read_year
from tests.pv.test_due import TODAY, steady_energy


def test_a_planted_year_is_read_back() -> None:
    """Three years: 0.2 % a day in the summer half, 0.05 % in the winter half; rain every 30 days takes nine tenths."""
    days = [date(2022, 1, 1) + timedelta(days=number) for number in range(3 * 365)]
    loss, losses, recoveries = 0.0, [], []
    for number, day in enumerate(days):
        loss += 0.002 if 4 <= day.month <= 9 else 0.0005
        if number % 30 == 29:
            recoveries.append((day, 0.9 * loss))
            loss *= 0.1
        losses.append(loss)
    ratio = pd.Series(1 - np.array(losses), index=pd.Index(days, dtype=object))
    mean = (0.002 * 183 + 0.0005 * 182) / 365
    year = read_year(ratio, recoveries, rate_per_day=mean)
    # drawn a fifth of the way towards the mean on purpose: 60 days of prior against some 270 days of three seasons
    assert year.rate_per_day[36] == pytest.approx(0.002, rel=0.2)
    assert year.rate_per_day[2] == pytest.approx(0.0005, rel=0.8)
    assert year.rate_per_day.mean() == pytest.approx(mean, rel=1e-9)
    # in summer the roof is dirty (above 1.5 %) some 24 of each 30 days: one rain in that time
    assert year.rain_per_day[36] == pytest.approx(1 / 24, rel=0.3)
    assert np.median(year.kept) == pytest.approx(0.1, abs=0.03)


def test_a_record_without_rain_or_season_leans_on_the_prior() -> None:
    days = pd.Index([TODAY - timedelta(days=number) for number in range(100, 0, -1)], dtype=object)
    year = read_year(pd.Series(1.0, index=days), [], rate_per_day=0.001)
    assert (year.rate_per_day == 0.001).all()
    # nothing was dirty, so the record says nothing of rain: the prior of one in 90 days stands
    assert year.rain_per_day == pytest.approx(np.full(PENTADS, 1 / 90))


def test_rains_too_small_to_see_are_found_from_the_dirt_that_is_gone() -> None:
    """Two years in which every third day's rain leaves half: no fall worth naming, and yet nothing piles up."""
    days = pd.Index([TODAY - timedelta(days=number) for number in range(730, 0, -1)], dtype=object)
    loss, losses = 0.0, []
    for number in range(730):
        loss += 0.001
        if number % 3 == 0:
            loss *= 0.5
        losses.append(loss)
    smooth = pd.Series(losses, index=days).rolling(30, min_periods=1).mean()  # what a fitted line shows of it
    year = read_year(1 - smooth, [], rate_per_day=0.001)
    ahead = forecast(PresentLoss(TODAY, [0.003] * 10, (0.001, 0.001)), year, Money(steady_energy(24.0), 0.25, 100.0))
    # without the balance half a year of 0.1 % a day stands at 18 %, thinned by one rain in three months
    assert ahead.pays_on is None
    assert ahead.ahead["loss"].iloc[-1] < 0.03


def test_dirt_that_still_lies_there_was_not_rained_off() -> None:
    days = pd.Index([TODAY - timedelta(days=number) for number in range(500, 0, -1)], dtype=object)
    dry = read_year(pd.Series(1 - 0.0005 * np.arange(500.0), index=days), [], rate_per_day=0.0005)
    assert (dry.rain_per_day < 1 / 90).all()


def test_seasons_of_value_are_laid_on_the_right_days() -> None:
    energy = steady_energy(10.0)
    energy[[day for day in energy.index if day.month in (6, 7)]] = 30_000.0
    value = value_by_pentad(energy, 0.5)
    assert value[36] == pytest.approx(15.0)  # early July
    assert value[0] == pytest.approx(5.0)
    with pytest.raises(ValueError, match="gaps"):
        value_by_pentad(energy * np.nan, 0.5)


def test_dirt_that_a_paid_wash_took_was_not_rained_off() -> None:
    """Two years at 0.1 % a day, washed every hundred days, without a drop of rain."""
    days = pd.Index([TODAY - timedelta(days=number) for number in range(730, 0, -1)], dtype=object)
    washed = read_year(pd.Series(1 - 0.001 * (np.arange(730) % 100), index=days), [], rate_per_day=0.001)
    # some 620 days on which dirt lay, and no rain took any: less than once in as many days
    assert (washed.rain_per_day < 1 / 620).all()
