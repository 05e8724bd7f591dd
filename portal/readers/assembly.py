"""Raw series to one meter's readings: one road for every format, with every check on it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from collections.abc import Mapping as Dict
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from portal.readers import intervals, plausible
from portal.readers.clock import NO_INSTANT, Clock, utc_datetime
from portal.readers.dialect import export_question
from portal.readers.espi import MeterSeries
from portal.readers.intervals import DAY_S, Floats, Ints, Series
from portal.readers.mapping import Choice, Kind, Mapping, Question
from portal.readers.reading import Channel, Gap, Lump, Notice, ReadError, Readings
from portal.readers.stamps import Stamps
from portal.readers.table import Loaded, sum_columns

NEARLY_A_DAY_S = DAY_S - 7200
TOO_MUCH = "no plant produces that much"


@dataclass(slots=True)
class Doubts:
    """What came up on the way: questions to ask, things to tell, lines not taken in."""

    questions: list[Question] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    bad: list[tuple[int, str]] = field(default_factory=list)
    """File × 2**32 + line, and why."""

    def tell(self, code: str, text: str) -> None:
        self.notices.append(Notice(code, text))

    def reject(self, series: Series, at: Ints, reason: str) -> None:
        """Set a line aside and blank its energy."""
        self.bad += [(int(series.line[i]), reason) for i in at]
        series.energy_wh[at] = np.nan


@dataclass(frozen=True, slots=True)
class Assembled:
    """Readings on their grid and what goes with them; the rejected lines' text is still to be fetched."""

    readings: Readings
    mapping: Mapping
    rows: int
    blanks: int
    duplicates: int
    lumps: tuple[Lump, ...]
    gaps: tuple[Gap, ...]
    clock_changes: tuple[datetime, ...]
    channels: tuple[Channel, ...]


def from_table(
    loaded: Loaded, mapping: Mapping, *, tz: str, now: datetime, guessed: bool, label_known: bool, doubts: Doubts
) -> Assembled:
    """Turn a loaded table into readings. ``guessed`` lets the data correct the guessed clock."""
    zone = ZoneInfo(tz)
    rows = len(loaded.lines)
    doubts.bad += loaded.bad
    channels = _pick_meter(loaded, mapping, doubts)
    _lone_stamps(loaded, doubts)
    if not len(loaded.lines):
        raise ReadError(
            "No line of the file holds a reading that can be taken in. Check which columns are chosen, the "
            "order of day and "
            "month, and the decimal mark."
        )
    for column in loaded.columns:
        stood_in = plausible.blank_stand_ins(column)
        if stood_in:
            doubts.tell("stand_ins", f"{stood_in:,} figures that stand for “no value” (like −999) were taken as blank.")
    step = _step(loaded)
    one_day = len(loaded.lines) == 1 and mapping.layout == "tall" and int(loaded.stamps.naive_s[0]) % DAY_S == 0
    if step == 0 and not one_day:
        raise ReadError(
            "The file holds only one reading, or all its lines carry the same time stamp. Choose the column "
            "that holds the "
            "time of each reading, and export at least one whole day."
        )
    if loaded.stamps.offset_s is None and mapping.clock.kind == "offset":
        raise ReadError(
            "The mapping says that each stamp carries its own offset; these have none. Choose the clock again."
        )
    if guessed:
        mapping = _settle_label(loaded, mapping, label_known=label_known, step=step, doubts=doubts)
    if step >= NEARLY_A_DAY_S or one_day:
        series = _daily_series(loaded, mapping, zone, step)
        return finish(
            series, mapping, tz=tz, now=now, rows=rows, channels=channels, doubts=doubts, unreadable=loaded.unreadable
        )
    series, missing = _series(loaded, mapping, step)
    if guessed:
        better = _better_clock(series, missing, mapping, zone, doubts)
        if better is not None:
            mapping = better
            series, missing = _series(loaded, mapping, step)
    doubts.bad += [(int(loaded.lines[i]), why) for i, why in missing]
    return finish(
        series, mapping, tz=tz, now=now, rows=rows, channels=channels, doubts=doubts, unreadable=loaded.unreadable
    )


