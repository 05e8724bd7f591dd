"""Prints how the assessment does on made fleets that it has not seen, beside the bars; judges nothing.

``pytest -m benchmark -s tests/pv/test_fleet.py`` takes fresh seeds; ``FLEET_SEEDS=7,8`` takes these,
``FLEET_COLUMNS="alone;town, no gauge"`` only these columns, and ``FLEET_FOLDER=<folder>;<folder>`` takes, instead of
making any, fleets that somebody else made (:mod:`tests.pv.fleet.shared`).
"""

from __future__ import annotations

import os
import secrets
import time
from pathlib import Path

import pytest

from tests.pv.fleet.columns import COLUMNS, groups, groups_in, run
from tests.pv.fleet.picture import draw_worst
from tests.pv.fleet.table import print_table, write_rows


def seeds() -> list[int]:
    """Those asked for, or one that nobody has seen."""
    return [int(seed) for seed in os.environ.get("FLEET_SEEDS", "").split(",") if seed] or [secrets.randbelow(10**6)]


@pytest.mark.benchmark
def test_made_fleets_beside_their_truth(tmp_path: Path) -> None:
    columns = [name for name in os.environ.get("FLEET_COLUMNS", "").split(";") if name] or list(COLUMNS)
    took = time.monotonic()
    folders = [Path(name) for name in os.environ.get("FLEET_FOLDER", "").split(";") if name]
    if folders:
        found = run([group for folder in folders for group in groups_in(folder)], columns)
        print(f"\n{', '.join(str(folder) for folder in folders)}, {time.monotonic() - took:.0f} s")
    else:
        chosen = seeds()
        found = run([group for seed in chosen for group in groups(seed)], columns)
        print(f"\nseeds {chosen}, {time.monotonic() - took:.0f} s")
    print_table(found)
    for column, rows in found.items():
        draw_worst(rows, tmp_path / column.replace(" ", "_"))
    write_rows(found, tmp_path / "rows.csv")
    print(f"ten worst roofs of each column, and all of them in rows.csv: {tmp_path}")
