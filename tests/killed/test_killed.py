"""Each process of a portal killed while a few files, photos and mails are under way; by hand it is many."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest

from tests.conftest import ROOT
from tests.killed.portal import VICTIMS


@pytest.mark.long(50)
@pytest.mark.services
def test_nothing_is_lost_doubled_or_left_over_whichever_process_is_killed() -> None:
    few = ["--files", "6", "--photos", "3", "--mails", "4", "--kills", "1"]
    done = subprocess.run(
        [sys.executable, "-m", "tests.killed", *few],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=1200,
        check=False,
    )
    print(done.stdout)
    assert done.returncode == 0, done.stdout + done.stderr[-3000:]
    assert tuple(re.findall(r"^(\w+) killed once", done.stdout, re.M)) == VICTIMS