def _step(loaded: Loaded) -> int:
    stamps = loaded.stamps
    times = stamps.naive_s if stamps.offset_s is None else stamps.naive_s - stamps.offset_s
    if loaded.elapsed_s is not None:
        times = times + loaded.elapsed_s
    return intervals.common_step(np.unique(times) if loaded.meter_ids is not None else times)


def from_meter(
    found: Sequence[MeterSeries],
    mapping: Mapping,
    *,
    tz: str,
    now: datetime,
    guessed: bool,
    is_estimate: Callable[[str], bool],
    offset_s: int,
    doubts: Doubts,
) -> Assembled:
    """Turn the series of a meter file into one meter's readings."""
    names = [series.name for series in found]
    mapping, picked = _pick_series(found, mapping, doubts)
    first = picked[0]
    kind: Kind = "register" if first.register else "power" if first.unit.endswith("W") else "energy"
    mapping = replace(mapping, kind=kind, unit=first.unit)
    if any(series.direction == "net" for series in picked):
        raise ReadError(
            f"“{first.name}” is the net of production and use at the grid connection. Losses to dirt cannot be "
            "seen in it. "
            "Ask for the channel of the production meter, or send the inverter's own export."
        )
    if any(series.direction == "consumption" for series in picked) and "delivered" not in mapping.accepted:
        doubts.questions.append(
            Question(
                "delivered",
                f"“{first.name}” is energy delivered to the house: what it used, not what the panels produced. "
                "Send the inverter's or the production meter's export.",
                (Choice("accept", "It is what the panels produced: they have a meter of their own"),),
                True,
            )
        )
    if any(series.direction == "export" for series in picked) and not mapping.export:
        doubts.questions.append(export_question(first.name))
        mapping = replace(mapping, export="surplus")
    together = {
        part: np.concatenate([np.asarray(getattr(series, part)) for series in picked])
        for part in ("start_s", "length_s", "figure", "line", "quality")
    }
    count = len(together["start_s"])
    offsets = np.full(count, offset_s, dtype=np.int32) if mapping.clock.kind == "offset" else None
    loaded = Loaded(
        Stamps(together["start_s"].astype(np.int64), offsets, "ymd", True),
        None,
        [together["figure"].astype(np.float64)],
        [1],
        together["line"].astype(np.int64),
        lengths_s=None if kind == "register" else together["length_s"].astype(np.int64),
        quality=together["quality"],
    )
    if len(picked) > 1:
        loaded.meters = [series.name for series in picked]
        loaded.meter_ids = np.repeat(np.arange(len(picked)), [len(series.start_s) for series in picked])
    zone = ZoneInfo(tz)
    step = _step(loaded) or int(np.median(together["length_s"]))
    if step <= 0:
        raise ReadError("The file holds only one reading, and not how long it lasted. Export at least one whole day.")
    if step >= NEARLY_A_DAY_S:
        series = _daily_series(loaded, replace(mapping, clock=Clock(tz, "utc")), zone, step)
    else:
        series, missing = _series(loaded, mapping, step)
        if guessed:
            better = _better_clock(series, missing, mapping, zone, doubts)
            if better is not None:
                mapping = better
                if mapping.clock.kind != "offset":
                    loaded.stamps = Stamps(loaded.stamps.naive_s, None, "ymd", True)
                series, missing = _series(loaded, mapping, step)
        doubts.bad += [(int(loaded.lines[i]), why) for i, why in missing]
    if series.quality is not None:
        flags, of = np.unique(series.quality, return_inverse=True)
        estimated = np.array([is_estimate(str(flag)) for flag in flags])[of]
        if estimated.any():
            doubts.tell(
                "estimated",
                f"{int(estimated.sum()):,} readings were estimated or substituted by the meter operator. They "
                "count as energy "
                "but say nothing of what the panels did.",
            )
            intervals.set_lumps(series, estimated, intervals.ESTIMATED)
    taken = {series_.name for series_ in picked}
    channels = tuple(
        Channel(name, series_.direction, name in taken) for name, series_ in zip(names, found, strict=True)
    )
    return finish(series, mapping, tz=tz, now=now, rows=count, channels=channels, doubts=doubts)


