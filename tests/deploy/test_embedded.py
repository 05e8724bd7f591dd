"""What stops `./deploy/run` is said in one sentence that says what to do, before anything is started."""

import fcntl
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def refusal(var: Path, *arguments: str) -> str:
    """What the start says on its error output when it gives up, and nothing else."""
    start = subprocess.run(
        [sys.executable, "-m", "deploy.embedded", *arguments],
        cwd=ROOT,
        env=dict(os.environ) | {"PORTAL_VAR": str(var)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert start.returncode == 1
    assert start.stdout == ""
    assert start.stderr.count("\n") == 1, "one sentence, no traceback"
    return start.stderr.strip()


def test_a_port_in_use(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        assert refusal(tmp_path, "--port", str(port)) == (
            f"Port {port} is in use by another program: choose another, such as ./deploy/run --port 8001."
        )


def test_a_port_that_is_none(tmp_path: Path) -> None:
    assert refusal(tmp_path, "--port", "70000").startswith("Port 70000 is not a port: choose another")


@pytest.fixture
def read_only_folder(tmp_path: Path) -> Iterator[Path]:
    if os.geteuid() == 0:
        yield Path("/proc")  # root may write anywhere but where the kernel says no
    else:
        tmp_path.chmod(0o555)
        yield tmp_path
        tmp_path.chmod(0o755)


def test_a_folder_that_cannot_be_written(read_only_folder: Path) -> None:
    said = refusal(read_only_folder / "var", "--no-serve")
    assert said.startswith(f"Cannot write to {read_only_folder / 'var'}: ")
    assert said.endswith("Give that folder room and rights.")


def test_a_second_start_in_the_same_folder(tmp_path: Path) -> None:
    with (tmp_path / "run.lock").open("w") as first:
        fcntl.flock(first, fcntl.LOCK_EX)
        first.write(f"{os.getpid()}\n")
        first.flush()
        assert refusal(tmp_path, "--no-serve") == (
            f"Rinsemark already runs from {tmp_path} (process {os.getpid()}): stop that one first, with Ctrl-C."
        )


def test_a_disk_that_is_full(small_disk: Path) -> None:
    said = refusal(small_disk / "var", "--no-serve")
    assert said == f"Too little room on the disk of {small_disk / 'var'}: 4 MB are free, 300 MB are needed."


@pytest.mark.parametrize("command", ["run", "test"])
@pytest.mark.parametrize(("python", "found"), [("Python 3.9.2", "Python 3.9.2"), (None, "no Python 3 at all")])
def test_a_python_that_is_too_old_or_missing(command: str, python: str | None, found: str, tmp_path: Path) -> None:
    for tool in ("sh", "dirname"):
        (tmp_path / tool).symlink_to(str(shutil.which(tool)))
    if python:
        old = tmp_path / "python3"
        old.write_text(f'#!/bin/sh\n[ "$1" = --version ] && echo "{python}" && exit\nexit 1\n')
        old.chmod(0o755)
    start = subprocess.run([ROOT / "deploy" / command], env={"PATH": str(tmp_path)}, capture_output=True, text=True)
    assert start.returncode == 1
    assert start.stdout == ""
    assert start.stderr == (
        f"Rinsemark needs Python 3.11 or newer, and here is {found}: install a newer one and run this again.\n"
    )
