"""The assess command on files, with no database."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from django.core.management import CommandError, call_command

from portal.management.commands.assess import read_site
from portal.pv.readings import SiteReadings
from tests.pv.planted import dust, site, weather

SKY = weather(days=300)
ROOF = site(SKY, dust(SKY, 0.0012))


def write(folder: Path, readings: SiteReadings, layout: str, label: str = "start", **changes: Any) -> Path:
    """A site's files as a business would hand them in."""
    folder.mkdir(parents=True)
    array = readings.array
    facts = {
        "id": folder.name,
        "lat": array.latitude,
        "lon": array.longitude,
        "tz": array.tz,
        "planes": [{"tilt": p.tilt, "azimuth": p.azimuth, "dc_kw": p.dc_kw} for p in array.planes],
        "ac_kw": array.ac_kw,
        "install_date": "2021-03-01",
        "interval_minutes": readings.interval_minutes,
        "timestamp_format": layout,
        "standard_utc_offset_hours": 1.0,
        "interval_label": label,
        "visit_dates": ["2021-08-01"],
    } | changes
    (folder / "site.json").write_text(json.dumps(facts))
    times = pd.DatetimeIndex(readings.energy_wh.index)
    if label == "end":
        times = times + pd.Timedelta(minutes=readings.interval_minutes)
    if layout == "local_with_offset":
        stamps = [t.isoformat() for t in times.tz_convert(array.tz)]
    elif layout == "local_naive_dst":
        stamps = times.tz_convert(array.tz).strftime("%Y-%m-%d %H:%M").tolist()
    else:
        stamps = (times.tz_localize(None) + pd.Timedelta(hours=1)).strftime("%Y-%m-%d %H:%M").tolist()
    table = pd.DataFrame({"timestamp": stamps, "energy_kwh": (readings.energy_wh / 1000).round(6).to_numpy()})
    table.to_csv(folder / "readings.csv", index=False)
    return folder


@pytest.mark.parametrize("layout", ["local_with_offset", "local_naive_dst", "local_standard_naive"])
@pytest.mark.parametrize("label", ["start", "end"])
def test_every_clock_is_read_to_the_same_instants(tmp_path: Path, layout: str, label: str) -> None:
    folder = write(tmp_path / "roof", ROOF, layout, label)
    read, duplicates = read_site(folder / "site.json", folder / "readings.csv")
    assert duplicates == 0
    both = pd.concat([read.energy_wh, ROOF.energy_wh.dropna()], axis=1, join="outer").fillna(0.0)
    # The record crosses both clock changes.
    assert np.abs(both.iloc[:, 0] - both.iloc[:, 1]).max() < 0.01


def test_rows_that_come_twice_are_counted_and_dropped(tmp_path: Path) -> None:
    folder = write(tmp_path / "roof", ROOF, "local_with_offset")
    path = folder / "readings.csv"
    lines = path.read_text().splitlines()
    path.write_text("\n".join(lines + lines[500:520]) + "\n")
    read, duplicates = read_site(folder / "site.json", path)
    assert duplicates == 20
    assert read.energy_wh.sum() == pytest.approx(ROOF.energy_wh.sum(), abs=1)


def test_one_site_prints_what_was_asked_for(tmp_path: Path) -> None:
    folder = write(tmp_path / "roof", ROOF, "local_naive_dst")
    out = StringIO()
    call_command("assess", str(folder / "site.json"), str(folder / "readings.csv"), "--as-of", "2021-12-20", stdout=out)
    result = json.loads(out.getvalue())
    assert result["as_of"] == "2021-12-20"
    assert result["verdict"] in ("soiling", "clean", "unsure", "other fault", "not enough data")
    assert 0 <= result["present_loss_ci"][0] <= result["present_loss"] <= result["present_loss_ci"][1] < 0.4
    assert result["cleanings"][0]["date"] == "2021-08-01"
    assert all(said[0].isupper() and said.endswith(".") for said in result["reasons"])
    assert set(result) >= {
        "mean_loss",
        "soiling_rate_per_day",
        "cause",
        "reasons",
        "recoveries",
        "clean_due",
        "data_quality",
    }
    assert set(result["data_quality"]) >= {
        "days",
        "gap_days",
        "unit_changes_mended",
        "duplicates_dropped",
        "clear_days",
    }


def test_a_folder_is_assessed_town_by_town_and_a_site_that_cannot_be_read_gets_a_reason(tmp_path: Path) -> None:
    inside, outside = tmp_path / "in", tmp_path / "out"
    for number in range(3):
        write(inside / f"roof{number}", site(SKY, dust(SKY, 0.0004 * number), seed=number), "local_with_offset")
    write(inside / "bad-tilt", ROOF, "local_with_offset", planes=[{"tilt": 120, "azimuth": 180, "dc_kw": 5}])
    write(inside / "no-rows", ROOF, "local_with_offset")
    (inside / "no-rows" / "readings.csv").write_text("timestamp,energy_kwh\n")
    (inside / "torn").mkdir()
    (inside / "torn" / "site.json").write_text("{")
    call_command("assess", "--folder", str(inside), "--out", str(outside), stdout=StringIO())
    answers = {path.stem: json.loads(path.read_text()) for path in outside.glob("*.json")}
    assert set(answers) == {"roof0", "roof1", "roof2", "bad-tilt", "no-rows", "torn"}
    assert answers["roof0"]["neighbours"] == 2
    for name in ("bad-tilt", "no-rows", "torn"):
        assert answers[name]["verdict"] == "not enough data"
    assert "tilt is 120" in answers["bad-tilt"]["reasons"][0]
    assert "no readings" in answers["no-rows"]["reasons"][0]
    assert "site.json" in answers["torn"]["reasons"][0]


def test_a_missing_argument_gets_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="--out"):
        call_command("assess", "--folder", str(tmp_path))
    with pytest.raises(CommandError, match=r"SITE\.json"):
        call_command("assess")
