"""A plugin of pytest that counts which lines of a package run, for the floors in `deploy/coverage.toml`.

`deploy.testing` asks for it (`-p deploy.lines_run`). It takes a line's counter out once it has counted, and so costs
next to nothing: on Python 3.11 tests of readers and imports took 28 s of one core with it, 28 and 29 s without, and
42 s with coverage.py, which traces. What runs in other processes than those of pytest is not counted.
"""

import json
import os
import sys
from pathlib import Path

from slipcover import FileMatcher, ImportManager, Slipcover

from deploy.coverage import FOLDER, PACKAGES

_sources = [f"portal/{package}" for package in PACKAGES]
_counting = Slipcover(source=_sources, immediate=True)
sys.meta_path.insert(0, ImportManager(_counting, FileMatcher(sources=_sources)).mpf)


def pytest_unconfigure() -> None:
    """Write what this process has counted beside what the others have."""
    (Path(os.environ[FOLDER]) / f"{os.getpid()}.json").write_text(json.dumps(_counting.get_coverage()["files"]))
