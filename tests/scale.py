"""What a portal of N roofs costs: the first assessment, a short night, a weekly one, by any number of workers.

    python -m tests.scale --roofs 1000 [--workers 2] [--days 400] [--postgres] [--kill]

Four fifths of the roofs stand in one metropolis, the others in villages of eight; two firms have every other roof each.
Nothing but the portal's own code and the planted roofs of ``tests.pv.planted``; a data folder and database of its own,
gone afterwards. ``--kill`` ends one worker without warning in the midst of the first assessment and says what was lost
and what was done twice.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock
from pathlib import Path
from typing import Any

import numpy as np

MINUTES = 15
VILLAGE = 8
CITY_SHARE = 0.8
PLANES = ((15.0, 180.0), (25.0, 150.0), (25.0, 180.0), (30.0, 215.0), (35.0, 170.0), (40.0, 190.0))


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.scale", description=__doc__)
    parser.add_argument("--roofs", type=int, required=True)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--days", type=int, default=400, help="of record before the first assessment")
    parser.add_argument("--postgres", action="store_true")
    parser.add_argument("--kill", action="store_true", help="end a worker half-way through the first assessment")
    parser.add_argument("--work", metavar="NOW", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.work:
        work(datetime.fromisoformat(asked.work))
        return
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="rinsemark-scale-")))
        url = f"sqlite:///{folder / 'scale.sqlite3'}"
        if asked.postgres:
            from deploy.processes import Supervisor, start_postgres  # only here: its wheel is for tests

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
        django_is_ready()
        from django.core.management import call_command

        call_command("migrate", verbosity=0)
        began = time.monotonic()
        make(asked.roofs, asked.days + 8)
        print(f"{asked.roofs} roofs of {asked.days} days at {MINUTES} minutes made in {time.monotonic() - began:.0f} s")
        night(asked.roofs, asked.workers, "first", last_day(asked.days), kill=asked.kill)
        night(asked.roofs, asked.workers, "short", last_day(asked.days + 1))
        night(asked.roofs, asked.workers, "weekly", last_day(asked.days + 8))
        sizes(asked.roofs)


def django_is_ready() -> None:
    import django

    django.setup()


def last_day(days: int) -> date:
    from tests.pv.planted import START

    return START + timedelta(days=days - 1)


def make(roofs: int, days: int) -> None:
    """Rows of the two firms, their roofs, and the readings of all days."""
    from portal.models import Business, Customer, DayReadings, Meter, Plane, Site, pack
    from portal.pv.days import cut_days
    from tests.pv.planted import dust, site, weather

    firms = Business.objects.bulk_create(
        Business(name=f"Washers {n}", slug=f"washers-{n}", email=f"office{n}@washers.example", tz="Europe/Madrid")
        for n in range(2)
    )
    rng = np.random.default_rng(1)
    city = max(1, round(CITY_SHARE * roofs))
    for number in range(roofs):
        village = 0 if number < city else 1 + (number - city) // VILLAGE
        place = 37.0 + 0.7 * (village % 7), -6.0 + 0.9 * (village // 7)
        sky = weather(seed=village, days=days, minutes=MINUTES, latitude=place[0], longitude=place[1])
        tilt, azimuth = PLANES[number % len(PLANES)]
        rate = 0.0 if number % 3 else rng.uniform(0.0002, 0.0012)
        made = site(sky, dust(sky, rate), seed=number, planes=((tilt, azimuth, 6.0),))
        customer = Customer.objects.create(business=firms[number % 2], name=f"Customer {number}")
        spread = 0.12 if village == 0 else 0.02
        roof = Site.objects.create(
            customer=customer,
            name="Home",
            address="1 Invented Road",
            latitude=place[0] + rng.uniform(-spread, spread),
            longitude=place[1] + rng.uniform(-spread, spread),
            tz=sky.tz,
            ac_kw=5.5,
            installed_on=sky.dates[0],
        )
        Plane.objects.create(site=roof, tilt=tilt, azimuth=azimuth, dc_kw=6.0, module_count=15)
        meter = Meter.objects.create(site=roof)
        DayReadings.objects.bulk_create(
            DayReadings(meter=meter, day=day, interval_minutes=MINUTES, packed=pack(block))
            for day, block in cut_days(made.energy_wh, tz=sky.tz, interval_minutes=MINUTES)
        )


def night(roofs: int, workers: int, name: str, until: date, *, kill: bool = False) -> None:
    """Queue a night, let workers do it, and print what it cost."""
    from portal.actions.nights import start_night
    from portal.models import Night

    now = datetime.combine(until + timedelta(days=1), clock(2), UTC)
    with counted() as queries:
        began = time.monotonic()
        start_night(now=now)
        starting = time.monotonic() - began
    command = [sys.executable, "-m", "tests.scale", "--roofs", str(roofs), "--work", now.isoformat()]
    began = time.monotonic()
    running = [subprocess.Popen(command, stdout=subprocess.PIPE, text=True) for _ in range(workers)]
    if kill:
        while Night.objects.filter(state="done").count() < roofs // 4:
            time.sleep(0.2)
        running[0].send_signal(signal.SIGKILL)
    said = [json.loads(text) for one in running if (text := one.communicate()[0])]
    wall = time.monotonic() - began
    total: dict[str, float] = {key: sum(one[key] for one in said) for key in ("cpu", "queries", "done")}
    print(
        f"{name:7s} {roofs} roofs, {workers} workers: wall {wall:.1f} s, "
        f"CPU {1000 * total['cpu'] / roofs:.0f} ms a roof, "
        f"biggest process {max(one['peak_mb'] for one in said):.0f} MB, "
        f"{total['queries'] / roofs:.1f} queries a roof, done {total['done']:.0f}; "
        f"begun in {starting:.2f} s with {queries['all']} queries",
        flush=True,
    )


def work(now: datetime) -> None:
    """One worker's part of a night: group after group until nothing waits."""
    django_is_ready()
    from portal.actions.nights import assess_next

    before = time.process_time()
    with counted() as queries:
        done = 0
        while taken := assess_next(now=now):
            done += taken
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    cpu = time.process_time() - before
    print(json.dumps({"cpu": cpu, "peak_mb": peak_mb, "queries": queries["all"], "done": done}))


@contextmanager
def counted() -> Iterator[dict[str, int]]:
    """How often the database is asked."""
    from django.db import connection

    queries: dict[str, int] = defaultdict(int)

    def count(execute: Callable[..., Any], sql: str, params: Any, many: bool, context: dict[str, Any]) -> Any:
        queries["all"] += 1
        return execute(sql, params, many, context)

    with connection.execute_wrapper(count):
        yield queries


def sizes(roofs: int) -> None:
    """Bytes a roof in each table that holds more than a few."""
    from django.db import connection

    tables = connection.introspection.table_names()
    out = {}
    with connection.cursor() as cursor:
        for table in tables:
            if connection.vendor == "postgresql":
                cursor.execute("SELECT pg_total_relation_size(%s)", [table])
            else:
                cursor.execute(
                    "SELECT SUM(pgsize) FROM dbstat WHERE name IN (SELECT name FROM sqlite_master WHERE tbl_name = %s)",
                    [table],
                )
            out[table] = (cursor.fetchone()[0] or 0) / roofs
    for table, size in sorted(out.items(), key=lambda one: -one[1]):
        if size > 500:
            print(f"  {table}: {size / 1000:.1f} kB a roof")


if __name__ == "__main__":
    main()
