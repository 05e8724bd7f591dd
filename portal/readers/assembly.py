"""Raw series to one meter's readings: one road for every format, with every check on it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from portal.pv.arrays import Floats, Ints
from portal.pv.sun import DAY_S
from portal.readers import daylight, plausible
from portal.readers.checks import TOO_MUCH, check_energies, look_at_shape, look_for_nothing, tell_all
from portal.readers.clock_shown import (
    better_clock,
    set_strays_aside,
    settle_label,
    utc_starts,
)
from portal.readers.days import daily_series, whole_days
from portal.readers.doubts import Doubts
from portal.readers.held import held_until_the_next, logged_on_change
from portal.readers.intervals import JITTER, clock_changes, local_lengths, on_grid, out_minutes
from portal.readers.lumps import CATCH_UP, LUMPS_KEPT, set_lumps
from portal.readers.mapping import Mapping
from portal.readers.meters import lay_out, pick_meter
from portal.readers.reading import Channel, Gap, Lump, ReadError, Readings
from portal.readers.register import from_registers
from portal.readers.series import NEARLY_A_DAY_S, Series, as_series, common_step, to_wh
from portal.readers.table import Loaded, sum_columns

LENGTH_SHARE = 0.02
"""Share of the time with longer intervals from which on all of a file is kept at these. Tuned on the made files of the
tests: a fifth more or less changes none."""
MOST_APART_S = 5 * DAY_S
"""Seconds between most readings beyond which they are totals of weeks or months and no days with gaps. Common practice,
no source."""
CONFLICTS = 0.1
CONFLICTS_LEAST = 50
"""Share of the stamps, and how many readings at least, that must occur again with other figures for a file to hold
several meters below each other. Tuned on the made files of the tests: a fifth more or less changes none."""


@dataclass(frozen=True, slots=True)
class SiteNow:
    """Whose file it is: the site's zone, and the present instant, which no stamp lies ahead of."""

    tz: str
    """Name in the IANA database."""
    now: datetime

    @property
    def zone(self) -> ZoneInfo:
        """The zone itself."""
        return ZoneInfo(self.tz)


@dataclass(frozen=True, slots=True)
class Assembled:
    """Readings on their grid and what goes with them; the rejected lines' text is still to be fetched."""

    readings: Readings
    mapping: Mapping
    rows: int
    """Readings found, good or not."""
    blanks: int
    duplicates: int
    lumps: tuple[Lump, ...]
    gaps: tuple[Gap, ...]
    clock_changes: tuple[datetime, ...]
    channels: tuple[Channel, ...]


def from_table(
    loaded: Loaded, mapping: Mapping, site: SiteNow, *, guessed: bool, label_known: bool, doubts: Doubts
) -> Assembled:
    """Turn a loaded table into readings.

    Parameters
    ----------
    loaded
        All readings of the file.
    mapping
        How the file is read.
    site
        Whose file it is.
    guessed
        Whether the mapping is a guess, so that the readings may correct its clock.
    label_known
        Whether the table says that stamps mark starts, or ends.
    doubts
        Takes what is to be asked and told.

    Returns
    -------
    Assembled
        The readings on their grid.

    Raises
    ------
    ReadError
        When they make no readings of a production meter.
    """
    rows = len(loaded.places)
    doubts.bad += loaded.bad
    channels = pick_meter(loaded, mapping, doubts)
    set_strays_aside(loaded, mapping.kind, doubts)
    if not len(loaded.places):
        raise ReadError(
            "No line of the file holds a reading that can be taken in. Check which columns are chosen, the "
            "order of day and month, and the decimal mark."
        )
    _blank_stand_ins(loaded, doubts)
    step = step_of(loaded)
    one_day = len(loaded.places) == 1 and mapping.layout == "tall" and int(loaded.stamps.naive_s[0]) % DAY_S == 0
    if step == 0 and not one_day:
        raise ReadError(
            "The file holds only one reading, or all its lines carry the same time stamp. Choose the column "
            "that holds the time of each reading, and export at least one whole day."
        )
    refuse_coarse(step)
    if loaded.stamps.offset_s is None and mapping.clock.kind == "offset":
        raise ReadError(
            "The mapping says that each stamp carries its own offset; these have none. Choose the clock again."
        )
    if guessed:
        mapping = settle_label(loaded, mapping, label_known=label_known, step=step, doubts=doubts)
    if step >= NEARLY_A_DAY_S or one_day:
        series = daily_series(loaded, mapping, site.zone, step)
    else:
        series, mapping = interval_series(loaded, mapping, site, step, guessed=guessed, doubts=doubts)
    done = finish_reading(series, mapping, site, rows=rows, channels=channels, doubts=doubts)
    return replace(done, blanks=max(0, done.blanks - loaded.unreadable))