def _pick_series(found: Sequence[MeterSeries], mapping: Mapping, doubts: Doubts) -> tuple[Mapping, list[MeterSeries]]:
    names = [series.name for series in found]
    alike = len({(series.direction, series.unit, series.register) for series in found}) == 1
    if mapping.meter == "*" and alike:
        return mapping, list(found)
    if mapping.meter in names:
        return mapping, [found[names.index(mapping.meter)]]
    lead = f"The file has no meter “{mapping.meter}”." if mapping.meter and mapping.meter != "*" else ""
    outward = [series for series in found if series.direction not in ("consumption", "net")]
    if not lead and len(found) == 1:
        return mapping, list(found)
    if not lead and len(outward) == 1:
        return replace(mapping, meter=outward[0].name), outward
    question = meter_question(names, lead, {series.name: series.direction for series in found})
    if not alike:
        question = replace(question, choices=tuple(choice for choice in question.choices if choice.value != "*"))
    doubts.questions.append(question)
    return replace(mapping, meter=(outward or list(found))[0].name), [(outward or list(found))[0]]


def _pick_meter(loaded: Loaded, mapping: Mapping, doubts: Doubts) -> tuple[Channel, ...]:
    if loaded.meter_ids is None:
        if mapping.layout == "wide":
            return ()
        return tuple(Channel(name, "", True) for name in (*mapping.value_columns, *mapping.minus_columns))
    names, wanted = loaded.meters, mapping.meter
    if not wanted and len(names) > 1:
        doubts.questions.append(meter_question(names, "", {}))
        wanted = names[0]
    elif wanted not in ("", "*") and wanted not in names:
        doubts.questions.append(meter_question(names, f"The file has no meter “{wanted}”.", {}))
        wanted = names[0]
    if wanted not in ("", "*"):
        loaded.keep(loaded.meter_ids == names.index(wanted))
        loaded.meter_ids = None
    elif len(names) < 2:
        loaded.meter_ids = None
    return tuple(Channel(name, "", wanted in ("", "*", name)) for name in names[:50])


_DIRECTION_WORDS = {"consumption": ": what the house used", "export": ": sent to the grid", "net": ": the net of both"}


def meter_question(names: Sequence[str], lead: str, directions: Dict[str, str]) -> Question:
    """Ask which of a file's meters is meant."""
    listed = ", ".join(f"“{name}”" for name in list(names)[:6])
    number = f"{len(names)} meters" if len(names) > 1 else "one meter"
    choices = [Choice(name, f"“{name}”{_DIRECTION_WORDS.get(directions.get(name, ''), '')}") for name in names[:50]]
    if len(names) > 1:
        choices.append(Choice("*", "all of them added up"))
    return Question(
        "meter", f"{lead} The file holds {number}: {listed}. Which one is this?".strip(), tuple(choices), True
    )


