"""Raw series to one meter's readings: one road for every format, with every check on it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from portal.readers import plausible
from portal.readers.checks import TOO_MUCH, check_energies, look_at_shape, tell_all
from portal.readers.clock import Clock, utc_datetime
from portal.readers.clock_shown import better_clock, set_lone_stamps_aside, settle_label, utc_starts
from portal.readers.doubts import Doubts
from portal.readers.intervals import clock_changes, daily, local_lengths, on_grid, out_minutes
from portal.readers.lumps import CATCH_UP, ESTIMATED, LUMPS_KEPT, set_lumps
from portal.readers.mapping import Kind, Mapping
from portal.readers.meters import meters_side_by_side, pick_meter, pick_series
from portal.readers.questions import export_question
from portal.readers.reading import Channel, Choice, Gap, Lump, Question, ReadError, Readings
from portal.readers.register import from_registers
from portal.readers.series import (
    DAY_S,
    NEARLY_A_DAY_S,
    Floats,
    Ints,
    MeterSeries,
    Series,
    as_series,
    common_step,
    put_in_order,
    to_wh,
)
from portal.readers.stamps import Stamps
from portal.readers.table import Loaded, sum_columns


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
    channels = pick_meter(loaded, mapping, doubts)
    set_lone_stamps_aside(loaded, doubts)
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
        mapping = settle_label(loaded, mapping, label_known=label_known, step=step, doubts=doubts)
    if step >= NEARLY_A_DAY_S or one_day:
        series = _daily_series(loaded, mapping, zone, step)
        return finish(
            series, mapping, tz=tz, now=now, rows=rows, channels=channels, doubts=doubts, unreadable=loaded.unreadable
        )
    series, missing = _series(loaded, mapping, step)
    if guessed:
        better = better_clock(series, missing, mapping, zone, doubts)
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
    return common_step(np.unique(times) if loaded.meter_ids is not None else times)


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
    mapping, picked = pick_series(found, mapping, doubts)
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
            better = better_clock(series, missing, mapping, zone, doubts)
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
            set_lumps(series, estimated, ESTIMATED)
    taken = {series_.name for series_ in picked}
    channels = tuple(
        Channel(name, series_.direction, name in taken) for name, series_ in zip(names, found, strict=True)
    )
    return finish(series, mapping, tz=tz, now=now, rows=count, channels=channels, doubts=doubts)


def _series(loaded: Loaded, mapping: Mapping, step: int) -> tuple[Series, list[tuple[int, str]]]:
    """Put raw readings on UTC, in order, as energies of intervals."""
    register = mapping.kind == "register"
    starts, missing = utc_starts(loaded, mapping, step)
    # A skipped stamp without a figure is no loss.
    missing = [(i, why) for i, why in missing if any(not np.isnan(column[i]) for column in loaded.columns)]
    columns = to_wh(loaded.columns, mapping.unit)
    for column in columns:
        missing += [(int(i), TOO_MUCH) for i in np.flatnonzero(np.isinf(column))]
        column[np.isinf(column)] = np.nan
    signs = loaded.signs
    if loaded.meter_ids is not None:
        starts, columns, lines, duplicates, conflicts = meters_side_by_side(starts, columns, loaded)
        signs = [1] * len(columns)
    else:
        starts, columns, kept, duplicates, conflicts = put_in_order(starts, columns)
        lines = loaded.lines[kept]
    if not len(starts):
        raise ReadError(
            "No reading has a time that exists on the clock the file is said to be written by. Choose another."
        )
    step = common_step(starts) or step
    kept = np.zeros(0, dtype=np.int64) if loaded.meter_ids is not None else kept
    if register:
        series = from_registers(starts, columns, signs, lines, step)
    else:
        values = sum_columns(columns, signs).copy()
        given = loaded.lengths_s if loaded.meter_ids is None else None
        lengths = local_lengths(starts, step) if given is None else given[kept]
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
    columns = to_wh(loaded.columns, mapping.unit)
    signs = loaded.signs
    if loaded.meter_ids is not None:
        starts, columns, lines, duplicates, conflicts = meters_side_by_side(day, columns, loaded)
        signs = [1] * len(columns)
    else:
        starts, columns, kept, duplicates, conflicts = put_in_order(day, columns)
        lines = loaded.lines[kept]
    if register:
        series = from_registers(starts, columns, signs, lines, DAY_S)
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
    mapping = check_energies(series, mapping, now, doubts)
    doubts.notices += series.notices
    minutes = _grid_minutes(series)
    set_lumps(series, series.length_s > minutes * 60, CATCH_UP)
    energy: Floats
    quality = None
    if minutes == 1440:
        starts, energy_wh = _whole_days(series, zone)
        energy = np.array(energy_wh, dtype=np.float64)
    else:
        starts, energy = on_grid(series, zone, minutes)
        local = plausible.local_seconds(starts, zone)
        nights = plausible.fill_nights(energy, local, minutes)
        if nights:
            doubts.tell("daylight_only", f"The file leaves out the nights; {nights:,} of them were taken as zero.")
        energy_wh = as_series(starts, energy)
        quality = _quality_on_grid(series, starts)
        look_at_shape(energy, starts, local, zone, mapping, doubts)
    if np.isnan(energy).all() and not series.lumps:
        raise ReadError("No reading of the file could be taken in; the list of rejected lines says why.")
    tell_all(series, mapping, minutes, doubts)
    return Assembled(
        Readings(energy_wh, minutes, quality),
        mapping,
        rows,
        max(0, blanks - unreadable),
        series.duplicates,
        tuple(sorted(series.lumps, key=lambda lump: lump.start)[:LUMPS_KEPT]),
        tuple(plausible.gaps(energy, starts, minutes)),
        clock_changes(zone, int(starts[0]), int(starts[-1]) + minutes * 60),
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


def _grid_minutes(series: Series) -> int:
    """Return the interval length to keep the readings at: the longest the file has for any length of time."""
    step = series.step_s
    known = ~np.isnan(series.energy_wh)
    lengths, counts = np.unique(series.length_s[known], return_counts=True)
    covered = lengths * counts
    for length, share in zip(lengths, covered / max(1, covered.sum()), strict=True):
        if step < length <= 3600 and length % step == 0 and share > 0.02:
            step = int(length)
    return out_minutes(step)


def _whole_days(series: Series, zone: ZoneInfo) -> tuple[Ints, pd.Series[float]]:
    start = series.start_s if series.step_s == DAY_S else plausible.local_seconds(series.start_s, zone)
    day = start // DAY_S
    days, first = np.unique(day, return_index=True)
    sums = np.add.reduceat(series.energy_wh, first)
    if series.step_s < NEARLY_A_DAY_S:
        covered = np.add.reduceat(series.length_s, first)
        sums = np.where(covered >= NEARLY_A_DAY_S, sums, np.nan)
    energy_wh = daily(days, sums, zone)
    midnights = pd.DatetimeIndex(energy_wh.index).tz_localize(None).to_numpy()
    return midnights.astype("datetime64[s]").astype(np.int64), energy_wh