def refuse_coarse(step: int) -> None:
    """Refuse readings further apart than days.

    Parameters
    ----------
    step
        Seconds between most of them.

    Raises
    ------
    ReadError
        When they are totals of weeks or months.
    """
    if step > MOST_APART_S:
        raise ReadError(
            f"The file has one reading in about {step / DAY_S:.0f} days. Totals of weeks or months are too coarse to "
            "see dirt in: days at least are needed. Export daily totals, or better the readings of each 15 minutes or "
            "hour."
        )


def _blank_stand_ins(loaded: Loaded, doubts: Doubts) -> None:
    for column in loaded.columns:
        stood_in = plausible.blank_stand_ins(column)
        if stood_in:
            doubts.tell("stand_ins", f"{stood_in:,} figures that stand for “no value” (like −999) were taken as blank.")


def step_of(loaded: Loaded) -> int:
    """Return the usual step between readings.

    Parameters
    ----------
    loaded
        The readings as they came.

    Returns
    -------
    int
        Seconds, 0 for a single reading.
    """
    stamps = loaded.stamps
    times = stamps.naive_s if stamps.offset_s is None else stamps.naive_s - stamps.offset_s
    if loaded.elapsed_s is not None:
        times = times + loaded.elapsed_s
    return common_step(np.unique(times) if loaded.meter_ids is not None else times)


def interval_series(
    loaded: Loaded, mapping: Mapping, site: SiteNow, step: int, *, guessed: bool, doubts: Doubts
) -> tuple[Series, Mapping]:
    """Put readings on UTC, in order, as energies of intervals.

    Parameters
    ----------
    loaded
        The readings as they came.
    mapping
        How the file is read.
    site
        Whose file it is.
    step
        Seconds between readings.
    guessed
        Whether the readings may correct the mapping's clock.
    doubts
        Takes what is to be told, and the lines without an instant.

    Returns
    -------
    series : Series
        Energies of intervals.
    mapping : Mapping
        The mapping, with the clock that the readings show.

    Raises
    ------
    ReadError
        When no reading has an instant.
    """
    series, missing = _to_series(loaded, mapping, step)
    guess = mapping
    if guessed:
        mapping = better_clock(series, missing, guess, site.zone, doubts)
    if mapping.clock != guess.clock:
        if mapping.clock.kind != "offset":
            loaded.stamps = replace(loaded.stamps, offset_s=None)
        series, missing = _to_series(loaded, mapping, step)
    doubts.bad += [(int(loaded.places[i]), why) for i, why in missing]
    return series, mapping


def _to_series(loaded: Loaded, mapping: Mapping, step: int) -> tuple[Series, list[tuple[int, str]]]:
    starts, missing = utc_starts(loaded, mapping, step)
    # A skipped stamp without a figure is no loss.
    missing = [(i, why) for i, why in missing if any(not np.isnan(column[i]) for column in loaded.columns)]
    columns = to_wh(loaded.columns, mapping.unit)
    for column in columns:
        missing += [(int(i), TOO_MUCH) for i in np.flatnonzero(np.isinf(column))]
        column[np.isinf(column)] = np.nan
    laid = lay_out(loaded, starts, columns)
    starts = laid.start_s
    if not len(starts):
        raise ReadError(
            "No reading has a time that exists on the clock the file is said to be written by. Choose another."
        )
    step = common_step(starts) or step
    if mapping.kind == "register":
        series = from_registers(starts, laid.columns, laid.signs, laid.place, step)
    else:
        values = sum_columns(laid.columns, laid.signs).copy()
        kept, given, flags = laid.kept, loaded.lengths_s, loaded.quality
        lengths = local_lengths(starts, step) if kept is None or given is None else given[kept]
        if mapping.kind == "power" and logged_on_change(starts, values):
            series = held_until_the_next(starts, values, laid.place)
            series.duplicates, series.conflicts = laid.duplicates, laid.conflicts
            return series, missing
        if mapping.kind == "power":
            # Held from its stamp to the next.
            gap = np.diff(starts, append=starts[-1] + lengths[-1])
            lengths = np.where((gap != lengths) & (gap < 2 * lengths), gap, lengths)
            with np.errstate(over="ignore"):
                values = values * (lengths / 3600.0)
        quality = None if kept is None or flags is None else flags[kept]
        series = Series(starts, lengths, values, laid.place, step, quality=quality)
    series.duplicates, series.conflicts = laid.duplicates, laid.conflicts
    return series, missing


