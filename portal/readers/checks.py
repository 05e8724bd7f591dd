"""What the energies as a whole must look like, and what is told about them."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from portal.readers import plausible
from portal.readers.doubts import Doubts
from portal.readers.lumps import CATCH_UP, catch_up_lumps
from portal.readers.mapping import Mapping
from portal.readers.reading import Choice, Question, ReadError
from portal.readers.series import DAY_S, Floats, Ints, Series

TOO_MUCH = "no plant produces that much"


def check_energies(series: Series, now: datetime, doubts: Doubts) -> None:
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
    catch_up_lumps(series)
    doubts.reject(
        series, plausible.impossible(series), "the figure is more than 20 times what the rest of the file shows"
    )


def look_at_shape(energy: Floats, starts: Ints, local: Ints, zone: ZoneInfo, mapping: Mapping, doubts: Doubts) -> None:
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


def tell_all(series: Series, mapping: Mapping, minutes: int, doubts: Doubts) -> None:
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
    lengths = [length for length in np.unique(series.length_s) if np.count_nonzero(series.length_s == length) >= 12]
    if len(lengths) > 1 and minutes < 1440 and all(length % 60 == 0 for length in lengths):
        named = " and ".join(f"{length // 60}" for length in lengths[:4])
        doubts.tell(
            "interval_changed", f"The file has intervals of {named} minutes; all are kept at {minutes} minutes."
        )
