"""Files that ask, answered in any order, with undoing in between, against a model that knows no day blocks.

Dates are written month first. Whether a file shows it hangs on its days, so some are asked about, some are decided
backwards by a later one; a month that was not over has zeros where others have production. `LEDGER_RUNS` chooses how
many histories are made.
"""

from __future__ import annotations

import os
import random
from collections import Counter
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from portal.actions.imports.asked import answer_import
from portal.actions.imports.days import Counts
from portal.actions.imports.kept import mapping_of
from portal.actions.imports.waiting import work_on_import
from portal.models import DayBefore, DayReadings, Import, ImportState, Meter, unpack
from tests import factories
from tests.actions.exports import Rows, days_rows, send
from tests.actions.imports.stored import counts, in_wh, undone
from tests.factories import NOW

pytestmark = pytest.mark.django_db

RUNS = int(os.environ.get("LEDGER_RUNS", "12"))
SEEN = Counter[str]()


def month_first(rows: Rows) -> str:
    """What says nothing of its clock, and of its order only by days after the 12th."""
    lines = [f"{moment:%m/%d/%Y %H:%M},{energy}" for moment, energy in rows]
    return "\n".join(["Time,PV energy (kWh)", *lines])


def not_over(rows: Rows) -> Rows:
    """The last day was not over when it was exported: zeros from noon on."""
    last = rows[-1][0].date()
    return [(moment, 0.0 if moment.date() == last and moment.hour >= 12 else energy) for moment, energy in rows]


def lay_over(known: dict[datetime, float], rows: Rows, *, wipes: bool) -> Counts:
    """Do what an import does, by a dict of instants: zeros take the place of production only where somebody said so."""
    new = same = replaced = kept = 0
    for moment, energy in in_wh(rows).items():
        held = known.get(moment)
        if held is not None and held > 0 and energy == 0 and not wipes:
            kept += 1
            continue
        new += held is None
        same += held == energy
        replaced += held is not None and held != energy
        known[moment] = energy
    return Counts(new=new, unchanged=same, replaced=replaced, set_aside=kept)


def held(meter: Meter) -> list[tuple[date, list[float]]]:
    rows = DayReadings.objects.filter(meter=meter).order_by("day")
    return [(row.day, [float(value) for value in unpack(row.packed) if value == value]) for row in rows]


def work_off() -> None:
    """Workers do all that waits; one that ends may set others waiting."""
    while keys := list(Import.objects.unfinished().order_by("pk").values_list("pk", flat=True)):
        for key in keys:
            work_on_import(import_id=key, now=NOW)


def answer(import_: Import, wipe: bool) -> None:
    mapping = mapping_of(import_.mapping or {})
    for question in import_.questions:
        SEEN[question["code"]] += 1
        if question["code"] == "date_order":
            mapping = mapping.answered("date_order", "mdy")
        elif question["code"] == "zeros":
            mapping = mapping.answered("zeros", "accept" if wipe else "keep")
        else:
            assert not question["required"], question
    answer_import(import_=import_, mapping=mapping, now=NOW)


def history(meter: Meter, chance: random.Random) -> dict[int, Rows]:
    """Send, answer and undo by chance; returns what each file holds in truth."""
    rows_of: dict[int, Rows] = {}
    for _ in range(chance.randint(4, 10)):
        act = chance.choices(["send", "answer", "undo"], [6, 3, 2])[0]
        if act == "send":
            first = chance.choice([chance.randint(1, 8), chance.randint(1, 8), chance.randint(1, 24)])
            days = chance.randint(1, 3)
            rows = days_rows(date(2026, 5, first), days, scale=chance.choice([1.0, 0.9, 0.8]))
            rows = not_over(rows) if chance.random() < 0.4 else rows
            rows_of[send(meter, month_first(rows)).pk] = rows
        else:
            state = ImportState.DONE if act == "undo" else ImportState.QUESTION
            if able := list(Import.objects.filter(meter=meter, state=state).order_by("pk")):
                chosen = chance.choice(able)
                SEEN[act] += 1
                undone(chosen) if act == "undo" else answer(chosen, wipe=chance.random() < 0.5)
        asked = set(Import.objects.filter(meter=meter, state=ImportState.QUESTION).values_list("pk", flat=True))
        work_off()
        backwards = Import.objects.filter(pk__in=asked).exclude(state=ImportState.QUESTION).count()
        SEEN["decided backwards"] += backwards
    return rows_of


def test_whatever_is_answered_and_undone_in_any_order_the_days_are_those_of_the_files() -> None:
    for seed in range(RUNS):
        meter = factories.meter()
        rows_of = history(meter, random.Random(seed))
        known: dict[datetime, float] = {}
        stand = list(Import.objects.filter(meter=meter, state=ImportState.DONE).order_by("turn"))
        for one in stand:
            accepted = mapping_of(one.mapping or {}).accepted
            expected = lay_over(known, rows_of[one.pk], wipes="zeros" in accepted)
            assert counts(one) == expected, f"history {seed}, file {one.pk}"
        by_day: dict[date, list[float]] = {}
        for moment in sorted(known):
            by_day.setdefault(moment.astimezone(ZoneInfo(meter.cut_in)).date(), []).append(known[moment])
        assert held(meter) == sorted(by_day.items()), f"history {seed}"
        assert not Import.objects.filter(meter=meter, state=ImportState.FAILED).exists()
        for one in stand:
            undone(one)
        assert held(meter) == []
        assert not DayBefore.objects.filter(changed_by__meter=meter).exists()
    print(f"{RUNS} histories: {dict(SEEN)}")
    assert min(SEEN[what] for what in ("date_order", "zeros", "answer", "undo", "decided backwards")) > 0
