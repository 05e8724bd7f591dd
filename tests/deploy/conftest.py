"""A disk that is nearly full."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    disk = tmp_path / "disk"
    disk.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "none", str(disk)], capture_output=True, text=True, check=False
    )
    if made.returncode != 0:
        pytest.skip(f"no small disk to fill, as only root outside a locked container can mount: {made.stderr.strip()}")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)
