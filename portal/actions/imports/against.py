"""What was read, held against what is remembered of its meter: how earlier files were read, and their days."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

import pandas as pd
from django.utils.translation import gettext_noop

from portal import readers
from portal.actions.imports.kept import mapping_of
from portal.models import DayReadings, Import, Meter, Site
from portal.pv.plausibility import sun_shift
from portal.readers.clock import standard_offsets
from portal.readers.questions import order_question

TRUE_OF_THE_METER = {"delivered", "night", "hours", "untyped"}
"""Doubts that, once waved through, are so for all files of a meter; whether figures may be right is asked of each."""
MANY_REJECTED = 0.1
MANY_REJECTED_LEAST = 5
"""Share of a file's lines, and lines at least, which rejected make it look like a file built otherwise. No source; a
fifth more or less changes none of the tests' files."""
FAR_DAYS = 15
NEAR_DAYS = 3
"""Days from the record at which readings lie away from it, and within which they go on from it. No source; a fifth more
or less of the first changes none of the tests' files."""
SHIFTED_H = 0.75
"""Hours off the sun's that are told: three quarters of what a clock can be wrong by. No source; a fifth more or less
changes none of the tests' files."""
MENDED_H = 0.4
"""Hours off the sun's at most under another clock for that to be offered: half of what is told. No source; a fifth more
or less changes none of the tests' files."""


def remembered(meter: Meter) -> readers.Mapping | None:
    """Return how the meter's files are read, without what was said of the figures of one of them."""
    if meter.mapping is None:
        return None
    mapping = mapping_of(meter.mapping)
    return replace(mapping, accepted=tuple(one for one in mapping.accepted if one in TRUE_OF_THE_METER))


def against_memory(result: readers.ReadResult, import_: Import) -> readers.Question | None:
    """Ask where a file that nobody has spoken for contradicts how earlier files of its meter were read."""
    before = remembered(import_.meter)
    if import_.mapping is not None or before is None:
        return None
    mapping, shown = result.mapping, result.order_shown
    if before.date_order in ("dmy", "mdy") and shown and before.time_columns == mapping.time_columns:
        if shown != before.date_order:
            asked = order_question(replace(mapping, date_order=shown))
            return replace(
                asked,
                text=gettext_noop("{shown} {date_order} Which is it in this file?").format(
                    shown=_SHOWN[shown], date_order=_WERE[before.date_order]
                ),
            )
    elif mapping.date_order in ("dmy", "mdy") and _lies_away(_days(result, import_), import_.meter):
        turned = replace(mapping, date_order="mdy" if mapping.date_order == "dmy" else "dmy")
        text = gettext_noop(
            "Read as earlier files of this meter were, the days of this one lie more than {far_days} "
            "days from all others; with day and month the other way round they go on from them. "
            "Which is it?"
        ).format(far_days=FAR_DAYS)
        return replace(order_question(turned), text=text)
    if result.rejected_count >= max(MANY_REJECTED_LEAST, MANY_REJECTED * result.rows_read):
        first = result.rejected[0]
        return readers.Question(
            "rejected",
            gettext_noop(
                "{rejected_count:,} of {rows_read:,} lines cannot be taken in the way earlier files of "
                "this meter were, the first of them line {line}, “{text}”: {reason}. Correct below how "
                "this file is to be read, or send another export of it."
            ).format(
                rejected_count=result.rejected_count,
                rows_read=result.rows_read,
                line=first.line,
                text=first.text[:60],
                reason=first.reason,
            ),
            (readers.Choice("accept", gettext_noop("Take in the other lines all the same")),),
            required=False,
        )
    return None


