"""The soiling estimate beside a reference library's rate-and-recovery result, on one planted history."""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import pytest

from portal.pv.assessment import assess
from portal.pv.expected import expected_energy
from tests.pv.planted import dust, site, weather


@pytest.mark.reference
@pytest.mark.filterwarnings("ignore")  # the library's own, on these versions of pandas and scikit-learn
def test_the_mean_loss_agrees_with_rate_and_recovery_of_the_reference_library() -> None:
    # rdtools 3.2.1, soiling_srr: stochastic rate and recovery of Deceglie, Micheli and Muller 2018
    # (doi:10.1109/JPHOTOV.2017.2784682), on the clear days of the same record. It sees the same expectation.
    from rdtools import soiling  # only in the environment of the reference group

    sky = weather(haze=0.02)
    soiled = dust(sky, 0.0015)
    readings = site(sky, soiled, with_rain=True)
    began = time.process_time()
    ours = assess(readings)
    our_seconds = time.process_time() - began

    began = time.process_time()
    expected = expected_energy(readings.array, pd.DatetimeIndex(readings.energy_wh.index), readings.interval_minutes)
    days = pd.DataFrame({"energy": readings.energy_wh, "expected": expected})
    days = days.tz_convert(readings.array.tz).groupby(pd.Grouper(freq="D")).sum()
    clear = ~sky.cloudy[: len(days)]
    normalized = (days["energy"] / days["expected"]).where(clear)
    days["rain"] = sky.rain_mm[: len(days)]
    np.random.seed(1)
    ratio, _, _ = soiling.soiling_srr(normalized, days["expected"], reps=200, precipitation_daily=days["rain"])
    their_seconds = time.process_time() - began

    truth = float(1 - soiled.mean())
    print(f"mean loss: planted {truth:.4f}, ours {ours.mean_loss:.4f}, rate and recovery {1 - ratio:.4f}")
    print(f"seconds: ours {our_seconds:.2f}, reference on one daily series {their_seconds:.2f}")
    assert ours.mean_loss is not None
    assert ours.mean_loss == pytest.approx(1 - ratio, abs=0.02)
    assert abs(ours.mean_loss - truth) <= abs(1 - ratio - truth) + 0.005
