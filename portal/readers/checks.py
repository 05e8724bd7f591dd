"""What the energies as a whole must look like, and what is told about them."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from portal.pv.arrays import Floats, Ints
from portal.pv.sun import DAY_S
from portal.readers import daylight, plausible
from portal.readers.clock import utc_datetime
from portal.readers.doubts import Doubts
from portal.readers.lumps import CATCH_UP, catch_up_lumps
from portal.readers.mapping import Mapping
from portal.readers.questions import hours_question, night_question, nothing_question
from portal.readers.reading import ReadError
from portal.readers.series import Series

TOO_MUCH = "no plant produces that much"
TURNED = 20.0
"""A file with so many times (ratio) more energy below zero than above counts production as negative. Tuned on the made
files of the tests: a fifth more or less changes none."""
LIT_NIGHT = 0.02
"""Share of the energy between 23:00 and 3:00 from which on a file without dark hours is no production. Tuned on the
made files of the tests: a fifth more or less changes none."""
SOLAR_NIGHT = 0.03
"""The same for a file with dark hours; then its clock is wrong. Tuned on the made files of the tests: a fifth more or
less changes none."""
MIDDAY_H = 12.9
"""Local hours of the middle of production: solar noon lies between 11:30 and 14:15 on the zones' clocks, the latter in
summer at their western ends. Common practice, no source."""
OFF_MIDDAY_H = 3.6
"""Hours off that middle at which a roof, however it faces, has no middle of production. Tuned on the made files of the
tests: a fifth more or less changes none."""
DARK_DAYS = 3
"""Days without production that are told and not asked about: snow, or a file a day. Common practice, no source."""
LENGTH_KEPT = 12
"""Readings of one interval length that are worth telling of. Common practice, no source."""


def check_energies(series: Series, now: datetime, doubts: Doubts) -> None:
    """Reject energies that cannot be, and turn or mend what only looks so.

    Parameters
    ----------
    series
        Energies of intervals; it is changed.
    now
        The present instant, aware.
    doubts
        Takes the lines set aside and what is to be told.

    Raises
    ------
    ReadError
        When the figures run both above and below zero, as at the grid connection.
    """
    energy = series.energy_wh
    known = ~np.isnan(energy)
    ahead = np.flatnonzero((series.start_s > int(now.timestamp()) + DAY_S) & known)
    if len(ahead) and len(ahead) == np.count_nonzero(known):
        first, last = (f"{utc_datetime(int(series.start_s[at])):%-d %B %Y}" for at in (ahead[0], ahead[-1]))
        raise ReadError(
            f"All readings lie ahead of today, {now:%-d %B %Y}: from {first} to {last}. Expected were dates that have "
            "been. Check the order of day and month, the year, and whether the logger's clock is right, and correct it "
            "or export the file again."
        )
    doubts.reject(series, ahead, "the time lies ahead of today")
    with np.errstate(over="ignore", invalid="ignore"):
        wild = np.flatnonzero(np.abs(energy) > plausible.LARGEST_W * series.length_s / 3600.0)
    doubts.reject(series, wild, TOO_MUCH)
    known = energy[~np.isnan(energy)]
    up, down = float(known[known > 0].sum()), -float(known[known < 0].sum())
    if down > TURNED * up:
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
    catch_up_lumps(series)
    doubts.reject(
        series, plausible.impossible(series), "the figure is more than 20 times what the rest of the file shows"
    )


def look_at_shape(energy: Floats, starts: Ints, local: Ints, zone: ZoneInfo, mapping: Mapping, doubts: Doubts) -> None:
    """Look whether this is a sun's day, at the right hour.

    Parameters
    ----------
    energy
        Energies [Wh] (n,) on the grid, NaN where missing.
    starts
        UTC starts [s] (n,).
    local
        The same on the site's wall clock [s] (n,).
    zone
        The site's zone.
    mapping
        How the file was read.
    doubts
        Takes what is to be asked and told.
    """
    jump = daylight.unit_jump(energy, local)
    if jump:
        doubts.notices.append(jump)
    shape = daylight.day_shape(energy, local)
    if shape is None:
        return
    if not shape.solar and shape.night_share > LIT_NIGHT:
        said = "delivered" in mapping.accepted or any(question.code == "delivered" for question in doubts.questions)
        if "night" not in mapping.accepted and not said:
            doubts.questions.append(night_question(shape.night_share))
        return
    off = abs(shape.centre_h - MIDDAY_H)
    if off > OFF_MIDDAY_H or (shape.solar and shape.night_share > SOLAR_NIGHT):
        if "hours" not in mapping.accepted:
            doubts.questions.append(hours_question(shape.centre_h, mapping.clock.kind, zone.key))
        return
    shift = daylight.clock_shift(energy, starts, local, zone)
    if shift is not None and daylight.MOVED_AN_HOUR[0] < abs(shift) < daylight.MOVED_AN_HOUR[1]:
        doubts.tell(
            "clock",
            "The production moves by an hour when the clocks change. Check whether the file's clock follows "
            "summer time.",
        )


def look_for_nothing(energy: Floats, minutes: int, mapping: Mapping, doubts: Doubts) -> None:
    """Ask where all readings of several days are zero, and tell where those of a few are.

    Parameters
    ----------
    energy
        Energies [Wh] (n,) on the grid, NaN where missing.
    minutes
        Length of the intervals.
    mapping
        How the file was read.
    doubts
        Takes what is to be asked and told.
    """
    known = int(np.count_nonzero(~np.isnan(energy)))
    if not known or np.nansum(np.abs(energy)) > 0:
        return
    if known * minutes <= DARK_DAYS * 1440:
        doubts.tell("nothing", "All readings of this file are zero.")
    elif "nothing" not in mapping.accepted:
        doubts.questions.append(nothing_question(known))


def tell_all(series: Series, mapping: Mapping, minutes: int, doubts: Doubts) -> None:
    """Tell what the owner of the file should know of its readings.

    Parameters
    ----------
    series
        Energies of intervals.
    mapping
        How the file was read.
    minutes
        Length of the intervals they are kept at.
    doubts
        Takes what is to be told.
    """
    catch_ups = [lump for lump in series.lumps if lump.reason == CATCH_UP]
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
    lengths = [
        length for length in np.unique(series.length_s) if np.count_nonzero(series.length_s == length) >= LENGTH_KEPT
    ]
    if len(lengths) > 1 and minutes < 1440 and all(length % 60 == 0 for length in lengths):
        named = " and ".join(f"{length // 60}" for length in lengths[:4])
        doubts.tell(
            "interval_changed", f"The file has intervals of {named} minutes; all are kept at {minutes} minutes."
        )
