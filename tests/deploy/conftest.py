"""A disk that is nearly full; a server set up by the guide, with the mail server of its firm."""

import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from aiosmtpd.controller import Controller

from deploy.processes import Supervisor, free_port, start_postgres, start_queue
from tests.deploy.server import Box, Server, listening, make_certificate


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


@pytest.fixture
def folder() -> Iterator[Path]:
    """Not in pytest's own folder, whose parents others may not enter: PostgreSQL runs as another user."""
    made = Path(tempfile.mkdtemp(prefix="rinsemark-guide-"))
    yield made
    shutil.rmtree(made, ignore_errors=True)


@pytest.fixture
def box() -> Iterator[tuple[Box, int]]:
    box = Box()
    controller = Controller(box, hostname="127.0.0.1", port=free_port())
    controller.start()
    yield box, controller.port
    controller.stop()


@pytest.fixture
def server(folder: Path, box: tuple[Box, int]) -> Iterator[Server]:
    """What the guide's server stands on, and its variables."""
    with Supervisor(folder / "log") as supervisor, listening() as site, listening() as figures:
        _, postgres = start_postgres(supervisor, folder / "postgres")
        _, broker = start_queue(supervisor, folder / "queue")
        made = Server(folder, supervisor, site, figures, free_port(), box[1], postgres, broker)
        make_certificate(folder)
        (folder / "var").mkdir(mode=0o700)
        made.write_variables()
        yield made
