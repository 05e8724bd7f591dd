"""What a portal of N roofs costs: the first assessment, the nights after it, an upload, by any number of workers.

    python -m tests.scale --roofs 1000 [--workers 2] [--days 400] [--postgres] [--kill]
    python -m tests.scale --roofs 180 --folder [--days 400]

Four fifths of the roofs stand in one metropolis, the others in villages of eight; two firms have every other roof each.
Nothing but the portal's own code and the planted roofs of ``tests.pv.planted``; a data folder and database of its own,
gone afterwards. ``--kill`` ends one worker without warning in the midst of the first assessment and says what was lost
and what was done twice. Each night after it fits a seventh of the roofs whole and goes on with the others; then one
roof sends its record anew. ``--folder`` measures ``manage.py assess --folder`` instead: a town of 15 roofs beside one
of N, and that with one process and with two.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path

import django
from django.core.management import call_command

from deploy.processes import Supervisor, start_postgres
from tests.scale import MINUTES


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.scale", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--roofs", type=int, required=True)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--days", type=int, default=400, help="of record before the first assessment")
    parser.add_argument("--postgres", action="store_true")
    parser.add_argument("--kill", action="store_true", help="end a worker half-way through the first assessment")
    parser.add_argument("--folder", action="store_true", help="assess a folder of files, without a database")
    parser.add_argument("--work", metavar="NOW", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.work:
        django.setup()
        from tests.scale.many import work  # models can be imported only now

        work(datetime.fromisoformat(asked.work))
        return
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="rinsemark-scale-")))
        if asked.folder:
            os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
            from tests.scale.folder import measure  # numpy reads how many threads it may take when it is imported

            for roofs, jobs in ((15, 1), (asked.roofs, 1), (asked.roofs, 2)):
                measure(roofs, jobs, asked.days, folder)
            return
        url = f"sqlite:///{folder / 'scale.sqlite3'}"
        if asked.postgres:
            folder.chmod(0o755)
            _, url = start_postgres(stack.enter_context(Supervisor(folder / "log")), folder / "postgres")
        os.environ |= {
            "DJANGO_SETTINGS_MODULE": "portal.settings",
            "PORTAL_DATABASE_URL": url,
            "PORTAL_VAR": str(folder / "var"),
            "PORTAL_REDIS_URL": "",
            "OMP_NUM_THREADS": "1",
            "OPENBLAS_NUM_THREADS": "1",
        }
        django.setup()
        from tests.scale.many import last_day, make, night, sizes  # models can be imported only now

        call_command("migrate", verbosity=0)
        began = time.monotonic()
        make(asked.roofs, asked.days + 8)
        print(f"{asked.roofs} roofs of {asked.days} days at {MINUTES} minutes made in {time.monotonic() - began:.0f} s")
        night(asked.roofs, asked.workers, "first", last_day(asked.days), kill=asked.kill)
        for day in (1, 2):
            night(asked.roofs, asked.workers, f"night {day}", last_day(asked.days + day))
        night(asked.roofs, 1, "upload", last_day(asked.days + 2), upload=True)
        sizes(asked.roofs)


if __name__ == "__main__":
    main()
