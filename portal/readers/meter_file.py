"""The series of a meter file (Green Button, NEM12) to one meter's readings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from portal.readers.assembly import Assembled, SiteNow, finish_reading, interval_series, refuse_coarse, step_of
from portal.readers.clock import StampClock
from portal.readers.days import daily_series
from portal.readers.doubts import Doubts
from portal.readers.lumps import ESTIMATED, set_lumps
from portal.readers.mapping import FigureKind, Mapping
from portal.readers.meters import pick_series
from portal.readers.questions import export_question
from portal.readers.reading import Channel, Choice, Question, ReadError
from portal.readers.series import NEARLY_A_DAY_S, MeterSeries, Series
from portal.readers.stamps import Stamps
from portal.readers.table import Loaded


@dataclass(frozen=True, slots=True)
class MeterFile:
    """What a meter file holds."""

    series: Sequence[MeterSeries]
    offset_s: int
    """Seconds that its stamps are ahead of UTC."""
    is_estimate: Callable[[str], bool]
    """Says whether a quality flag of the format marks a figure nobody measured."""


def from_meter(file: MeterFile, mapping: Mapping, site: SiteNow, *, guessed: bool, doubts: Doubts) -> Assembled:
    """Turn the series of a meter file into one meter's readings.

    Parameters
    ----------
    file
        What it holds.
    mapping
        How it is read.
    site
        Whose file it is.
    guessed
        Whether the mapping is a guess, so that the readings may correct its clock.
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
    mapping, picked = pick_series(file.series, mapping, doubts)
    mapping = _check_direction(picked, mapping, doubts)
    loaded = _put_together(picked, mapping, file.offset_s)
    count = len(loaded.places)
    step = step_of(loaded) or int(np.median(np.concatenate([series.length_s for series in picked])))
    if step <= 0:
        raise ReadError("The file holds only one reading, and not how long it lasted. Export at least one whole day.")
    refuse_coarse(step)
    if step >= NEARLY_A_DAY_S:
        series = daily_series(loaded, replace(mapping, clock=StampClock(site.tz, "utc")), site.zone, step)
    else:
        series, mapping = interval_series(loaded, mapping, site, step, guessed=guessed, doubts=doubts)
    _set_estimates_aside(series, file.is_estimate, doubts)
    taken = {one.name for one in picked}
    channels = tuple(Channel(one.name, one.direction, one.name in taken) for one in file.series)
    return finish_reading(series, mapping, site, rows=count, channels=channels, doubts=doubts)


def _check_direction(picked: Sequence[MeterSeries], mapping: Mapping, doubts: Doubts) -> Mapping:
    """Ask where energy that flows to the house, or to the grid, comes from."""
    first = picked[0]
    kind: FigureKind = "register" if first.register else "power" if first.unit.endswith("W") else "energy"
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
    if not all(series.typed for series in picked) and "untyped" not in mapping.accepted:
        doubts.questions.append(
            Question(
                "untyped",
                "The file has intervals but no reading type: it does not say whether its figures are electricity or "
                "gas, made or used, nor in what unit. Export it with its reading type, or say what they are.",
                (Choice("accept", "They are what the panels produced, in Wh"),),
                True,
            )
        )
    if any(series.direction == "export" for series in picked) and not mapping.export:
        doubts.questions.append(export_question(first.name))
        mapping = replace(mapping, export="surplus")
    return mapping


def _put_together(picked: Sequence[MeterSeries], mapping: Mapping, offset_s: int) -> Loaded:
    """Return the series, one below the other, as a table would be loaded."""
    start_s = np.concatenate([np.asarray(series.start_s, dtype=np.int64) for series in picked])
    offsets = np.full(len(start_s), offset_s, dtype=np.int32) if mapping.clock.kind == "offset" else None
    lengths = np.concatenate([np.asarray(series.length_s, dtype=np.int64) for series in picked])
    loaded = Loaded(
        Stamps(start_s, offsets, "ymd", True),
        None,
        [np.concatenate([np.asarray(series.figure, dtype=np.float64) for series in picked])],
        [1],
        np.concatenate([np.asarray(series.place, dtype=np.int64) for series in picked]),
        lengths_s=None if mapping.kind == "register" else lengths,
        quality=np.concatenate([np.asarray(series.quality) for series in picked]),
    )
    if len(picked) > 1:
        loaded.meters = [series.name for series in picked]
        loaded.meter_ids = np.repeat(np.arange(len(picked), dtype=np.int32), [len(series.start_s) for series in picked])
    return loaded


def _set_estimates_aside(series: Series, is_estimate: Callable[[str], bool], doubts: Doubts) -> None:
    """Keep figures that nobody measured as energy, but not as readings."""
    if series.quality is None:
        return
    flags, of = np.unique(series.quality, return_inverse=True)
    estimated = np.array([is_estimate(str(flag)) for flag in flags])[of]
    if estimated.any():
        doubts.tell(
            "estimated",
            f"{int(estimated.sum()):,} readings were estimated or substituted by the meter operator. They "
            "count as energy but say nothing of what the panels did.",
        )
        set_lumps(series, estimated, ESTIMATED)
