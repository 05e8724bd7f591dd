"""The lock is installed once, and what stops that is said in one sentence."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
EMPTY = "# nothing\n"
ONE = "nosuchpackage==1.0 --hash=sha256:" + "0" * 64 + "\n"


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    (tmp_path / "deploy").mkdir()
    shutil.copy(ROOT / "deploy" / "install.py", tmp_path / "deploy")
    return tmp_path


def install(clone: Path, lock: str) -> subprocess.CompletedProcess[str]:
    (clone / "deploy" / "lock.txt").write_text(lock)
    env = dict(os.environ) | {"PIP_INDEX_URL": "http://127.0.0.1:9/", "PIP_RETRIES": "1"}
    env.pop("PIP_FIND_LINKS", None)
    command = [sys.executable, "deploy/install.py", "lock.txt"]
    return subprocess.run(command, cwd=clone, env=env, capture_output=True, text=True)


def test_an_unreachable_index_then_a_lock_that_installs_and_is_not_installed_twice(clone: Path) -> None:
    _leave_a_venv_whose_python_is_gone(clone)
    failed = install(clone, ONE)
    assert failed.returncode == 1
    assert failed.stderr == (
        "The package index does not answer: check the network and run this again; what was fetched is kept.\n"
    )
    assert install(clone, EMPTY).returncode == 0
    log = clone / ".venv" / "lock.log"
    log.unlink()
    assert install(clone, EMPTY).returncode == 0
    assert not log.exists(), "pip did not run again"
    assert install(clone, EMPTY + "# changed\n").returncode == 0
    assert log.exists(), "pip ran again"
    python = clone / ".venv" / "bin" / "python"
    assert subprocess.run([python, "-c", "import pip"]).returncode == 0, "the venv without a Python was made again"


def _leave_a_venv_whose_python_is_gone(clone: Path) -> None:
    (clone / ".venv" / "bin").mkdir(parents=True)
    (clone / ".venv" / "bin" / "python").symlink_to("/nowhere/python3")


def test_too_little_room(small_disk: Path) -> None:
    (small_disk / "deploy").mkdir()
    shutil.copy(ROOT / "deploy" / "install.py", small_disk / "deploy")
    said = install(small_disk, EMPTY)
    assert said.returncode == 1
    assert said.stderr == f"Too little room on the disk of {small_disk}: the packages need 1.7 GB free.\n"
