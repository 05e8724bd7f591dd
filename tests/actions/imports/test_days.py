"""One day laid over another."""

from __future__ import annotations

import numpy as np

from portal.actions.imports.days import Counts, Day, merge
from portal.models.meter import DayBlock


def block(*values: float) -> DayBlock:
    return np.array(values, dtype=np.float32)


NAN = float("nan")


def test_merging_counts_every_reading_once() -> None:
    had = Day(720, block(1.0, NAN), "", 1)
    merged, counted = merge(had, Day(720, block(2.0, 3.0), "", 2))
    assert counted == Counts(new=1, replaced=1)
    assert merged.block.tolist() == [2.0, 3.0]
    assert merged.written_by == 2
    same, counted = merge(merged, Day(720, block(2.0, NAN), "", 3))
    assert same is merged
    assert counted == Counts(unchanged=1)


def test_quality_flags_follow_their_readings() -> None:
    had = Day(360, block(1.0, 2.0, NAN, NAN), "A*1 S*1 -*2", 1)
    merged, _ = merge(had, Day(360, block(NAN, 5.0, 6.0, NAN), "-*1 E*2 -*1", 2))
    assert merged.quality == "A*1 E*2 -*1"
    plain, _ = merge(merged, Day(360, block(9.0, NAN, NAN, NAN), "", 3))
    assert plain.quality == "-*1 E*2 -*1"