def _lone_stamps(loaded: Loaded, doubts: Doubts) -> None:
    """Set aside a few lines whose stamps lie more than a year from all others: a logger that had lost its clock."""
    naive = loaded.stamps.naive_s
    if len(naive) < 20:
        return
    order = np.sort(naive)
    breaks = np.flatnonzero(np.diff(order) > 370 * DAY_S)
    bounds = np.concatenate(([0], breaks + 1, [len(order)]))
    few = max(3, len(naive) // 200)
    drop = np.zeros(len(naive), dtype=bool)
    for a, b in pairwise(bounds.tolist()):
        if b - a <= few:
            drop |= (naive >= order[a]) & (naive <= order[b - 1])
    if not drop.any() or drop.all():
        return
    why = "the date lies more than a year from all other readings"
    doubts.bad += [(int(line), why) for line in loaded.lines[drop]]
    loaded.keep(~drop)


def _settle_label(loaded: Loaded, mapping: Mapping, *, label_known: bool, step: int, doubts: Doubts) -> Mapping:
    clock = mapping.clock
    if loaded.stamps.offset_s is not None and clock.kind != "offset":
        clock = replace(clock, kind="offset")
    if not label_known and mapping.kind != "register" and 0 < step < NEARLY_A_DAY_S:
        times = loaded.stamps.naive_s + (0 if loaded.elapsed_s is None else loaded.elapsed_s)
        first, last = int(times.min()) % DAY_S, int(times.max()) % DAY_S
        if first == step and last == 0:
            clock = replace(clock, label="end")
        elif not (first == 0 and last == DAY_S - step):
            doubts.questions.append(
                Question(
                    "label",
                    "Does a time stamp mark the start or the end of its interval?",
                    (Choice("start", "the start"), Choice("end", "the end")),
                    False,
                )
            )
    return replace(mapping, clock=clock)


def _series(loaded: Loaded, mapping: Mapping, step: int) -> tuple[Series, list[tuple[int, str]]]:
    """Put raw readings on UTC, in order, as energies of intervals."""
    register = mapping.kind == "register"
    starts, missing = _starts(loaded, mapping, step)
    # A skipped stamp without a figure is no loss.
    missing = [(i, why) for i, why in missing if any(not np.isnan(column[i]) for column in loaded.columns)]
    columns = intervals.to_wh(loaded.columns, mapping.unit)
    for column in columns:
        missing += [(int(i), TOO_MUCH) for i in np.flatnonzero(np.isinf(column))]
        column[np.isinf(column)] = np.nan
    signs = loaded.signs
    if loaded.meter_ids is not None:
        starts, columns, lines, duplicates, conflicts = _meters_side_by_side(starts, columns, loaded)
        signs = [1] * len(columns)
    else:
        starts, columns, kept, duplicates, conflicts = intervals.put_in_order(starts, columns)
        lines = loaded.lines[kept]
    if not len(starts):
        raise ReadError(
            "No reading has a time that exists on the clock the file is said to be written by. Choose another."
        )
    step = intervals.common_step(starts) or step
    kept = np.zeros(0, dtype=np.int64) if loaded.meter_ids is not None else kept
    if register:
        series = _from_registers(starts, columns, signs, lines, step)
    else:
        values = sum_columns(columns, signs).copy()
        given = loaded.lengths_s if loaded.meter_ids is None else None
        lengths = intervals.local_lengths(starts, step) if given is None else given[kept]
        if mapping.kind == "power":
            gap = np.diff(starts, append=starts[-1] + lengths[-1])
            off_grid = (gap != lengths) & (gap < 2 * lengths)
            lengths = np.where(off_grid, gap, lengths)
            with np.errstate(over="ignore"):
                values = values * (lengths / 3600.0)
        series = Series(starts, lengths, values, lines, step)
        if loaded.quality is not None and loaded.meter_ids is None:
            series.quality = loaded.quality[kept]
    series.duplicates, series.conflicts = duplicates, conflicts
    return series, missing


def _starts(loaded: Loaded, mapping: Mapping, step: int) -> tuple[Ints, list[tuple[int, str]]]:
    """Return UTC starts; each meter by itself, for the doubled hour is told from the order of one meter's lines."""
    instants = mapping.kind == "register"
    if loaded.meter_ids is None:
        return intervals.to_starts(loaded.stamps, loaded.elapsed_s, mapping.clock, step, instants)
    starts = np.zeros(len(loaded.lines), dtype=np.int64)
    missing: list[tuple[int, str]] = []
    stamps, elapsed = loaded.stamps, loaded.elapsed_s
    for number in range(len(loaded.meters)):
        at = np.flatnonzero(loaded.meter_ids == number)
        offset = None if stamps.offset_s is None else stamps.offset_s[at]
        own = Stamps(stamps.naive_s[at], offset, stamps.date_order, stamps.certain)
        starts[at], gone = intervals.to_starts(
            own, None if elapsed is None else elapsed[at], mapping.clock, step, instants
        )
        missing += [(int(at[i]), why) for i, why in gone]
    return starts, missing


def _meters_side_by_side(
    starts: Ints, columns: list[Floats], loaded: Loaded
) -> tuple[Ints, list[Floats], Ints, int, int]:
    """Give each meter of a file a column of its own."""
    assert loaded.meter_ids is not None
    production = sum_columns(columns, loaded.signs)
    grid = np.unique(starts[starts != NO_INSTANT])
    parts: list[Floats] = []
    line = np.zeros(len(grid), dtype=np.int64)
    duplicates = conflicts = 0
    for number in range(len(loaded.meters)):
        own = loaded.meter_ids == number
        at, (values,), kept, more, differ = intervals.put_in_order(starts[own], [production[own]])
        where = np.searchsorted(grid, at)
        part = np.full(len(grid), np.nan)
        part[where] = values
        line[where] = loaded.lines[own][kept]
        parts.append(part)
        duplicates += more
        conflicts += differ
    return grid, parts, line, duplicates, conflicts


def _from_registers(starts: Ints, columns: list[Floats], signs: list[int], lines: Ints, step: int) -> Series:
    known = np.all(np.isfinite(columns), axis=0)
    starts, lines = starts[known], lines[known]
    if len(starts) < 2:
        raise ReadError("A running register needs at least two readings. Export a longer span.")
    total = np.zeros(len(starts) - 1)
    rolled = restarted = 0
    for column, sign in zip(columns, signs, strict=True):
        energy, more_rolled, more_restarted = intervals.register_to_energy(column[known], starts, step)
        total += sign * energy
        rolled += more_rolled
        restarted += more_restarted
    series = Series(starts[:-1], np.diff(starts), total, lines[1:], step)
    if rolled:
        text = f"The register rolled over {rolled} times; the energy goes on across it."
        series.notices.append(Notice("register_rolled", text))
    days = (int(starts[-1]) - int(starts[0])) / DAY_S
    if restarted and restarted < 0.5 * days:
        text = f"The register started again {restarted} times; the energy goes on from its new zero."
        series.notices.append(Notice("register_restarted", text))
    top = float(np.max(columns[0][known]))
    size = float(10.0 ** round(math.log10(top))) if top > 1 else 0.0
    if size and abs(top - size) <= 1e-3 * size and np.count_nonzero(columns[0][known] == top) * step > 2 * DAY_S:
        text = (
            "The register stands at its highest figure for more than two days. It is clipped; what was produced "
            "in that time "
            "is not in the file."
        )
        series.notices.append(Notice("register_clipped", text))
    intervals.bridge(series)
    return series


def _better_clock(
    series: Series, missing: list[tuple[int, str]], mapping: Mapping, zone: ZoneInfo, doubts: Doubts
) -> Mapping | None:
    """Return the mapping with the clock that the data themselves show, None when it is the guessed one."""
    clock = mapping.clock
    if clock.kind == "wall" and any(why == intervals.SKIPPED for _, why in missing):
        doubts.tell(
            "winter_clock",
            "The file has readings in the hour that summer time skips, so its clock is taken to keep winter "
            "time all year.",
        )
        return replace(mapping, clock=replace(clock, kind="winter"))
    local = plausible.local_seconds(series.start_s, zone)
    shift = plausible.clock_shift(series.energy_wh, series.start_s, local, zone)
    if shift is None or abs(shift) < 0.6 or abs(shift) > 1.4:
        return None
    if clock.kind == "wall":
        doubts.tell(
            "winter_clock",
            "The production keeps its hours when summer time begins and ends, so the file's clock is taken to "
            "keep winter "
            "time all year.",
        )
        return replace(mapping, clock=replace(clock, kind="winter"))
    if shift > 0:
        doubts.tell(
            "offset_follows_dst",
            "The stamps claim a fixed offset, but the production moves by an hour when the clocks change: they follow "
            "summer time, and are read so.",
        )
        return replace(mapping, clock=replace(clock, kind="wall"))
    return None


def _daily_series(loaded: Loaded, mapping: Mapping, zone: ZoneInfo, step: int) -> Series:
    """Take daily totals by the date they are written on."""
    if step > 1.5 * DAY_S:
        raise ReadError(
            "The readings are more than a day apart. Weekly or monthly totals do not show what dirt does: export daily "
            "totals or, better, intervals of an hour or less."
        )
    if mapping.kind == "power":
        raise ReadError(
            "One power a day is no energy. Export the daily energy or, better, intervals of an hour or less."
        )
    naive = loaded.stamps.naive_s.copy()
    offset = loaded.stamps.offset_s
    if (offset is not None or mapping.clock.kind == "utc") and len(naive):
        utc = naive if offset is None else naive - offset
        local = np.array([_local(int(at), zone) for at in utc[:2000]])
        if (local % DAY_S == 0).all():
            naive = np.array([_local(int(at), zone) for at in utc])
    register = mapping.kind == "register"
    if mapping.clock.label == "end" and not register:
        naive -= 1
    day = naive // DAY_S * DAY_S
    columns = intervals.to_wh(loaded.columns, mapping.unit)
    signs = loaded.signs
    if loaded.meter_ids is not None:
        starts, columns, lines, duplicates, conflicts = _meters_side_by_side(day, columns, loaded)
        signs = [1] * len(columns)
    else:
        starts, columns, kept, duplicates, conflicts = intervals.put_in_order(day, columns)
        lines = loaded.lines[kept]
    if register:
        series = _from_registers(starts, columns, signs, lines, DAY_S)
    else:
        values = sum_columns(columns, signs).copy()
        series = Series(starts, np.full(len(starts), DAY_S), values, lines, DAY_S)
    series.duplicates, series.conflicts = duplicates, conflicts
    return series


def _local(utc_s: int, zone: ZoneInfo) -> int:
    delta = utc_datetime(utc_s).astimezone(zone).utcoffset()
    return utc_s + (int(delta.total_seconds()) if delta else 0)


def finish(
    series: Series,
    mapping: Mapping,
    *,
    tz: str,
    now: datetime,
    rows: int,
    channels: tuple[Channel, ...],
    doubts: Doubts,
    unreadable: int = 0,
) -> Assembled:
    """Check energies of intervals, put them on the grid, and look at the whole.

    A ``series`` of daily totals has local midnights, written as if they were UTC, as its starts.
    """
    zone = ZoneInfo(tz)
    if series.conflicts > max(50, len(series.start_s) // 10):
        raise ReadError(
            f"{series.conflicts:,} time stamps occur more than once with different figures. The file seems to "
            "hold several "
            "meters below each other: choose the column that tells them apart, or send one meter a file."
        )
    if series.conflicts:
        doubts.tell(
            "conflicts",
            f"{series.conflicts:,} time stamps occur twice with different figures; the later line was taken.",
        )
    blanks = int(np.isnan(series.energy_wh).sum())
    if blanks == len(series.energy_wh) and not series.lumps:
        raise ReadError("The chosen column holds no figures. Choose another column, or check the decimal mark.")
    mapping = _check_energies(series, mapping, now, doubts)
    doubts.notices += series.notices
    minutes = _grid_minutes(series)
    intervals.set_lumps(series, series.length_s > minutes * 60, intervals.CATCH_UP)
    energy: Floats
    quality = None
    if minutes == 1440:
        starts, energy_wh = _whole_days(series, zone)
        energy = np.array(energy_wh, dtype=np.float64)
    else:
        starts, energy = intervals.on_grid(series, zone, minutes)
        local = plausible.local_seconds(starts, zone)
        nights = plausible.fill_nights(energy, local, minutes)
        if nights:
            doubts.tell("daylight_only", f"The file leaves out the nights; {nights:,} of them were taken as zero.")
        energy_wh = intervals.as_series(starts, energy)
        quality = _quality_on_grid(series, starts)
        _look_at_shape(energy, starts, local, zone, mapping, doubts)
    if np.isnan(energy).all() and not series.lumps:
        raise ReadError("No reading of the file could be taken in; the list of rejected lines says why.")
    _tell(series, mapping, minutes, doubts)
    return Assembled(
        Readings(energy_wh, minutes, quality),
        mapping,
        rows,
        max(0, blanks - unreadable),
        series.duplicates,
        tuple(sorted(series.lumps, key=lambda lump: lump.start)[: intervals.LUMPS_KEPT]),
        tuple(plausible.gaps(energy, starts, minutes)),
        intervals.clock_changes(zone, int(starts[0]), int(starts[-1]) + minutes * 60),
        channels,
    )


def _quality_on_grid(series: Series, starts: Ints) -> pd.Series[str] | None:
    if series.quality is None:
        return None
    flags = np.full(len(starts), "", dtype="U8")
    at = np.searchsorted(starts, series.start_s, side="right") - 1
    inside = at >= 0
    flags[at[inside]] = series.quality[inside]
    return pd.Series(flags, index=pd.DatetimeIndex(starts.astype("datetime64[s]")).tz_localize("UTC"), name="quality")


def _check_energies(series: Series, mapping: Mapping, now: datetime, doubts: Doubts) -> Mapping:
    energy = series.energy_wh
    ahead = np.flatnonzero((series.start_s > int(now.timestamp()) + DAY_S) & ~np.isnan(energy))
    doubts.reject(series, ahead, "the time lies ahead of today")
    with np.errstate(over="ignore", invalid="ignore"):
        wild = np.flatnonzero(np.abs(energy) > plausible.LARGEST_W * series.length_s / 3600.0)
    doubts.reject(series, wild, TOO_MUCH)
    known = energy[~np.isnan(energy)]
    up, down = float(known[known > 0].sum()), -float(known[known < 0].sum())
    if down > 20 * up:
        series.energy_wh = energy = -energy
        doubts.tell("flipped", "The file counts production as negative; its sign is turned.")
    slight, negative, both_ways = plausible.mend_negatives(series)
    if both_ways:
        raise ReadError(
            "The figures run both ways, above and below zero, so this is the net of production and use at the grid "
            "connection. Losses to dirt cannot be seen in it. Send the export of the production meter or of the "
            "inverter, or "
            "a file with consumption, import and export in columns of their own."
        )
    if slight:
        doubts.tell(
            "night_use", f"{slight:,} readings slightly below zero (the inverter's own use) were taken as zero."
        )
    doubts.reject(series, negative, "the energy is negative")
    intervals.catch_up_lumps(series)
    doubts.reject(
        series, plausible.impossible(series), "the figure is more than 20 times what the rest of the file shows"
    )
    return mapping


def _grid_minutes(series: Series) -> int:
    """Return the interval length to keep the readings at: the longest the file has for any length of time."""
    step = series.step_s
    known = ~np.isnan(series.energy_wh)
    lengths, counts = np.unique(series.length_s[known], return_counts=True)
    covered = lengths * counts
    for length, share in zip(lengths, covered / max(1, covered.sum()), strict=True):
        if step < length <= 3600 and length % step == 0 and share > 0.02:
            step = int(length)
    return intervals.out_minutes(step)


def _whole_days(series: Series, zone: ZoneInfo) -> tuple[Ints, pd.Series[float]]:
    start = series.start_s if series.step_s == DAY_S else plausible.local_seconds(series.start_s, zone)
    day = start // DAY_S
    days, first = np.unique(day, return_index=True)
    sums = np.add.reduceat(series.energy_wh, first)
    if series.step_s < NEARLY_A_DAY_S:
        covered = np.add.reduceat(series.length_s, first)
        sums = np.where(covered >= NEARLY_A_DAY_S, sums, np.nan)
    energy_wh = intervals.daily(days, sums, zone)
    midnights = pd.DatetimeIndex(energy_wh.index).tz_localize(None).to_numpy()
    return midnights.astype("datetime64[s]").astype(np.int64), energy_wh


def _look_at_shape(energy: Floats, starts: Ints, local: Ints, zone: ZoneInfo, mapping: Mapping, doubts: Doubts) -> None:
    """Look whether this is a sun's day, at the right hour."""
    jump = plausible.unit_jump(energy, local)
    if jump:
        doubts.notices.append(jump)
    shape = plausible.day_shape(energy, local)
    if shape is None:
        return
    if not shape.solar and shape.night_share > 0.02:
        said = "delivered" in mapping.accepted or any(question.code == "delivered" for question in doubts.questions)
        if "night" not in mapping.accepted and not said:
            doubts.questions.append(
                Question(
                    "night",
                    f"{100 * shape.night_share:.0f} % of the energy lies between 23:00 and 3:00, and no part of "
                    "the day is "
                    "dark. This looks like consumption, not production. Send the inverter's or the production "
                    "meter's export.",
                    (Choice("accept", "It is production all the same"),),
                    True,
                )
            )
        return
    off = abs(shape.centre_h - 12.9)
    if off > 3.6 or (shape.solar and shape.night_share > 0.03):
        if "hours" not in mapping.accepted:
            hour = f"{int(shape.centre_h):02d}:{int(shape.centre_h % 1 * 60):02d}"
            others: list[Choice] = [
                Choice(kind, label)
                for kind, label in (
                    ("utc", "the stamps are in UTC"),
                    ("wall", f"the stamps follow the local clock of {zone.key}"),
                    ("winter", f"the stamps keep the winter time of {zone.key}"),
                )
                if kind != mapping.clock.kind
            ]
            doubts.questions.append(
                Question(
                    "hours",
                    f"The middle of the production lies at {hour} on the site's clock ({zone.key}), where the "
                    "sun is not. Is "
                    "the site's time zone right, and which clock wrote the file?",
                    (*others, Choice("accept", "It is right all the same")),
                    True,
                )
            )
        return
    shift = plausible.clock_shift(energy, starts, local, zone)
    if shift is not None and 0.6 < abs(shift) < 1.4:
        doubts.tell(
            "clock",
            "The production moves by an hour when the clocks change. Check whether the file's clock follows "
            "summer time.",
        )


def _tell(series: Series, mapping: Mapping, minutes: int, doubts: Doubts) -> None:
    catch_ups = [lump for lump in series.lumps if lump.reason == intervals.CATCH_UP]
    if catch_ups:
        total = sum(lump.energy_wh for lump in catch_ups) / 1000
        doubts.tell(
            "catch_up",
            f"{len(catch_ups):,} readings hold the energy of a gap before them ({total:,.1f} kWh together). It "
            "counts as energy, "
            "but says nothing of the power in between.",
        )
    if mapping.export == "surplus":
        doubts.tell(
            "surplus",
            "The file holds only what was sent to the grid after the house had taken its part. Losses to dirt "
            "cannot be told "
            "from a change in use, so nothing is judged from it. Add the consumption, or send the inverter's export.",
        )
    lengths = [length for length in np.unique(series.length_s) if np.count_nonzero(series.length_s == length) >= 12]
    if len(lengths) > 1 and minutes < 1440 and all(length % 60 == 0 for length in lengths):
        named = " and ".join(f"{length // 60}" for length in lengths[:4])
        doubts.tell(
            "interval_changed", f"The file has intervals of {named} minutes; all are kept at {minutes} minutes."
        )
