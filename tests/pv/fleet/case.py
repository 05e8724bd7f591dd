"""What is to be made of a roof, drawn before it is made, and what faults do to its output."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fixtures.weather import Floats

FAULTS = {"string": 0.36, "shade": 0.28, "outage": 0.16, "degradation": 0.11, "meter": 0.09}
"""Invented shares. A slow failing module and a changed meter are kept rare: no verdict names them yet."""


@dataclass(frozen=True)
class Case:
    """What a roof is to be like."""

    kind: str
    fault: str
    stubborn: bool
    heavy: bool
    days: int
    """Length of the record."""
    minutes: int
    step_wh: float


def draw_case(rng: np.random.Generator, years: int, intervals: dict[int, float]) -> Case:
    """Draw what one roof is to be like; a record in eight is 60 to 180 days young."""
    young = rng.random() < 0.125
    days = int(rng.integers(60, 181)) if young else int(years * 365.25 + rng.integers(-20, 60))
    kind = str(rng.choice(["soiled", "between", "clean", "fault"], p=[0.38, 0.05, 0.29, 0.28]))
    fault = str(rng.choice(list(FAULTS), p=list(FAULTS.values()))) if kind == "fault" else ""
    if fault == "degradation" and days < 500:
        fault = "meter"
    heavy = kind == "soiled" and rng.random() < 0.08
    stubborn = rng.random() < (0.33 if kind == "soiled" else 0.15)
    minutes = int(rng.choice(list(intervals), p=list(intervals.values())))
    step = float(rng.choice([1.0, 10.0, 100.0, 1000.0], p=[0.36, 0.41, 0.13, 0.10]))
    return Case(kind, fault, stubborn, heavy, days, minutes, step)


def passing(rng: np.random.Generator, case: Case, n: int) -> Floats:
    """Share of power that faults leave on each of the n days of the sky; the record is the last ones."""
    passes = np.ones(n)
    first, days = n - case.days, case.days
    if case.fault == "string":
        passes[n - int(rng.integers(25, max(40, days - 60))) :] = 1 - rng.uniform(0.2, 0.5)
    elif rng.random() < 0.12 and days > 240:
        start = int(rng.integers(first + 40, n - 120))
        passes[start : start + int(rng.integers(20, 100))] = 1 - rng.uniform(0.2, 0.5)
    if case.fault == "outage":
        passes[n - int(rng.integers(3, 40)) :] = 0.0
    for _ in range(int(rng.poisson(0.7 * days / 365))):
        start = int(rng.integers(first, n - 20))
        passes[start : min(start + int(rng.integers(1, 8)), n - 10)] = 0.0
    return passes * _worn(rng, case, n)


def _worn(rng: np.random.Generator, case: Case, n: int) -> Floats:
    """Faults that take the same share all day and that no wash mends.

    A module that fails slowly (corroding joints, cell after cell; power falls over a year or more: Köntges et al. 2014,
    IEA-PVPS T13-01:2014, section 6), and a meter that is changed for one with another constant.
    """
    passes = np.ones(n)
    if case.fault == "degradation":
        lasts = int(rng.integers(240, max(241, case.days - 120)))
        lost = rng.uniform(0.07, 0.22) * np.linspace(0, 1, lasts) ** rng.uniform(1.0, 1.8)
        passes[n - lasts :] = 1 - lost
    elif case.fault == "meter":
        by = rng.uniform(0.80, 0.93) if rng.random() < 0.5 else rng.uniform(1.07, 1.20)
        passes[n - int(rng.integers(20, max(25, case.days - 30))) :] = by
    return passes
