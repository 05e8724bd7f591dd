"""Stops the portal's processes when the one that started them is gone, however it went.

Reads lines from standard input, whose other end only the supervisor (and a child, until it becomes its program)
holds: "+PID" for a process group to look after, "-PID" for one that has ended. At the end of the input, which is when
the supervisor has ended, even by SIGKILL, every group still listed is stopped.

A pipe does this on every Unix; a death signal set on each child (Linux only) would not reach the children's children.
"""

import contextlib
import os
import signal
import sys
import time

GRACE_SECONDS = 8.0


def main() -> None:
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT):
        signal.signal(number, signal.SIG_IGN)
    groups: list[int] = []
    for line in sys.stdin:
        pid = int(line[1:])
        if line.startswith("+"):
            groups.append(pid)
        elif pid in groups:
            groups.remove(pid)
    # Last started, first stopped: the queue and the database outlive those who use them.
    for group in reversed(groups):
        send(group, signal.SIGTERM)
        deadline = time.monotonic() + GRACE_SECONDS / max(1, len(groups))
        while alive(group) and time.monotonic() < deadline:
            time.sleep(0.05)
        send(group, signal.SIGKILL)


def send(group: int, number: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.killpg(group, number)


def alive(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


if __name__ == "__main__":
    main()
