"""The kept original: read by a mapping, looked at, and held against the roof it is said to be of."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial

from django.utils.translation import gettext_noop

from portal import readers
from portal.actions.files import on_disk
from portal.actions.imports.against import remembered
from portal.actions.imports.kept import mapping_of
from portal.models import Import, Site
from portal.pv.plausibility import plausibility_of
from portal.words.figures import percent

READ_ATTEMPTS = 3
"""A file that stopped its worker so often is given up. Common practice, no source."""
LONGEST_READ = timedelta(minutes=5)
"""Work on a file begun longer ago than this has lost its worker; the poll asks again. Five years of 15 minutes take
seconds (measured); no source for the rest."""
STUMBLED = gettext_noop(
    "Our reader stumbled over this file, and the fault is ours. The file is kept and the "
    "error is in the server's log. Try another export of the same days, a plain CSV if there "
    "is one."
)
ABSURD = 20.0
"""Readings so many times (ratio) what the inverter can give are not stored before somebody has said that they are
right. A unit is wrong by a thousand or by four, no inverter by twenty; no source."""
SIZE_HIGH, SIZE_LOW = 1.5, 0.1
"""Highest power over the inverter's (ratio) from which on, and below which, unit and size are to be checked. Common
practice, no source."""
IN_THE_DARK = 0.02
"""Share of the energy at hours of night from which on the clock is to be checked. Common practice, no source."""
WITH_ROUNDING = 1.01
"""What somebody waved through is waved through again up to so many times it (ratio): the file of the next month is
rounded otherwise. No source."""


def read_original(import_: Import, *, now: datetime) -> readers.ReadResult:
    """Read the original: by the mapping given, else by the one remembered for the meter, else by guessing."""
    with on_disk(import_.original) as path:
        return _read(import_, partial(readers.read, path, filename=import_.filename, tz=import_.meter.cut_in, now=now))


def _read(import_: Import, read: Callable[..., readers.ReadResult]) -> readers.ReadResult:
    if import_.mapping is not None:
        return read(mapping=mapping_of(import_.mapping))
    before = remembered(import_.meter)
    if before is None:
        return read()
    try:
        return read(mapping=before)
    except readers.UndecidedError as doubt:
        try:
            return read()
        except readers.ReadError:
            raise doubt from None  # what was answered before need not be answered again
    except readers.ReadError:
        return read()  # this file is shaped unlike the last one: it is read for itself


def look_at_file(*, import_: Import, now: datetime, mapping: readers.Mapping | None = None) -> readers.Guess:
    """Return what an import's file seems to be, or how a mapping reads it, to show before it is read in earnest."""
    with on_disk(import_.original) as path:
        return readers.guess(path, filename=import_.filename, tz=import_.meter.cut_in, now=now, mapping=mapping)


def _size_accepted(mapping: readers.Mapping) -> float:
    """Return the size somebody has waved through for this file, with room for how it was rounded; 0 for none."""
    said = [one.partition(" ")[2] for one in mapping.accepted if one.partition(" ")[0] == "size"]
    return WITH_ROUNDING * max((float(size) for size in said if size), default=0.0)


def against_site(result: readers.ReadResult, site: Site) -> tuple[readers.Question | None, list[readers.Notice]]:
    """Say where the readings cannot be this site's: only the portal knows the roof, the file does not."""
    question: readers.Question | None = None
    notices: list[readers.Notice] = []
    if site.place is None or site.ac_kw is None:
        return question, notices  # nothing to compare with yet
    latitude, longitude = site.place
    energy_wh, minutes = result.readings.energy_wh, result.readings.interval_minutes
    told = plausibility_of(energy_wh, minutes, latitude=latitude, longitude=longitude, ac_kw=site.ac_kw)
    if told is None:
        return question, notices
    if told.size > max(ABSURD, _size_accepted(result.mapping)):
        question = readers.Question(
            "size",
            gettext_noop(
                "Read like this the roof would give {size:,.0f} times what its {ac_kw:g} kW inverter "
                "can. Most likely the unit is another: correct it below. If the figures are right, "
                "correct the inverter's size."
            ).format(size=told.size, ac_kw=site.ac_kw),
            (
                readers.Choice(
                    f"accept {told.size:.3g}", gettext_noop("The figures of this file are right as they are")
                ),
            ),
            required=False,
        )
    elif told.size > SIZE_HIGH:
        notices.append(
            readers.Notice(
                "size_high",
                gettext_noop(
                    "The highest power is {size:.1f} times the inverter's {ac_kw:g} kW. Check the unit of "
                    "this file and the inverter's size."
                ).format(size=told.size, ac_kw=site.ac_kw),
            )
        )
    elif told.size < SIZE_LOW:
        notices.append(
            readers.Notice(
                "size_low",
                gettext_noop(
                    "The highest power is only {size} of the inverter's {ac_kw:g} kW. Check the unit of this "
                    "file, and that it holds all of the production."
                ).format(size=percent(told.size), ac_kw=site.ac_kw),
            )
        )
    if told.dark > IN_THE_DARK:
        notices.append(
            readers.Notice(
                "dark",
                gettext_noop(
                    "{dark} of the energy falls into the dark, when the sun is well below the horizon. Check "
                    "the clock of this file, the site's time zone and its place, and that this is production."
                ).format(dark=percent(told.dark)),
            )
        )
    return question, notices
