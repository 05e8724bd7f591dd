"""A portal of many roofs: its rows, its nights, and what they cost. Imported once Django is set up."""

from __future__ import annotations

import json
import resource
import signal
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock
from typing import Any

import numpy as np
from django.db import connection

from portal.actions.nights import ask_for_assessment, assess_next, start_night
from portal.models import Business, Customer, DayReadings, Meter, Night, Plane, Site, pack
from portal.pv.days import cut_days
from tests.pv.planted import START, dust, site, weather
from tests.scale import MINUTES, PLANES

VILLAGE = 8
CITY_SHARE = 0.8


def last_day(days: int) -> date:
    """Of a record of so many days."""
    return START + timedelta(days=days - 1)


def make(roofs: int, days: int) -> None:
    """Rows of the two firms, their roofs, and the readings of all days."""
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


def night(roofs: int, workers: int, name: str, until: date, *, kill: bool = False, upload: bool = False) -> None:
    """Queue a night, or one roof whose readings all changed, let workers do it, and print what it cost."""
    now = datetime.combine(until + timedelta(days=1), clock(2), UTC)
    with counted() as queries:
        began = time.monotonic()
        if upload:
            ask_for_assessment(Site.objects.order_by("pk")[0], now=now + timedelta(hours=8), changed_since=START)
            now += timedelta(hours=8)
            roofs = 1
        else:
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
    queries: dict[str, int] = defaultdict(int)

    def count(execute: Callable[..., Any], sql: str, params: Any, many: bool, context: dict[str, Any]) -> Any:
        queries["all"] += 1
        return execute(sql, params, many, context)

    with connection.execute_wrapper(count):
        yield queries


def sizes(roofs: int) -> None:
    """Bytes a roof in each table that holds more than a few."""
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
