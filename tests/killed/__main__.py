"""Kills each process of a working portal, without warning, and counts what became of what was in flight.

    python -m tests.killed [--files 200] [--mails 200] [--photos 50] [--kills 4] [--only web …]

A portal of its own: PostgreSQL, a broker, web, worker and beat, each killed with SIGKILL as often as asked while phones
and scripts send (and send again, as they do, what was not confirmed) and mails go out. Each kill comes when a further
share of the sending has just begun and a mail stands at a step of its SMTP, so that no clock decides what is in flight.
Ends with 1 where anything was lost, doubled or left over. A mail whose worker died after the server was given it may or
may not have arrived, and nobody can know: of those a reminder that a wash is due is told to the office, and one of a
booked visit sent again under the same Message-ID. Only these may be doubled or told, at most one a kill of the worker.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import django

from deploy.processes import Supervisor
from tests.killed.portal import PATIENCE, VICTIMS, Portal, sql
from tests.workers.post_office import PostOffice

STEPS = ("rcpt", "kept", "mail", "content")
"""Of each mail, at which one stands while a process is killed: of the first kill, the second, …, and again."""
NOBODY_HOLDS = [  # as if it had all begun a quarter of an hour earlier: leases of the dead have run out
    "update portal_reminder set claimed_at = claimed_at - interval '15 minutes' where state = 'sending'",
    "update portal_reminder set retry_at = null where state = 'due'",
    (
        "update portal_import set asked_at = asked_at - interval '15 minutes', "
        "begun_at = begun_at - interval '15 minutes' where state = 'pending'"
    ),
]

MAY_BE = ("sent again", "mails doubled", "mails told as unsure")
"""Figures that need not be nothing: the last two where nobody can know."""
STUCK = 30.0
"""Seconds without anything done, after which the worker is stopped, when it has ended its jobs, and started anew."""


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.killed", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--files", type=int, default=200)
    parser.add_argument("--mails", type=int, default=200)
    parser.add_argument("--photos", type=int, default=50)
    parser.add_argument("--kills", type=int, default=4, help="of each process")
    parser.add_argument("--only", nargs="+", choices=VICTIMS, default=VICTIMS)
    asked = parser.parse_args(arguments)
    # Not in a folder that others may not enter: PostgreSQL runs as another user.
    folder = Path(tempfile.mkdtemp(prefix="rinsemark-killed-"))
    folder.chmod(0o755)
    try:
        with PostOffice() as office, Supervisor(folder / "log") as supervisor:
            portal = Portal(supervisor, folder, office.port)
            os.environ |= portal.variables
            django.setup()
            portal.make_tables()
            portal.start_services()
            bad = sum(not round_of(portal, office, victim, asked) for victim in asked.only)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return 1 if bad else 0


def round_of(portal: Portal, office: PostOffice, victim: str, asked: argparse.Namespace) -> bool:
    """Kill one kind of process; print what became of what was in flight, and return whether all of it is right."""
    from tests.killed.flight import Flight  # models can be imported only now

    flight = Flight(portal.address, office)
    flight.load(asked.files, asked.photos)
    begun, open_then, unsure, let, ended = time.monotonic(), [], 0, 0, portal.ended_by_themselves
    share = (len(flight.files) + len(flight.photos)) // (asked.kills + 1)

    def after_the_kill() -> None:
        # a worker is in the middle of what was confirmed long ago
        open_then.append(str(flight.waiting() if victim == "worker" else flight.begun - flight.confirmed))
        office.release()  # before others come to wait for longer than they do
        if victim == "worker":
            nobody_holds(portal)

    with flight.under_way():
        for number in range(asked.kills):
            step = STEPS[number % len(STEPS)]
            office.holding.clear()
            office.hold = step
            flight.mail(asked.mails // asked.kills)
            await_(portal, office.holding.is_set)
            await_(portal, partial(flight.has_confirmed, let))
            flight.let(share)
            await_(portal, partial(flight.has_begun, let + 1))
            let += share
            portal.kill_and_restart(victim, between=after_the_kill)
            unsure += victim == "worker" and step in ("content", "kept")
    settle(portal, flight.waiting)
    figures = flight.became()
    twice_or_told = figures["mails doubled"] + figures["mails told as unsure"]
    right = twice_or_told <= unsure and not any(number for name, number in figures.items() if name not in MAY_BE)
    what = "files and mails" if victim == "worker" else "files and photos"
    times = "once" if asked.kills == 1 else f"{asked.kills} times"
    print(
        f"{victim} killed {times}, with {', '.join(open_then)} {what} and a mail on their way; "
        f"of {len(flight.files)} files, {len(flight.photos)} photos and {len(flight.mails)} mails:",
        ", ".join(f"{name} {number}" for name, number in figures.items()),
        f"({portal.ended_by_themselves - ended} processes ended by themselves; {time.monotonic() - begun:.0f} s)"
        + ("" if right else "   WRONG"),
        flush=True,
    )
    return right


def nobody_holds(portal: Portal) -> None:
    for statement in NOBODY_HOLDS:
        sql(portal.database, statement)


def await_(portal: Portal, happened: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE
    while not happened():
        portal.look_after()
        if time.monotonic() > deadline:
            raise TimeoutError(f"not within {PATIENCE:.0f} s")
        time.sleep(0.05)


def settle(portal: Portal, waiting: Callable[[], int]) -> None:
    """Until nothing waits. Where nothing is done for long, a job has lost its database or its message."""
    for _ in range(5):
        before, deadline = waiting(), time.monotonic() + STUCK
        while before and time.monotonic() < deadline:
            time.sleep(0.2)
            portal.look_after()
            if (now := waiting()) != before:
                before, deadline = now, time.monotonic() + STUCK
        if not before:
            return
        portal.restart_worker(lambda: nobody_holds(portal))
    raise TimeoutError(f"{waiting()} jobs are never done")


if __name__ == "__main__":
    sys.exit(main())
