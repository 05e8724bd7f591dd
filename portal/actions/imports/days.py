"""A meter's days as arrays: cut from what was read, laid over what is stored, written back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from django.db import connection
from django.db.models import Model

from portal import readers
from portal.actions.imports.wiped import run_of_zeros, stuck, to_minutes
from portal.actions.nights import ask_for_assessment
from portal.models import DayBefore, DayReadings, Import, Meter, Site, pack, unpack
from portal.models.meter import DayBlock
from portal.pv.arrays import Bools
from portal.pv.days import cut_days

NEARLY_WHOLE = 0.99
"""Share of what is stored from which on a file's last reading is no part of its interval, but rounded otherwise. No
source."""


class Day(NamedTuple):
    """A meter's day as stored: interval, energies [Wh], the source's flags, the imports that wrote and created it."""

    minutes: int
    block: DayBlock
    quality: str = ""
    written_by: int | None = None
    created_by: int | None = None
    overrules: bool = False
    """Whether somebody said that a file's zeros are right where other files have production."""
    ends: bool = False
    """Whether the file ends in this day: its last reading may be only a part of its interval."""


@dataclass(frozen=True, slots=True)
class Counts:
    """What became of readings."""

    new: int = 0
    unchanged: int = 0
    replaced: int = 0
    set_aside: int = 0
    kept: int = 0
    """Readings of the file that would have wiped production, which was kept."""

    def __add__(self, other: Counts) -> Counts:
        return Counts(
            self.new + other.new,
            self.unchanged + other.unchanged,
            self.replaced + other.replaced,
            self.set_aside + other.set_aside,
            self.kept + other.kept,
        )

    def __sub__(self, other: Counts) -> Counts:
        return self + Counts(-other.new, -other.unchanged, -other.replaced, -other.set_aside, -other.kept)


def days_of(result: readers.ReadResult, import_: Import) -> list[tuple[date, Day]]:
    """Cut what was read into days of the site."""
    readings = result.readings
    zone = import_.meter.cut_in
    minutes = readings.interval_minutes
    blocks = cut_days(readings.energy_wh, tz=zone, interval_minutes=minutes)
    flags: dict[date, str] = {}
    if readings.quality is not None:
        taken = readings.quality[readings.energy_wh.notna()]
        codes, names = pd.factorize(taken)
        coded = pd.Series(codes.astype("float64"), index=taken.index)
        for day, block in cut_days(coded, tz=zone, interval_minutes=minutes):
            flags[day] = _as_runs([str(names[int(code)]) if code == code else "" for code in block])
    right = "zeros" in result.mapping.accepted
    days = [(day, Day(minutes, block, flags.get(day, ""), import_.pk, import_.pk, right)) for day, block in blocks]
    if days:
        days[-1] = (days[-1][0], days[-1][1]._replace(ends=True))
    return days


def merge(before: Day | None, found: Day) -> tuple[Day, Counts]:
    """Lay a file's day over the stored one: gaps are filled, values that differ replaced, production is not wiped.

    Returns the stored day itself when nothing changes. Where the two have different intervals one of them wins whole:
    the one that covers more of the day, and of two that cover the same the finer.
    """
    given = ~np.isnan(found.block)
    number = int(given.sum())
    if before is None:
        return found, Counts(new=number)
    wiped = np.zeros(len(found.block), dtype=bool) if found.overrules else wipes(before, found)
    if before.minutes != found.minutes:
        if wiped.any():
            return before, Counts(kept=number)
        if _worth(found) > _worth(before):
            return found._replace(created_by=before.created_by), Counts(replaced=number)
        return before, Counts(set_aside=number)
    had = ~np.isnan(before.block)
    fills = given & ~had
    wiped &= given & had & (before.block != found.block)
    given &= ~wiped
    differs = given & had & (before.block != found.block)
    new, replaced = int(fills.sum()), int(differs.sum())
    kept = int(wiped.sum())
    counts = Counts(new=new, replaced=replaced, unchanged=number - new - replaced - kept, kept=kept)
    if not new and not replaced:
        return before, counts
    quality = ""
    if before.quality or found.quality:
        length = len(found.block)
        old, fresh = _from_runs(before.quality, length), _from_runs(found.quality, length)
        quality = _as_runs([b if take else a for a, b, take in zip(old, fresh, given, strict=True)])
    merged = before._replace(
        block=np.where(given, found.block, before.block), quality=quality, written_by=found.written_by
    )
    return merged, counts


