"""Steps of level in planted daily indices: a string lost, its repair, and what only looks like one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from portal.pv.diagnosis import _jump, find_steps
from portal.pv.soiling import fit
from portal.pv.spells import Errors, Record, Terms

Floats = npt.NDArray[np.float64]
SCATTER = 0.02


def planted(days: int, seed: int = 1) -> Floats:
    """Log index of a clean site: scatter, four days in ten refused."""
    rng = np.random.default_rng(seed)
    out = rng.normal(0, SCATTER, days)
    out[rng.random(days) < 0.4] = np.nan
    return out


def test_a_string_lost_is_found_on_its_day_and_ends_with_its_repair() -> None:
    y = planted(700)
    y[300:420] -= 0.4
    (step,) = find_steps(y, SCATTER, np.ones(700))
    assert abs(step.first - 300) <= 2
    assert step.last is not None
    assert abs(step.last - 419) <= 2
    assert abs(step.size + 0.4) < 0.02


def test_what_comes_back_at_a_known_wash_was_dirt() -> None:
    y = planted(700)
    y[300:420] -= 0.4
    assert find_steps(y, SCATTER, np.ones(700), np.array([419])) == []
    assert len(find_steps(y, SCATTER, np.ones(700), np.array([350, 500]))) == 1


def test_a_string_lost_in_a_dark_winter_is_found_when_the_light_comes_back() -> None:
    y = planted(730)
    expected = np.ones(730)
    expected[480:605] = 0.1  # too little light to tell anything
    y[530:] -= 0.4
    (step,) = find_steps(y, SCATTER, expected)
    assert 600 <= step.first <= 612
    assert step.last is None


def test_a_rain_that_brings_back_a_part_is_no_repair() -> None:
    y = planted(700)
    y[80:115] -= 0.15  # dirt, washed off by rain at day 115
    y[105:] -= 0.3
    (step,) = find_steps(y, SCATTER, np.ones(700))
    assert step.last is None
    assert abs(step.first - 105) <= 2


def test_what_falls_every_year_at_the_same_time_is_the_season() -> None:
    y = planted(4 * 365)
    for year in range(4):
        y[year * 365 + 230 : year * 365 + 330] += 0.22  # every winter's end the index falls from one day to the next
    assert find_steps(y, SCATTER, np.ones(4 * 365)) == []


def test_what_comes_back_by_itself_was_no_fault() -> None:
    y = planted(900)
    y[300:500] -= np.linspace(0.25, 0, 200)
    assert find_steps(y, SCATTER, np.ones(900)) == []


def test_an_index_that_nothing_explains_leaves_an_answer_all_the_same() -> None:
    y = planted(400)
    y[350:] -= 1.6  # a fifth of the output left, as if nobody had looked for faults
    record = Record(
        log_index=y,
        scatter=np.full(400, SCATTER),
        wash=np.zeros((400, 2)),
        visit_days=np.array([], dtype=np.int64),
        expected_wh=np.ones(400),
        terms=Terms(np.zeros((400, 1)), np.zeros(1), np.ones(1)),
    )
    fitted = fit(record, Errors(autocorrelation=0.4, lasting_sd=0.0, rate_change=0.005, present_sd=0.005), rounds=4)
    assert np.isfinite(fitted.present).all()
    assert np.isfinite(fitted.loss_mean).all()
    assert fitted.loss_mean[:300].max() < 0.05


def one_by_one(y: Floats) -> tuple[Floats, Floats]:
    """The jumps of :func:`portal.pv.diagnosis._jump` by their definition, a day at a time."""
    values = y[np.isfinite(y)]
    sizes, gaps = np.zeros(values.size), np.zeros(values.size)
    for i in range(3, values.size - 1):
        before, after = values[max(0, i - 7) : i], values[i : i + 7]
        sizes[i] = np.median(after) - np.median(before)
        low, high = (after, before) if sizes[i] < 0 else (before, after)
        gaps[i] = np.quantile(high, 0.25) - np.quantile(low, 0.75)
    return sizes, gaps


@pytest.mark.parametrize("days", [3, 5, 6, 12, 40, 700])
def test_sliding_windows_give_what_one_day_at_a_time_gives(days: int) -> None:
    for seed in range(20):
        y = planted(days, seed)
        at, sizes, gaps = _jump(y)
        wanted = one_by_one(y)
        assert at.tolist() == np.flatnonzero(np.isfinite(y)).tolist()
        np.testing.assert_allclose(sizes, wanted[0], atol=1e-13)
        np.testing.assert_allclose(gaps, wanted[1], atol=1e-13)
