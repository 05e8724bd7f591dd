"""Running registers: across their rollover, and those that are taken off others; sums worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from portal.readers.register import from_registers, register_to_energy
from portal.readers.series import put_in_order


def test_across_a_rollover_what_was_counted_before_and_after_it_is_added_up() -> None:
    """A counter of five digits: 10 to its end, then 15 more."""
    readings = np.array([99_930.0, 99_960.0, 99_990.0, 15.0, 40.0])
    energy, rolled, restarted = register_to_energy(readings, np.arange(5) * 900, 900)
    assert energy.tolist() == [30.0, 30.0, 25.0, 25.0]
    assert (rolled, restarted) == (1, 0)


def test_a_register_that_is_taken_off_is_taken_off() -> None:
    """Made is what both count less what the third counts."""
    starts = np.arange(4, dtype=np.int64) * 900
    columns = [np.array([0.0, 50, 100, 150]), np.array([0.0, 20, 40, 60]), np.array([0.0, 5, 10, 15])]
    series = from_registers(starts, columns, [1, 1, -1], np.arange(4, dtype=np.int64), 900)
    assert series.energy_wh.tolist() == [65.0, 65.0, 65.0]


@pytest.mark.parametrize(("later", "figure", "conflicts"), [(7.0, 7.0, 1), (5.0, 5.0, 0), (np.nan, 5.0, 1)])
def test_of_a_reading_that_comes_twice_the_later_counts_and_what_differs_is_counted(
    later: float, figure: float, conflicts: int
) -> None:
    found = put_in_order(np.array([0, 900, 900, 1800]), [np.array([1.0, 5.0, later, 2.0])])
    assert found.columns[0].tolist() == [1.0, figure, 2.0]
    assert (found.duplicates, found.conflicts) == (1, conflicts)
