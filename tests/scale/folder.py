"""A folder of many roofs in one town, assessed without a database: what it costs by roofs and by processes."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import psutil

from tests.pv.planted import dust, site, weather
from tests.scale import MINUTES, PLANES

WATCHED_EVERY = 0.05
"""Seconds."""


def measure(roofs: int, jobs: int, days: int, folder: Path) -> None:
    """Assess a town of so many roofs with so many processes, and print what it cost."""
    town = folder / f"town-{roofs}"
    if not town.exists():
        _make(roofs, days, town)
    command = [sys.executable, "manage.py", "assess", "--folder", str(town), "--out", str(folder / "out")]
    began = time.monotonic()
    running = psutil.Popen([*command, "--jobs", str(jobs)], stdout=subprocess.DEVNULL)
    biggest, cpu = 0.0, dict[int, float]()
    while running.poll() is None:
        for one in [running, *running.children(recursive=True)]:
            try:
                biggest = max(biggest, one.memory_info().rss / 2**20)
                cpu[one.pid] = sum(one.cpu_times()[:2])
            except psutil.Error:  # it ended meanwhile
                continue
        time.sleep(WATCHED_EVERY)
    wall = time.monotonic() - began
    busy = sum(cpu.values())
    print(
        f"{roofs} roofs, {jobs} processes: wall {wall:.1f} s, CPU {busy:.1f} s, {busy / wall:.2f} cores busy, biggest "
        f"process {biggest:.0f} MB, longest process {max(cpu.values()):.1f} s of CPU",
        flush=True,
    )


def _make(roofs: int, days: int, town: Path) -> None:
    sky = weather(days=days, minutes=MINUTES, latitude=37.0, longitude=-6.0)
    rng = np.random.default_rng(1)
    for number in range(roofs):
        tilt, azimuth = PLANES[number % len(PLANES)]
        made = site(sky, dust(sky, 0.0005 * (number % 3)), seed=number, planes=((tilt, azimuth, 6.0),))
        home = town / f"roof-{number}"
        home.mkdir(parents=True)
        facts = {
            "id": home.name,
            "lat": 37.0 + rng.uniform(-0.12, 0.12),
            "lon": -6.0 + rng.uniform(-0.12, 0.12),
            "tz": sky.tz,
            "planes": [{"tilt": tilt, "azimuth": azimuth, "dc_kw": 6.0}],
            "ac_kw": 5.5,
            "interval_minutes": MINUTES,
            "timestamp_format": "local_with_offset",
        }
        (home / "site.json").write_text(json.dumps(facts))
        table = (made.energy_wh / 1000).rename("energy_kwh").rename_axis("timestamp")
        table.round(4).to_csv(home / "readings.csv", date_format="%Y-%m-%dT%H:%M:%SZ")
