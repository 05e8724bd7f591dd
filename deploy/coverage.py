"""Which share of the statements of a package the tests run, and whether that is above its floor."""

import ast
import json
import tomllib
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent

FLOORS = Path(__file__).with_suffix(".toml")
PACKAGES: dict[str, float] = tomllib.loads(FLOORS.read_text())
"""Share [%] of the statements of each package of `portal` that the tests run at least. A floor may only rise."""
FOLDER = "LINES_RUN"
"""The environment's name for the folder into which each process of the tests writes which lines it ran."""
CLEARLY_ABOVE = 0.5
"""Points [%] above a floor from which it should be raised: a few lines run or not as threads and clocks have it."""


def shares(folder: Path) -> dict[str, float]:
    """The share [%] of each package's statements that ran in any of the processes which wrote into ``folder``.

    Which lines of a statement have code of their own differs from one Python to the next; which statements there are
    does not.
    """
    ran: dict[str, set[int]] = defaultdict(set)
    lines: dict[str, set[int]] = defaultdict(set)
    for written in folder.glob("*.json"):
        for path, found in json.loads(written.read_text()).items():
            ran[path] |= set(found["executed_lines"])
            lines[path] |= set(found["executed_lines"]) | set(found["missing_lines"])
    counted = {}
    for package in PACKAGES:
        every, reached = 0, 0
        for path in lines:
            if f"portal/{package}/" in path:
                with_code = [own for own in statements((ROOT / path).read_text("utf-8")) if own & lines[path]]
                every += len(with_code)
                reached += sum(bool(own & ran[path]) for own in with_code)
        counted[package] = 100 * reached / every if every else 0.0
    return counted


def statements(source: str) -> list[set[int]]:
    """The lines of each statement, those of what it holds (a function's body, a loop's) left out."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.stmt):
            last = node.end_lineno or node.lineno
            held = getattr(node, "body", None)
            if isinstance(node, ast.Match):
                last = node.cases[0].pattern.lineno - 1
            elif held:
                last = held[0].lineno - 1
            found.append(set(range(node.lineno, max(node.lineno, last) + 1)))
    return found


def verdict(counted: dict[str, float]) -> tuple[list[str], bool]:
    """What to say of the shares, a line a package, and whether all are at or above their floors."""
    said = []
    for package, floor in PACKAGES.items():
        share = counted[package]
        line = f"statements of portal/{package} that ran: {share:.1f} %, floor {floor:.1f} %"
        if share < floor:
            line += f": UNDER ITS FLOOR. Test what you added; {FLOORS.name} may only rise."
        elif share >= floor + CLEARLY_ABOVE:
            line += f": raise it to {int(share * 10) / 10:.1f} in deploy/{FLOORS.name}."
        said.append(line)
    return said, all(counted[package] >= floor for package, floor in PACKAGES.items())
