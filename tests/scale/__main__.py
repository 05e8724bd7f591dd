"""What a portal of N roofs costs: the first assessment, the nights after it, an upload, by any number of workers.

    python -m tests.scale --roofs 1000 [--distinct 500] [--workers 1 2 4] [--days 400] [--postgres]
    python -m tests.scale --roofs 1000 --whole [--kills] [--distinct 500] [--days 400]
    python -m tests.scale --roofs 1000 --pages [--distinct 500] [--days 400]
    python -m tests.scale --fits
    python -m tests.scale --roofs 180 --folder [--days 400]
    python -m tests.scale --towns 15 60 180 600 [--days 400]

Four fifths of the roofs stand in one metropolis, the others in villages of eight; two firms have every other roof each.
Nothing but the portal's own code and the planted roofs of ``tests.pv.planted``; a data folder and database of its own,
gone afterwards. Of more than ``--distinct`` roofs the others are copies of those in the database, made after the first
assessment. A night is done by each number of workers, then one in two parts, the seventh of the roofs that is fitted
whole and the others; then one roof sends its record anew.

``--whole`` starts a whole portal beside it (PostgreSQL, broker, web, beat, two workers). While it does a night 50 users
open its pages; with ``--kills`` then a worker, the broker, and all of it at once are killed half-way through a night,
and it says what was lost and what was done twice.

``--pages`` measures an office's pages in one process instead of nights.

``--fits`` measures first fits of three years of 15 minutes, of roofs alone and of a town of fifteen.

``--folder`` measures ``manage.py assess --folder`` instead: a town of 15 roofs beside one of N, and that with one
process and with two. ``--towns`` compares a town's fit in cells with one joint fit, by errors and intervals.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path

import django
from django.core.management import call_command

from deploy.processes import Supervisor, start_postgres
from tests.killed.portal import Portal
from tests.scale import MINUTES


def what_is_asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m tests.scale", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--roofs", type=int, default=100)
    parser.add_argument("--distinct", type=int, default=500, help="roofs that are made and assessed, not copied")
    parser.add_argument("--workers", type=int, nargs="+", default=[1], help="each number does a night")
    parser.add_argument("--days", type=int, default=400, help="of record before the first assessment")
    parser.add_argument("--postgres", action="store_true")
    parser.add_argument("--whole", action="store_true", help="a whole portal, and people on its pages")
    parser.add_argument("--kills", action="store_true", help="kill parts of the whole portal as well")
    parser.add_argument("--pages", action="store_true", help="what an office's pages cost, instead of nights")
    parser.add_argument("--fits", action="store_true", help="first fits of three years, alone and in a town")
    parser.add_argument("--folder", action="store_true", help="assess a folder of files, without a database")
    parser.add_argument("--towns", type=int, nargs="+", metavar="N", help="fit towns of so many roofs in both ways")
    parser.add_argument("--work", metavar="NOW", help=argparse.SUPPRESS)
    return parser.parse_args()


def main() -> None:
    asked = what_is_asked()
    if asked.work:
        django.setup()
        from tests.scale.many import work  # models can be imported only now

        work(datetime.fromisoformat(asked.work))
        return
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="rinsemark-scale-")))
        folder.chmod(0o755)  # PostgreSQL runs as another user
        os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        if asked.fits:
            from tests.scale.fits import measure_fits  # numpy reads how many threads it may take when it is imported

            measure_fits()
            return
        if asked.towns:
            from tests.scale.town import compare  # numpy reads how many threads it may take when it is imported

            compare(asked.towns, asked.days)
            return
        if asked.folder:
            from tests.scale.folder import measure  # numpy reads how many threads it may take when it is imported

            for roofs, jobs in ((15, 1), (asked.roofs, 1), (asked.roofs, 2)):
                measure(roofs, jobs, asked.days, folder)
            return
        portal = None
        os.environ |= {
            "DJANGO_SETTINGS_MODULE": "portal.settings",
            "PORTAL_DATABASE_URL": f"sqlite:///{folder / 'scale.sqlite3'}",
            "PORTAL_VAR": str(folder / "var"),
            "PORTAL_REDIS_URL": "",
            "PORTAL_SECOND_FACTOR": "optional",  # or offices would be led to the page that sets one up
        }
        if asked.whole:
            portal = Portal(stack.enter_context(Supervisor(folder / "log")), folder, smtp_port=1)
            os.environ |= portal.variables
        elif asked.postgres:
            supervisor = stack.enter_context(Supervisor(folder / "log"))
            os.environ["PORTAL_DATABASE_URL"] = start_postgres(supervisor, folder / "postgres")[1]
        django.setup()
        call_command("migrate", verbosity=0)
        nights(asked)
        if asked.pages:
            from tests.scale.pages import measure_pages  # models can be imported only now

            call_command("prepare_assets", verbosity=0)
            measure_pages()
        if portal is not None:
            # models can be imported only now
            from tests.scale.whole import killed_half_way, people_while_a_night_runs

            call_command("prepare_assets", verbosity=0)
            portal.start_services("workers.app", "mail,imports,nights")
            people_while_a_night_runs(portal, asked.roofs)
            if asked.kills:
                killed_half_way(portal, asked.roofs)


IN_TWO_PARTS = 1000
"""Of more roofs no night is done in two parts: their cells are no larger, so the parts would cost a roof the same."""


def nights(asked: argparse.Namespace) -> None:
    """Make the roofs, and measure one night after the other; the last one ends yesterday but one."""
    from tests.scale.many import copy_roofs, make, night, only, sizes  # models can be imported only now

    made, most = min(asked.roofs, asked.distinct), max(asked.workers)
    began, yesterday = time.monotonic(), datetime.now(UTC).date() - timedelta(days=1)
    days = len(asked.workers) + 2  # after the first assessment
    make(made, asked.days + days, yesterday)
    print(f"{made} roofs of {asked.days} days at {MINUTES} minutes made in {time.monotonic() - began:.0f} s")
    day = yesterday - timedelta(days=days)
    night(made, most, "first", day)
    sizes(made)
    if asked.roofs > made:
        began = time.monotonic()
        copy_roofs(made, asked.roofs)
        print(
            f"{asked.roofs - made} copies of them with the last 60 days of their readings made in "
            f"{time.monotonic() - began:.0f} s: they cost what others do, their answers mean nothing"
        )
    if asked.pages:
        return
    for workers in asked.workers:
        day += timedelta(days=1)
        night(asked.roofs, workers, "night", day)
    if asked.roofs <= IN_TWO_PARTS:
        day += timedelta(days=1)
        due = only(day, due=True)
        night(due, most, "fitted whole", day)
        night(only(day, due=False), most, "the others", day)
    night(1, 1, "upload", day, upload=True)


if __name__ == "__main__":
    main()
