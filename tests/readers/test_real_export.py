"""A production file that nobody here wrote: pvanalytics 0.2.2 (MIT), ``data/serf_east_15min_ac_power.csv``.

Golden, Colorado; watts; stamps at −07:00; 104 whole days; night values slightly negative. Read from the installed
package, never copied.
"""

from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path

import pandas as pd
import pytest

from portal.readers import read

NOW = datetime(2026, 11, 25, tzinfo=UTC)


@pytest.fixture
def serf() -> Path:
    spec = find_spec("pvanalytics")
    assert spec is not None
    assert spec.submodule_search_locations is not None
    return Path(spec.submodule_search_locations[0]) / "data" / "serf_east_15min_ac_power.csv"


def test_a_real_file_of_watts_with_offsets_is_read_without_a_question(serf: Path) -> None:
    result = read(serf, filename=serf.name, tz="America/Denver", now=NOW)

    # pandas' own reading of the same file, in the units the package's documentation gives (watts).
    frame = pd.read_csv(serf)
    index = pd.to_datetime(frame["measured_on"], utc=True)
    expected_wh = pd.Series(frame["ac_power"].to_numpy() * 0.25, index=index).clip(lower=0)
    got = result.readings.energy_wh
    assert result.readings.interval_minutes == 15
    assert result.rejected_count == 0
    assert len(got) == len(expected_wh)
    assert (got.index == expected_wh.index).all()
    assert (got - expected_wh.to_numpy()).abs().max() < 1e-9
    assert result.mapping.kind == "power"
    assert result.mapping.unit == "W"
    assert result.mapping.clock.kind == "offset"


def test_its_slightly_negative_nights_are_zero_and_told(serf: Path) -> None:
    result = read(serf, filename=serf.name, tz="America/Denver", now=NOW)

    assert "night_use" in {notice.code for notice in result.notices}
    assert float(result.readings.energy_wh.min()) == 0.0