def finish_reading(
    series: Series, mapping: Mapping, site: SiteNow, *, rows: int, channels: tuple[Channel, ...], doubts: Doubts
) -> Assembled:
    """Check energies of intervals, put them on the grid, and look at the whole.

    Parameters
    ----------
    series
        Energies of intervals, or of days as ``daily_series`` gives them.
    mapping
        How the file was read.
    site
        Whose file it is.
    rows
        Readings found in the file.
    channels
        What else is in it.
    doubts
        Takes what is to be asked and told.

    Returns
    -------
    Assembled
        The readings on their grid.

    Raises
    ------
    ReadError
        When they are not one meter's production.
    """
    _check_conflicts(series, doubts)
    blanks = int(np.isnan(series.energy_wh).sum())
    if blanks == len(series.energy_wh) and not series.lumps:
        raise ReadError("The chosen column holds no figures. Choose another column, or check the decimal mark.")
    check_energies(series, site.now, doubts)
    doubts.notices += series.notices
    minutes = _grid_minutes(series)
    set_lumps(series, series.length_s > minutes * 60 * (1 + JITTER), CATCH_UP)
    energy_wh, quality, starts, energy = _on_their_grid(series, minutes, mapping, site, doubts)
    if np.isnan(energy).all() and not series.lumps:
        raise ReadError("No reading of the file could be taken in; the list of rejected lines says why.")
    look_for_nothing(energy, minutes, mapping, doubts)
    tell_all(series, mapping, minutes, doubts)
    return Assembled(
        readings=Readings(energy_wh, minutes, quality),
        mapping=mapping,
        rows=rows,
        blanks=blanks,
        duplicates=series.duplicates,
        lumps=tuple(sorted(series.lumps, key=lambda lump: lump.start)[:LUMPS_KEPT]),
        gaps=tuple(plausible.gaps(energy, starts, minutes)),
        clock_changes=clock_changes(site.zone, int(starts[0]), int(starts[-1]) + minutes * 60),
        channels=channels,
    )


def _check_conflicts(series: Series, doubts: Doubts) -> None:
    if series.conflicts > max(CONFLICTS_LEAST, CONFLICTS * len(series.start_s)):
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


def _on_their_grid(
    series: Series, minutes: int, mapping: Mapping, site: SiteNow, doubts: Doubts
) -> tuple[pd.Series[float], pd.Series[str] | None, Ints, Floats]:
    """Return the readings on their grid, their quality, and the grid's starts and energies; look at their shape."""
    if minutes == 1440:
        starts, energy_wh = whole_days(series, site.zone)
        return energy_wh, None, starts, np.array(energy_wh, dtype=np.float64)
    starts, energy = on_grid(series, site.zone, minutes)
    local = daylight.local_seconds(starts, site.zone)
    nights = plausible.fill_nights(energy, local, minutes)
    if nights:
        doubts.tell("daylight_only", f"The file leaves out the nights; {nights:,} of them were taken as zero.")
    look_at_shape(energy, starts, local, site.zone, mapping, doubts)
    return as_series(starts, energy), _quality_on_grid(series, starts), starts, energy


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
        if step < length <= 3600 and length % step == 0 and share > LENGTH_SHARE:
            step = int(length)
    return out_minutes(step)
