"""The floors of coverage: the union of what processes ran, under a floor fails, and no floor ever falls."""

import json
import subprocess
import tomllib
from pathlib import Path

from deploy.coverage import FLOORS, PACKAGES, shares, verdict
from tests.house import ROOT


def test_a_line_that_any_process_ran_counts_once(tmp_path: Path) -> None:
    for process, ran, missing in (("1", [1, 2], [3, 4]), ("2", [2, 3], [1, 4])):
        found = {"portal/pv/rain.py": {"executed_lines": ran, "missing_lines": missing}}
        (tmp_path / f"{process}.json").write_text(json.dumps(found))
    assert shares(tmp_path) == {"pv": 75.0, "readers": 0.0, "actions": 0.0}


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