def against_sun(result: readers.ReadResult, site: Site) -> list[readers.Notice]:
    """Say where the production lies at other hours than the sun, and that nothing in the file tells its clock."""
    clock, minutes = result.mapping.clock, result.readings.interval_minutes
    if minutes == 1440 or clock.kind == "offset" or result.mapping.format in ("espi", "nem12"):
        return []
    shift = _shift(result.readings.energy_wh, minutes, site)
    if shift is None or abs(shift) < SHIFTED_H:
        return []
    instead = _mending(result, site)
    way = "later" if shift > 0 else "earlier"
    label = "starts" if clock.label == "start" else "ends"
    return [
        readers.Notice(
            "sun_shift",
            gettext_noop(
                "On bright days the production lies {shift:.1f} hours {way} than the sun stands to this "
                "roof. The file was read by {kind}, its stamps as the {label} of intervals; where its "
                "header does not say so, this is assumed. If another clock wrote it, or its stamps mark "
                "the other end, read it differently; if the roof faces elsewhere, correct its planes."
            ).format(shift=abs(shift), way=way, kind=_CLOCKS[clock.kind], label=label),
            instead,
        )
    ]


def _shift(energy_wh: pd.Series[float], minutes: int, site: Site) -> float | None:
    if site.place is None:
        return None
    latitude, longitude = site.place
    planes = list(site.planes.values_list("tilt", "azimuth", "dc_kw"))
    return sun_shift(energy_wh, minutes, latitude=latitude, longitude=longitude, planes=planes)


def _mending(result: readers.ReadResult, site: Site) -> str:
    """Return the answer, about clock or label, under which the production lies where the sun stood; "" for none."""
    clock, minutes = result.mapping.clock, result.readings.interval_minutes
    energy = result.readings.energy_wh.dropna()
    starts = pd.DatetimeIndex(energy.index)
    wall = starts.tz_convert(clock.tz).tz_localize(None)
    seconds = starts.as_unit("s").asi8
    offsets = standard_offsets(ZoneInfo(clock.tz), int(seconds[0]), int(seconds[-1]), seconds)
    ahead = pd.TimedeltaIndex(pd.to_timedelta(offsets, unit="s"))
    naive = {"wall": wall, "winter": starts.tz_localize(None) + ahead, "utc": starts.tz_localize(None)}[clock.kind]
    utc = {
        "clock wall": naive.tz_localize(clock.tz, ambiguous="NaT", nonexistent="NaT").tz_convert("UTC"),
        "clock winter": (naive - ahead).tz_localize("UTC"),
        "clock utc": naive.tz_localize("UTC"),
        "label end": starts - pd.Timedelta(minutes=minutes),
        "label start": starts + pd.Timedelta(minutes=minutes),
    }
    now = (f"clock {clock.kind}", f"label {clock.label}")
    found: list[tuple[float, str]] = []
    for answer, index in utc.items():
        moved = pd.Series(energy.to_numpy(), index=index)
        if answer not in now and (shift := _shift(moved[moved.index.notna()], minutes, site)) is not None:
            found.append((abs(shift), answer))
    best = min(found, default=(SHIFTED_H, ""))
    return best[1] if best[0] <= MENDED_H else ""


_CLOCKS = {"wall": gettext_noop("the clock on the wall"), "winter": gettext_noop("winter time all year"), "utc": "UTC"}
_SHOWN = {
    "dmy": gettext_noop("The dates of this file show that the day comes first,"),
    "mdy": gettext_noop("The dates of this file show that the month comes first,"),
    "ymd": gettext_noop("The dates of this file show that the year comes first,"),
}
_WERE = {
    "dmy": gettext_noop("and earlier files of this meter had the day first."),
    "mdy": gettext_noop("and earlier ones had the month first."),
}


def _days(result: readers.ReadResult, import_: Import) -> Sequence[date]:
    known = pd.DatetimeIndex(result.readings.energy_wh.dropna().index)
    return sorted({moment.date() for moment in known.tz_convert(import_.meter.cut_in).normalize().unique()})


def _lies_away(days: Sequence[date], meter: Meter) -> bool:
    """Say whether days lie away from the meter's record, and with day and month the other way round go on from it."""
    if any(day.day > 12 or day.day == day.month for day in days):
        return False
    held = list(DayReadings.objects.filter(meter=meter).values_list("day", flat=True))
    turned = [date(day.year, day.day, day.month) for day in days]
    return bool(held and days) and _distance(days, held) > FAR_DAYS and _distance(turned, held) <= NEAR_DAYS


def _distance(days: Collection[date], held: Collection[date]) -> int:
    return min(abs((day - other).days) for day in days for other in held)