def lay_over(held: dict[date, Day], day: date, found: Day, before: list[tuple[date, Day]]) -> Counts:
    """Merge a day that a file has into those held; what it changes goes to ``before`` as it was."""
    had = held.get(day)
    merged, counts = merge(had, found)
    if merged is not had:
        held[day] = merged
        if had is not None:
            before.append((day, had))
    return counts


def wipes(before: Day, found: Day) -> Bools:
    """Return where a file's day would put zeros, a stuck figure or a part of an interval in place of production."""
    if before.minutes == found.minutes and np.array_equal(before.block, found.block, equal_nan=True):
        return np.zeros(len(found.block), dtype=bool)
    minutes = max(before.minutes, found.minutes)
    had, has = (to_minutes(day.block, day.minutes, minutes) for day in (before, found))
    if had is None or has is None or len(had) != len(has):
        return np.zeros(len(found.block), dtype=bool)
    wiped = run_of_zeros(had, has, minutes) | stuck(had, has, minutes)
    last = np.flatnonzero(~np.isnan(has))[-1:]
    if found.ends and len(last) and (minutes == 1440 or not np.isnan(had[last[0] + 1 :]).all()):
        wiped[last] |= has[last] < NEARLY_WHOLE * had[last]
    return wiped if minutes == found.minutes else np.full(len(found.block), wiped.any())


def _worth(day: Day) -> tuple[int, int]:
    covered = int((~np.isnan(day.block)).sum()) * day.minutes
    return covered, -day.minutes


def _as_runs(flags: Iterable[str]) -> str:
    runs = [(flag, sum(1 for _ in run)) for flag, run in groupby(flags)]
    if all(not flag for flag, _ in runs):
        return ""
    return " ".join(f"{flag or '-'}*{count}" for flag, count in runs)


def _from_runs(runs: str, length: int) -> list[str]:
    flags: list[str] = []
    for run in runs.split():
        flag, _, count = run.rpartition("*")
        flags += ["" if flag == "-" else flag] * int(count)
    return flags + [""] * (length - len(flags))


def stored_days(meter: Meter, days: Sequence[date]) -> dict[date, Day]:
    rows = DayReadings.objects.filter(meter=meter, day__range=(min(days), max(days)))
    return {
        day: Day(minutes, unpack(packed), quality, written_by, created_by)
        for day, minutes, packed, quality, written_by, created_by in rows.values_list(
            "day", "interval_minutes", "packed", "quality", "written_by", "created_by"
        )
    }


DAY_COLUMNS = ("interval_minutes", "packed", "quality", "written_by_id")


def write_days(meter: Meter, days: Iterable[tuple[date, Day]]) -> None:
    columns = (*DAY_COLUMNS, "created_by_id")
    _insert(
        DayReadings,
        ("meter_id", "day", *columns),
        ((meter.pk, day.isoformat(), *_columns(kept), kept.created_by) for day, kept in days),
        "ON CONFLICT (meter_id, day) DO UPDATE SET " + ", ".join(f"{name} = EXCLUDED.{name}" for name in columns),
    )


def remember(import_: Import, before: Iterable[tuple[date, Day]]) -> None:
    _insert(
        DayBefore,
        ("changed_by_id", "day", *DAY_COLUMNS),
        ((import_.pk, day.isoformat(), *_columns(had)) for day, had in before),
    )


def _columns(day: Day) -> tuple[int, bytes, str, int | None]:
    return day.minutes, pack(day.block), day.quality, day.written_by


def _insert(model: type[Model], columns: Sequence[str], rows: Iterable[tuple[Any, ...]], on_conflict: str = "") -> None:
    """Insert rows by one statement; ``bulk_create`` makes an object of each, which took longer than the writing."""
    places = ", ".join(["%s"] * len(columns))
    with connection.cursor() as cursor:
        cursor.executemany(
            f"INSERT INTO {model._meta.db_table} ({', '.join(columns)}) VALUES ({places}) {on_conflict}", list(rows)
        )


def assess_again(site: Site, *, changed_since: date, now: datetime) -> None:
    if not site.lacks:  # without a fact there is nothing to compare with; the nightly job takes it later
        ask_for_assessment(site, now=now, changed_since=changed_since)
