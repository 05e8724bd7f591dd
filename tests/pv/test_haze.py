"""Haze by the shape of clear days, against another clear-sky model than the assessment's own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pvlib import clearsky, irradiance, location

from portal.pv.array import Array, Plane
from portal.pv.arrays import Floats
from portal.pv.grid import MeteredDays, beside_the_sun, light_on, to_grid
from portal.pv.haze import dimming_shown, haze_response, learn_haze, without_haze
from portal.pv.performance import new_index, performance_index
from portal.pv.quality import reduce_to_days
from tests.pv.planted import dust, site, weather

PLACE = location.Location(37.0, -3.5, "Europe/Madrid", 600)
SOUTH = Array(37.0, -3.5, "Europe/Madrid", (Plane(30, 180, 6.0),), 6.0)
WALL_TO_THE_NORTH = replace(SOUTH, planes=(Plane(80, 0, 6.0),))


def year(array: Array) -> MeteredDays:
    times = pd.date_range("2023-01-01", "2023-12-31 23:30", freq="30min", tz="Europe/Madrid")
    grid = to_grid(array, pd.Series(1.0, index=times), 30)
    return beside_the_sun(array, grid, 30, light_on(array, grid, 30))


def under_solis(array: Array, days: MeteredDays, aerosol: float) -> Floats:
    """Light on the first plane under a simplified Solis sky (Ineichen 2008, doi:10.1016/j.solener.2007.11.009)."""
    times = pd.DatetimeIndex(pd.to_datetime(days.start_unix.ravel() + 900, unit="s", utc=True))
    sun = PLACE.get_solarposition(times)
    extra = irradiance.get_extra_radiation(times.day_of_year)
    sky = clearsky.simplified_solis(
        sun.apparent_elevation, aod700=aerosol, precipitable_water=1.5, dni_extra=extra.to_numpy()
    )
    plane = array.planes[0]
    light = irradiance.get_total_irradiance(
        plane.tilt,
        plane.azimuth,
        sun.apparent_zenith,
        sun.azimuth,
        sky["dni"],
        sky["ghi"],
        sky["dhi"],
        extra.to_numpy(),
    )["poa_global"]
    return np.asarray(np.nan_to_num(light.to_numpy()).reshape(days.expected_wh.shape))


def test_haze_takes_more_from_a_low_sun_and_gives_light_to_a_wall_that_sees_no_sun() -> None:
    for array, sign in ((SOUTH, 1), (WALL_TO_THE_NORTH, -1)):
        days = year(array)
        response = haze_response(array, days)
        spring = slice(70, 80)
        high, low = days.elevation[spring] > 45, (days.elevation[spring] > 15) & (days.elevation[spring] < 20)
        assert (sign * response[spring][high] > 0).all()
        if sign > 0:
            assert response[spring][low].mean() > 2 * response[spring][high].mean()


def test_the_response_between_the_days_it_is_reckoned_on_is_that_of_each_day() -> None:
    days = year(SOUTH)
    every = haze_response(SOUTH, days)
    for day in (4, 93, 260):
        alone = replace(
            days,
            start_unix=days.start_unix[day : day + 1],
            energy_wh=days.energy_wh[day : day + 1],
            expected_wh=days.expected_wh[day : day + 1],
        )
        high = days.elevation[day] > 15
        assert every[day][high] == pytest.approx(haze_response(SOUTH, alone)[0][high], rel=0.02, abs=1e-3)


def test_what_a_days_shape_shows_is_what_haze_takes_and_dirt_shows_nothing() -> None:
    days = year(SOUTH)
    response = haze_response(SOUTH, days)
    clear = (days.elevation > 10) & (days.expected_wh > 0.06 * days.expected_wh.max(axis=1, keepdims=True))
    usual, hazy = under_solis(SOUTH, days, 0.1), under_solis(SOUTH, days, 0.14)
    ratio = np.log(np.where(clear, hazy / np.maximum(usual, 1e-9), 1.0))
    weight = np.where(clear, days.expected_wh, 0.0)
    true = (weight * ratio).sum(axis=1) / weight.sum(axis=1)
    assert -0.06 < true.mean() < -0.02
    shown = dimming_shown(ratio, clear, days, response)
    # Another model's haze, which brightens the sky less: two thirds of it are seen, on nearly every day some.
    assert shown.mean() == pytest.approx(true.mean(), rel=0.4)
    assert np.mean(shown < 0.25 * true) > 0.9
    assert dimming_shown(ratio + np.log(0.9), clear, days, response) == pytest.approx(shown, abs=1e-9)
    assert dimming_shown(np.full_like(ratio, np.log(0.9)), clear, days, response) == pytest.approx(0.0, abs=1e-9)


def test_a_roof_learns_how_much_of_it_to_believe() -> None:
    rng = np.random.default_rng(4)
    haze = rng.normal(0, 0.03, 700)
    shown = haze + rng.normal(0, 0.03, 700)
    # By hand: half of the variance of what is shown is haze, so half of it is to be believed.
    learned = learn_haze(haze + rng.normal(0, 0.01, 700), shown)
    assert learned.gain == pytest.approx(0.5, abs=0.06)
    left = without_haze(haze, shown, learned)
    assert np.std(left) < 0.75 * np.std(haze)
    assert learn_haze(rng.normal(0, 0.03, 700), shown).gain < 0.1


def test_neighbours_are_left_what_the_weeks_have_in_common() -> None:
    weeks = np.repeat(np.random.default_rng(2).normal(0, 0.03, 20), 30)
    learned = replace(learn_haze(np.random.default_rng(1).normal(0, 0.03, 600), weeks), gain=1.0, spread=0.01)
    assert np.std(without_haze(weeks, weeks, learned)) < 0.01
    assert np.std(without_haze(weeks, weeks, learned, in_town=True)) > 0.02


def test_new_days_lose_as_much_haze_as_they_would_in_the_whole_record() -> None:
    sky = weather(days=300, minutes=30)
    made = site(sky, dust(sky, 0.001))
    rows = reduce_to_days(made.array, made.energy_wh, made.interval_minutes)
    index = performance_index(rows)
    known, new = rows.rows[:-6], rows.rows[-6:]
    assert index.haze.gain > 0
    assert new_index(index.haze, known, new, in_town=False) == pytest.approx(
        index.log_index[-6:], nan_ok=True, abs=1e-6
    )
    assert new_index(index.haze, known, new, in_town=True) == pytest.approx(index.in_town[-6:], nan_ok=True, abs=1e-6)
