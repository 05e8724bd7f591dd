"""Which share of the lines of a package the tests run, and whether that is above its floor."""

import json
import tomllib
from collections import defaultdict
from pathlib import Path

FLOORS = Path(__file__).with_suffix(".toml")
PACKAGES: dict[str, float] = tomllib.loads(FLOORS.read_text())
"""Share [%] of the lines of each package of `portal` that the tests run at least. A floor may only rise."""
FOLDER = "LINES_RUN"
"""The environment's name for the folder into which each process of the tests writes which lines it ran."""
CLEARLY_ABOVE = 0.5
"""Points [%] above a floor from which it should be raised: a few lines run or not as threads and clocks have it."""


def shares(folder: Path) -> dict[str, float]:
    """The share [%] of each package's lines that ran in any of the processes which wrote into ``folder``."""
    ran: dict[str, set[int]] = defaultdict(set)
    lines: dict[str, set[int]] = defaultdict(set)
    for written in folder.glob("*.json"):
        for path, found in json.loads(written.read_text()).items():
            ran[path] |= set(found["executed_lines"])
            lines[path] |= set(found["executed_lines"]) | set(found["missing_lines"])
    counted = {}
    for package in PACKAGES:
        inside = [path for path in lines if f"portal/{package}/" in path]
        every = sum(len(lines[path]) for path in inside)
        counted[package] = 100 * sum(len(ran[path]) for path in inside) / every if every else 0.0
    return counted


def verdict(counted: dict[str, float]) -> tuple[list[str], bool]:
    """What to say of the shares, a line a package, and whether all are at or above their floors."""
    said = []
    for package, floor in PACKAGES.items():
        share = counted[package]
        line = f"lines of portal/{package} that ran: {share:.1f} %, floor {floor:.1f} %"
        if share < floor:
            line += f": UNDER ITS FLOOR. Test what you added; {FLOORS.name} may only rise."
        elif share >= floor + CLEARLY_ABOVE:
            line += f": raise it to {int(share * 10) / 10:.1f} in deploy/{FLOORS.name}."
        said.append(line)
    return said, all(counted[package] >= floor for package, floor in PACKAGES.items())
