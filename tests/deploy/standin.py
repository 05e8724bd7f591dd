"""Stands in for the portal in tests of the process manager: a queue, and a stubborn program with a child of its own.

Called with a folder; writes there the process numbers of all it started, and waits until it is stopped.
"""

import sys
import time
from pathlib import Path

from deploy.processes import Program, Stopped, Supervisor, start_queue

STUBBORN = "trap '' TERM INT HUP; sleep 1000 & echo $$ $! > \"$1\"; wait; wait; wait"


def main(folder: Path) -> None:
    with Supervisor(folder / "log") as supervisor:
        supervisor.stop_on_signals()
        queue, _ = start_queue(supervisor, folder / "queue")
        said = folder / "stubborn"
        supervisor.start(Program("stubborn", ["sh", "-c", STUBBORN, "sh", said], stop_seconds=0.5))
        while not said.exists() or len(said.read_text().split()) < 2:
            time.sleep(0.01)
        (folder / "pids.new").write_text(f"{queue.process.pid} {said.read_text()}")
        (folder / "pids.new").rename(folder / "pids")
        try:
            while True:
                supervisor.wait(0.1)
        except Stopped:
            pass


if __name__ == "__main__":
    main(Path(sys.argv[1]))
