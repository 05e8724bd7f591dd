"""How fast files become day blocks, and how small they are: printed beside pandas on the same file in the same run."""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from django.core.files.base import ContentFile
from django.db import connection
from django.db.models import Count, Sum

from fixtures.demo import mapping_of
from fixtures.history import make_histories
from portal.actions.imports.reading import read_import
from portal.actions.imports.receive import receive_file
from portal.models import DayReadings, Import, ImportState
from tests import factories
from tests.actions.exports import send

pytestmark = [pytest.mark.benchmark, pytest.mark.django_db(transaction=True)]

NOW = datetime.fromisoformat("2026-06-15T18:00Z")


def export(path: Path, first: date, days: int, minutes: int) -> int:
    """Write a day-first export by winter's clock, production as a logger would round it."""
    stamps = pd.date_range(first, first + timedelta(days=days), freq=f"{minutes}min", inclusive="left")
    hour = stamps.hour + stamps.minute / 60
    noise = np.random.default_rng(7).uniform(0.4, 1.0, len(stamps))
    energy = np.where((hour > 6) & (hour < 18), np.sin((hour - 6) / 12 * np.pi), 0.0) * noise * 5 * minutes / 60
    table = pd.DataFrame({"Date": stamps.strftime("%d/%m/%Y %H:%M"), "Energy (kWh)": energy.round(3)})
    table.to_csv(path, index=False)
    return len(stamps)


def fastest(times: int, work: Callable[[], object]) -> float:
    seconds = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - begun)
    return min(seconds)


@pytest.mark.parametrize(("minutes", "days"), [(15, 1826), (5, 365)])
def test_a_file_becomes_day_blocks(tmp_path: Path, minutes: int, days: int) -> None:
    path = tmp_path / "export.csv"
    count = export(path, date(2021, 1, 1), days, minutes)
    pandas_s = fastest(
        3, lambda: pd.read_csv(path, parse_dates=["Date"], date_format="%d/%m/%Y %H:%M").set_index("Date")
    )
    # a zone without daylight saving, so that every reading has its place
    meters = [factories.meter(site=factories.site(tz="America/Phoenix")) for _ in range(3)]
    waiting = [send(meter, path.read_bytes(), now=NOW) for meter in meters]
    remaining = iter(waiting)
    first_s = fastest(3, lambda: read_import(import_id=next(remaining).pk, now=NOW))
    taken = Import.objects.get(pk=waiting[0].pk)
    assert taken.state == ImportState.DONE, (taken.problem, taken.questions)
    assert taken.readings_new == count
    again = iter([send(meters[0], path.read_bytes(), now=NOW) for _ in range(3)])
    again_s = fastest(3, lambda: read_import(import_id=next(again).pk, now=NOW))
    # the same readings in other bytes, which the checksum does not know
    other = iter([send(meters[0], path.read_bytes() + b"\n" * n, now=NOW) for n in (1, 2, 3)])
    other_s = fastest(3, lambda: read_import(import_id=next(other).pk, now=NOW))
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"\n{connection.vendor}, {count:,} readings of {minutes} minutes: pandas alone {pandas_s:.2f} s; "
        f"file to committed day blocks {first_s:.2f} s ({first_s / pandas_s:.1f} × pandas, {count / first_s:,.0f} a "
        f"second); same file again {again_s:.3f} s ({again_s / first_s:.0%} of the first); same readings in another "
        f"file {other_s:.2f} s ({other_s / first_s:.0%}); peak memory of the whole process {peak_mb:.0f} MB"
    )


def table_bytes(table: str) -> int:
    """Return what a table and its indexes take on disk."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SELECT pg_total_relation_size(%s)", [table])
        else:
            cursor.execute(
                "SELECT SUM(pgsize) FROM dbstat WHERE name = %s OR name IN "
                "(SELECT name FROM sqlite_master WHERE tbl_name = %s AND type = 'index')",
                [table, table],
            )
        size: int = cursor.fetchone()[0]
    return size


def test_the_demos_readings_take_few_bytes_each() -> None:
    for history in make_histories(date(2026, 6, 15)):
        if history.energy_wh.empty:
            continue
        customer = history.customer
        meter = factories.meter(site=factories.site(tz=customer.town.tz, planes=False))
        import_ = receive_file(
            meter=meter,
            filename=history.filename,
            file=ContentFile(history.file()),
            uploaded_by=None,
            now=NOW,
            mapping=mapping_of(customer.dialect, tz=customer.town.tz),
        )
        assert read_import(import_id=import_.pk, now=NOW).state == ImportState.DONE
    counts = Import.objects.aggregate(readings=Sum("readings_new"), files=Count("pk"))
    readings, days = counts["readings"], table_bytes("portal_dayreadings")
    undo, ledger = table_bytes("portal_daybefore"), table_bytes("portal_import")
    print(
        f"\n{connection.vendor}: {readings:,} readings in {DayReadings.objects.count():,} days of {counts['files']} "
        f"files: {days / readings:.2f} bytes a reading with index; to undo them {undo / readings:.2f}, their ledgers "
        f"{ledger / readings:.2f} more"
    )
