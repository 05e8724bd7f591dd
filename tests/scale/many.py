"""A portal of many roofs: its rows, its nights, and what they cost. Imported once Django is set up."""

from __future__ import annotations

import json
import resource
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
from django.db.models import Model

from portal.actions.nights import ask_for_assessment, assess_next, start_night
from portal.models import (
    Business,
    Customer,
    DayReadings,
    Membership,
    Meter,
    Night,
    Plane,
    Role,
    Site,
    SiteAssessment,
    SiteDaily,
    User,
    pack,
)
from portal.pv.daily import EPOCH
from portal.pv.days import cut_days
from portal.pv.memory import full_fit_due, known_until
from tests.pv.planted import dust, site, weather
from tests.scale import MINUTES, PLANES

VILLAGE = 8
CITY_SHARE = 0.8
COPIED_DAYS = 60
"""Of the readings of a copy: a short night reads the days since the last full fit alone."""
KEYS = 1_000_000
"""From one set of copies to the next. Those of rows that nobody looks up by key go on by themselves."""


def make(roofs: int, days: int, until: date) -> None:
    """Rows of the two firms, their roofs, and the readings of so many days, to the last one."""
    firms = Business.objects.bulk_create(
        Business(name=f"Washers {n}", slug=f"washers-{n}", email=f"office{n}@washers.example", tz="Europe/Madrid")
        for n in range(2)
    )
    for firm in firms:
        person = User.objects.create_user(email=firm.email, name=f"Office of {firm}", password=None)
        Membership.objects.create(business=firm, user=person, role=Role.OWNER)
    rng = np.random.default_rng(1)
    city = max(1, round(CITY_SHARE * roofs))
    start = until - timedelta(days=days - 1)
    for number in range(roofs):
        village = 0 if number < city else 1 + (number - city) // VILLAGE
        place = 37.0 + 0.7 * (village % 7), -6.0 + 0.9 * (village // 7)
        sky = weather(seed=village, days=days, minutes=MINUTES, latitude=place[0], longitude=place[1], start=start)
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


def copy_roofs(made: int, roofs: int) -> None:
    """Copy all rows of the roofs, within the database, until there are so many roofs."""
    last = DayReadings.objects.latest("day").day
    since = (last - timedelta(days=COPIED_DAYS)).isoformat()
    for copy in range(1, -(-roofs // made)):
        fewer = min(made, roofs - copy * made)
        first = sorted(Customer.objects.filter(pk__lt=KEYS).values_list("pk", flat=True))[:fewer]
        among = f"BETWEEN {first[0]} AND {first[-1]}"
        site_rows = f"(SELECT id FROM portal_site WHERE customer_id {among})"
        meter_rows = f"(SELECT id FROM portal_meter WHERE site_id IN {site_rows})"
        for model, where in (
            (Customer, f"id {among}"),
            (Site, f"customer_id {among}"),
            (Plane, f"site_id IN {site_rows}"),
            (Meter, f"site_id IN {site_rows}"),
            (DayReadings, f"meter_id IN {meter_rows} AND day > '{since}'"),
            (SiteAssessment, f"site_id IN {site_rows}"),
            (SiteDaily, f"site_id IN {site_rows}"),
        ):
            _copy(model, where, KEYS * copy)


def _copy(model: type[Model], where: str, further: int) -> None:
    """Copies of some rows, with keys so much higher; so are those of the copied rows that they belong to."""
    quote = connection.ops.quote_name
    into, values = [], []
    for field in model._meta.concrete_fields:
        if field.primary_key and model is not Customer and model is not Site and model is not Meter:
            continue  # the next that is free
        into.append(quote(str(field.column)))
        moves = field.primary_key or field.related_model in (Customer, Site, Meter)
        values.append(f"{into[-1]} + {further}" if moves else into[-1])
    with connection.cursor() as cursor:
        cursor.execute(
            f"INSERT INTO {model._meta.db_table} ({', '.join(into)}) "
            f"SELECT {', '.join(values)} FROM {model._meta.db_table} WHERE {where}"
        )


def only(until: date, *, due: bool) -> int:
    """Queue those of a night's roofs that are fitted whole, or the others. Returns how many."""
    start_night(now=_at(until))
    ends = (until - EPOCH).days
    kept = SiteDaily.objects.values_list("site_id", "memory").iterator(chunk_size=200)
    known = {key: known_until(bytes(memory)) for key, memory in kept}
    fitted = [key for key, day in known.items() if day is None or full_fit_due((day - EPOCH).days, ends, str(key))]
    waiting = Night.objects.waiting()
    (waiting.exclude(site__in=fitted) if due else waiting.filter(site__in=fitted)).delete()
    return waiting.count()


def _at(until: date) -> datetime:
    """The moment of the night after a day."""
    return datetime.combine(until + timedelta(days=1), clock(2), UTC)


def night(roofs: int, workers: int, name: str, until: date, *, upload: bool = False) -> None:
    """Queue a night, or one roof whose readings all changed, let workers do it, and print what it cost."""
    now = _at(until)
    with counted() as queries:
        began = time.monotonic()
        if upload:
            now += timedelta(hours=8)
            ask_for_assessment(Site.objects.order_by("pk")[0], now=now, changed_since=date.min)
        elif not Night.objects.waiting().exists():
            start_night(now=now)
        starting = time.monotonic() - began
    command = [sys.executable, "-m", "tests.scale", "--roofs", str(roofs), "--work", now.isoformat()]
    running = [subprocess.Popen(command, stdout=subprocess.PIPE, text=True) for _ in range(workers)]
    said = [json.loads(text) for one in running if (text := one.communicate()[0])]
    wall = max(one["ended"] for one in said) - min(one["began"] for one in said)  # without what Python takes to start
    total: dict[str, float] = {key: sum(one[key] for one in said) for key in ("cpu", "queries", "done")}
    biggest = max(one["peak_mb"] for one in said)
    begun = "" if upload else f"; begun in {starting:.2f} s with {queries['all']} queries"
    print(
        f"{name:12s} {roofs} roofs, {workers} workers: wall {wall:.1f} s, "
        f"{1000 * total['cpu'] / roofs:.0f} ms of CPU a roof, biggest process {biggest:.0f} MB, "
        f"{total['queries'] / roofs:.1f} queries a roof, done {total['done']:.0f}{begun}",
        flush=True,
    )


def work(now: datetime) -> None:
    """One worker's part of a night: group after group until nothing waits."""
    began, before = time.monotonic(), time.process_time()
    with counted() as queries:
        done = 0
        while taken := assess_next(now=now):
            done += taken
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    cpu = time.process_time() - before
    said = {"cpu": cpu, "peak_mb": peak_mb, "queries": queries["all"], "done": done}
    print(json.dumps(said | {"began": began, "ended": time.monotonic()}))


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
        if size > 0.01 * sum(out.values()):
            print(f"  {table}: {size / 1000:.1f} kB a roof")
