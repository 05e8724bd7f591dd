"""The floors of coverage: the union of what processes ran, under a floor fails, and no floor ever falls."""

import json
import subprocess
import tomllib
from pathlib import Path

from deploy.coverage import FLOORS, PACKAGES, shares, verdict
from tests.house import ROOT

SOURCE = """
def rain(
    depth: float,
    days: int = 1,
) -> float:
    if depth > 2:
        return depth
    return (
        depth
        * days
    )
"""


def test_a_statement_that_any_process_ran_counts_once(tmp_path: Path) -> None:
    path = tmp_path / "portal" / "pv" / "rain.py"
    path.parent.mkdir(parents=True)
    path.write_text(SOURCE)
    for process, ran, missing in (("1", [2, 6], [7, 8]), ("2", [2, 6, 7], [8])):
        found = {str(path): {"executed_lines": ran, "missing_lines": missing}}
        (tmp_path / f"{process}.json").write_text(json.dumps(found))
    assert shares(tmp_path) == {"pv": 75.0, "readers": 0.0, "actions": 0.0}


def test_lines_that_one_python_counts_and_another_does_not_change_nothing(tmp_path: Path) -> None:
    path = tmp_path / "portal" / "pv" / "rain.py"
    path.parent.mkdir(parents=True)
    path.write_text(SOURCE)
    counted = []
    for process, ran, missing in (("1", [2, 6], [7, 8]), ("2", [2, 3, 4, 5, 6], [7, 9, 10])):
        folder = tmp_path / process
        folder.mkdir()
        (folder / "1.json").write_text(json.dumps({str(path): {"executed_lines": ran, "missing_lines": missing}}))
        counted.append(shares(folder)["pv"])
    assert counted == [50.0, 50.0]


def test_a_package_under_its_floor_fails_and_one_clearly_above_is_to_be_raised() -> None:
    at_the_floor = dict(PACKAGES)
    assert verdict(at_the_floor)[1]
    said, kept = verdict(at_the_floor | {"pv": PACKAGES["pv"] - 0.1})
    assert not kept
    assert "UNDER ITS FLOOR" in said[0]
    said, kept = verdict(at_the_floor | {"readers": PACKAGES["readers"] + 1.0})
    assert kept
    assert f"raise it to {PACKAGES['readers'] + 1.0:.1f}" in said[1]


def test_no_floor_was_ever_higher() -> None:
    path = str(FLOORS.relative_to(ROOT))

    def git(*arguments: str) -> str:
        return subprocess.run(["git", *arguments], cwd=ROOT, capture_output=True, text=True, check=True).stdout

    for commit in git("log", "--format=%H", "--", path).split():
        before = tomllib.loads(git("show", f"{commit}:{path}"))
        lower = {package for package, floor in before.items() if PACKAGES.get(package, 0) < floor}
        assert not lower, f"the floor of {lower} was higher at {commit[:9]}; a floor may only rise"
