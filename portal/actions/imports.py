"""Taking in customers' files: received, read by the worker into day blocks, asked about, undone.

The row in the ledger is the queue. Reading a file happens outside the transaction, which is short: it locks the meter,
looks whether this is still the newest attempt, and writes days, what they were before, and the ledger together.
A killed worker therefore leaves the row as it was, and the next poll begins again.
"""

from __future__ import annotations

import hashlib
import json
import logging
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, timedelta
from functools import partial
from itertools import groupby
from pathlib import Path, PurePath
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from django.core.files.base import File
from django.db import connection, transaction
from django.db.models import Max, Model, Q

from portal import readers
from portal.actions.assessments import ask_for_assessment
from portal.actions.jobs import ask_for
from portal.actions.uploads import BOUNDED, too_much_today
from portal.models import CameBy, DayBefore, DayReadings, Import, ImportState, Meter, Site, Token, User, pack, unpack
from portal.models.meter import DayBlock
from portal.pv.days import cut_days
from portal.pv.fit import fit_to_site
from portal.pv.sentences import percent

log = logging.getLogger(__name__)

MAX_ATTEMPTS = 3
"""A file that stopped its worker so often is given up."""
STALLED_AFTER = timedelta(minutes=2)
"""An import no worker has begun after this has lost its message; the poll asks again."""
LONGEST_READ = timedelta(minutes=5)
"""An import begun longer ago than this has lost its worker; the poll asks again."""
ABSURD = 20.0
"""Readings so many times what the inverter can give are not stored before somebody has said that they are right."""
PREVIEW_DAYS = 3
ANSWERED_FOR_ALL = {"date_order", "decimal", "kind", "unit", "label", "export"}
"""What is true of one file is true of others built alike; whether figures may be right is asked file by file."""


class ImportRefused(Exception):
    """What was asked cannot be done with this import; the message says why and what to do next."""


class Day(NamedTuple):
    """A meter's day as stored: interval, energies [Wh], the source's flags, the imports that wrote and created it."""

    minutes: int
    block: DayBlock
    quality: str = ""
    written_by: int | None = None
    created_by: int | None = None


@dataclass(frozen=True, slots=True)
class Counts:
    """What became of readings."""

    new: int = 0
    unchanged: int = 0
    replaced: int = 0
    set_aside: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(
            self.new + other.new,
            self.unchanged + other.unchanged,
            self.replaced + other.replaced,
            self.set_aside + other.set_aside,
        )

    def __sub__(self, other: Counts) -> Counts:
        return self + Counts(-other.new, -other.unchanged, -other.replaced, -other.set_aside)


# ---- in ----


def receive_file(
    *,
    meter: Meter,
    filename: str,
    file: File[bytes],
    uploaded_by: User | None,
    now: datetime,
    came_by: CameBy = CameBy.UPLOAD,
    token: Token | None = None,
    mapping: readers.Mapping | None = None,
) -> Import:
    """Keep the original, put it in the ledger, and ask the worker to read it."""
    if came_by in BOUNDED and (said := too_much_today(site=meter.site, size=file.size, now=now)):
        raise ImportRefused(said)
    digest = hashlib.sha256()
    for chunk in file.chunks():
        digest.update(chunk)
    file.seek(0)
    name = PurePath(filename.replace("\\", "/")).name.replace("\x00", "").strip() or "file"
    import_ = Import(
        meter=meter,
        uploaded_by=uploaded_by,
        uploaded_at=now,
        came_by=came_by,
        token=token,
        filename=name[-255:],
        sha256=digest.hexdigest(),
        mapping=_as_dict(mapping),
    )
    import_.original.save(digest.hexdigest()[:32] + _safe_suffix(name), file, save=False)
    import_.save()
    transaction.on_commit(partial(ask_for, "import_file", import_.pk))
    return import_


def meter_called(*, site: Site, name: str) -> Meter:
    """Return a roof's meter of that name; make it where there is none. A roof's meters are added up."""
    return Meter.objects.get_or_create(site=site, name=name)[0]


def _safe_suffix(name: str) -> str:
    suffix = PurePath(name).suffix.lower()
    return suffix if re.fullmatch(r"\.[a-z0-9]{1,8}", suffix) else ""


def unfinished_imports(*, now: datetime) -> list[int]:
    """Imports whose message or worker was lost, oldest first."""
    waiting = Import.objects.unfinished().filter(
        Q(state=ImportState.PENDING, begun_at=None, uploaded_at__lt=now - STALLED_AFTER)
        | Q(state=ImportState.PENDING, begun_at__lt=now - LONGEST_READ)
        | Q(state=ImportState.UNDOING, undone_at__lt=now - STALLED_AFTER)
    )
    return list(waiting.order_by("pk").values_list("pk", flat=True))


def poll_imports(*, now: datetime) -> int:
    """Ask again for imports and replays that were left lying. Returns how many."""
    waiting = unfinished_imports(now=now)
    for key in waiting:
        ask_for("import_file", key)
    meters = Meter.objects.filter(replay_asked_at__lt=now - STALLED_AFTER).values_list("pk", flat=True)
    for key in meters:
        ask_for("replay_meter", key)
    return len(waiting) + len(meters)


# ---- reading ----


def work_on_import(*, import_id: int, now: datetime) -> None:
    """Do what an import waits for: be read, or be undone. Does nothing when it waits for nothing."""
    state = Import.objects.filter(pk=import_id).values_list("state", flat=True).first()
    if state == ImportState.PENDING:
        read_import(import_id=import_id, now=now)
    elif state == ImportState.UNDOING:
        roll_back(import_id=import_id, now=now)


def read_import(*, import_id: int, now: datetime) -> Import:
    """Read a waiting import into its meter's days. Safe to run twice, at once, or after a worker died in it."""
    import_ = _begin(import_id, now=now)
    if import_.state != ImportState.PENDING:
        return import_
    if (twin := _same_file_read_before(import_)) and _finish_as_before(import_, twin, now=now):
        return import_
    try:
        found = _read_or_ask(import_, now=now)
    except readers.ReadError as problem:
        return _fail(import_, str(problem), now=now)
    except Exception:
        log.exception("import %d tripped the reader", import_.pk)
        return _fail(
            import_,
            "Our reader stumbled over this file, and the fault is ours. The file is kept and the error is in the "
            "server's log. Try another export of the same days, a plain CSV if there is one.",
            now=now,
        )
    if isinstance(found, readers.ReadResult):
        return _take_in(import_, found, now=now)
    return _ask(import_, found, now=now)


def _begin(import_id: int, *, now: datetime) -> Import:
    """Count the attempt, so that a file that kills its worker is not tried for ever."""
    with transaction.atomic():
        import_ = (
            Import.objects.select_for_update(of=("self",), no_key=True).select_related("meter__site").get(pk=import_id)
        )
        if import_.state != ImportState.PENDING:
            return import_
        if import_.attempts >= MAX_ATTEMPTS:
            import_.state = ImportState.FAILED
            import_.problem = (
                f"Reading this file stopped the reader {MAX_ATTEMPTS} times; it may be far too large or damaged. "
                "Nothing was changed. Split it by year, or export it again, and send that."
            )
            import_.finished_at = now
        else:
            import_.attempts += 1
            import_.begun_at = now
        import_.save(update_fields=["state", "problem", "finished_at", "attempts", "begun_at"])
    return import_


def _read(import_: Import, *, now: datetime) -> readers.ReadResult:
    """Read the original: by the mapping given, else by the one remembered for the meter, else by guessing."""
    read = partial(
        readers.read,
        Path(import_.original.path),
        filename=import_.filename,
        tz=import_.meter.cut_in,
        now=now,
    )
    if import_.mapping is not None:
        return read(mapping=mapping_of(import_.mapping))
    remembered = import_.meter.mapping
    if remembered is None:
        return read()
    try:
        return read(mapping=mapping_of(remembered))
    except readers.UndecidedError as doubt:
        try:
            return read()
        except readers.ReadError:
            raise doubt from None  # what was answered before need not be answered again
    except readers.ReadError:
        return read()  # this file is shaped unlike the last one: it is read for itself


def _read_or_ask(import_: Import, *, now: datetime) -> readers.ReadResult | readers.Guess:
    """Read the original; where somebody has to be asked first, return what to show them."""
    try:
        result = _read(import_, now=now)
    except readers.UndecidedError as doubt:
        seen = look_at(import_=import_, now=now, mapping=import_.mapping and mapping_of(import_.mapping))
        return replace(seen, mapping=doubt.mapping, questions=doubt.questions)
    question, notices = _against_site(result, import_.meter.site)
    result = replace(result, notices=(*result.notices, *notices))
    if question is None:
        return result
    return readers.Guess(result.mapping, result.readings, (question,), result.notices, (), ())


def _against_site(result: readers.ReadResult, site: Site) -> tuple[readers.Question | None, list[readers.Notice]]:
    """Say where the readings cannot be this site's: only the portal knows the roof, the file does not."""
    fit = fit_to_site(
        result.readings.energy_wh,
        result.readings.interval_minutes,
        latitude=site.latitude,
        longitude=site.longitude,
        ac_kw=site.ac_kw,
    )
    question: readers.Question | None = None
    notices: list[readers.Notice] = []
    if fit is None:
        return question, notices
    if fit.size > ABSURD and "size" not in result.mapping.accepted:
        question = readers.Question(
            "size",
            f"Read like this the roof would give {fit.size:,.0f} times what its {site.ac_kw:g} kW inverter can. Most "
            "likely the unit is another: correct it below. If the figures are right, correct the inverter's size.",
            (readers.Choice("accept", "The figures are right as they are"),),
            required=False,
        )
    elif fit.size > 1.5:
        notices.append(
            readers.Notice(
                "size_high",
                f"The highest power is {fit.size:.1f} times the inverter's {site.ac_kw:g} kW. Check the unit of this "
                "file and the inverter's size.",
            )
        )
    elif fit.size < 0.1:
        notices.append(
            readers.Notice(
                "size_low",
                f"The highest power is only {percent(fit.size)} of the inverter's {site.ac_kw:g} kW. Check the unit of "
                "this file, and that it holds all of the production.",
            )
        )
    if fit.dark > 0.02:
        notices.append(
            readers.Notice(
                "dark",
                f"{percent(fit.dark)} of the energy falls into the dark, when the sun is well below the horizon. "
                "Check the clock of this file, the site's time zone and its place, and that this is production.",
            )
        )
    return question, notices


def _locked(import_: Import) -> Import | None:
    """Lock the meter and the import; None when another worker has finished it or begun it anew, or the zone changed."""
    meter = _lock(import_.meter_id)
    current = Import.objects.select_for_update(of=("self",), no_key=True).get(pk=import_.pk)
    same = (current.state, current.attempts, current.mapping) == (import_.state, import_.attempts, import_.mapping)
    return import_ if same and meter.cut_in == import_.meter.cut_in else None


def _lock(meter_id: int) -> Meter:
    """Lock a meter: whoever changes its days or its imports' counts holds this."""
    return Meter.objects.select_for_update(of=("self",), no_key=True).select_related("site").get(pk=meter_id)


def _finish(import_: Import, state: ImportState, *, now: datetime) -> Import:
    import_.state = state
    import_.finished_at = now
    import_.save()
    return import_


def _fail(import_: Import, problem: str, *, now: datetime) -> Import:
    with transaction.atomic():
        if _locked(import_):
            import_.problem = problem
            _finish(import_, ImportState.FAILED, now=now)
    return import_


def _ask(import_: Import, seen: readers.Guess, *, now: datetime) -> Import:
    """Leave the import waiting for answers, with the first days as they would be read."""
    with transaction.atomic():
        if _locked(import_):
            import_.mapping = _as_dict(seen.mapping)
            import_.questions = [asdict(question) for question in seen.questions]
            import_.warnings = [asdict(notice) for notice in seen.notices]
            import_.preview = preview_of(seen.preview)
            _finish(import_, ImportState.QUESTION, now=now)
    return import_


def _take_in(import_: Import, result: readers.ReadResult, *, now: datetime) -> Import:
    """Merge what was read into the meter's days, in one transaction."""
    incoming = _days_of(result, import_)
    with transaction.atomic():
        if not _locked(import_):
            return import_
        counts = Counts()
        if incoming:
            stored = _stored_days(import_.meter, [day for day, _ in incoming])
            before: list[tuple[date, Day]] = []
            after: list[tuple[date, Day]] = []
            for day, found in incoming:
                had = stored.get(day)
                merged, counted = merge(had, found)
                counts += counted
                if merged is not had:
                    after.append((day, merged))
                    if had is not None:
                        before.append((day, had))
            _write_days(import_.meter, after)
            _remember(import_, before)
        _note(import_, result, incoming, counts)
        import_.turn = _next_turn(import_.meter)
        import_.meter.mapping = import_.mapping
        import_.meter.zone = import_.meter.cut_in
        import_.meter.save(update_fields=["mapping", "zone"])
        _finish(import_, ImportState.DONE, now=now)
        _try_again_alike(import_)
        if counts.new or counts.replaced:
            _assess_again(import_.meter.site, changed_since=min(day for day, _ in after), now=now)
    return import_


def _try_again_alike(import_: Import) -> None:
    """Read files again that wait for an answer this one has given: of thirty files sent at once, one is asked about."""
    done = import_.mapping
    assert done is not None, "it has just been noted"
    shape = ("format", "layout", "time_columns", "value_columns")
    for waiting in Import.objects.filter(meter=import_.meter, state=ImportState.QUESTION):
        asked = {question["code"] for question in waiting.questions}
        if asked <= ANSWERED_FOR_ALL and waiting.mapping and all(waiting.mapping[key] == done[key] for key in shape):
            waiting.state, waiting.mapping, waiting.questions = ImportState.PENDING, None, []
            waiting.attempts, waiting.begun_at = 0, None
            waiting.save(update_fields=["state", "mapping", "questions", "attempts", "begun_at"])
            transaction.on_commit(partial(ask_for, "import_file", waiting.pk))


def _assess_again(site: Site, *, changed_since: date, now: datetime) -> None:
    if site.planes.exists():  # without a plane there is nothing to compare with; the nightly job takes it later
        ask_for_assessment(site, now=now, changed_since=changed_since)


def _days_of(result: readers.ReadResult, import_: Import) -> list[tuple[date, Day]]:
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
    return [(day, Day(minutes, block, flags.get(day, ""), import_.pk, import_.pk)) for day, block in blocks]


def merge(before: Day | None, found: Day) -> tuple[Day, Counts]:
    """Lay a file's day over the stored one: gaps are filled, values that differ replaced.

    Returns the stored day itself when nothing changes. Where the two have different intervals one of them wins whole:
    the one that covers more of the day, and of two that cover the same the finer.
    """
    given = ~np.isnan(found.block)
    number = int(given.sum())
    if before is None:
        return found, Counts(new=number)
    if before.minutes != found.minutes:
        if _worth(found) > _worth(before):
            return found._replace(created_by=before.created_by), Counts(replaced=number)
        return before, Counts(set_aside=number)
    had = ~np.isnan(before.block)
    fills = given & ~had
    differs = given & had & (before.block != found.block)
    new, replaced = int(fills.sum()), int(differs.sum())
    counts = Counts(new=new, replaced=replaced, unchanged=number - new - replaced)
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


def _stored_days(meter: Meter, days: Sequence[date]) -> dict[date, Day]:
    rows = DayReadings.objects.filter(meter=meter, day__range=(min(days), max(days)))
    return {
        day: Day(minutes, unpack(packed), quality, written_by, created_by)
        for day, minutes, packed, quality, written_by, created_by in rows.values_list(
            "day", "interval_minutes", "packed", "quality", "written_by", "created_by"
        )
    }


DAY_COLUMNS = ("interval_minutes", "packed", "quality", "written_by_id")


def _write_days(meter: Meter, days: Iterable[tuple[date, Day]]) -> None:
    columns = (*DAY_COLUMNS, "created_by_id")
    _insert(
        DayReadings,
        ("meter_id", "day", *columns),
        ((meter.pk, day.isoformat(), *_columns(kept), kept.created_by) for day, kept in days),
        "ON CONFLICT (meter_id, day) DO UPDATE SET " + ", ".join(f"{name} = EXCLUDED.{name}" for name in columns),
    )


def _remember(import_: Import, before: Iterable[tuple[date, Day]]) -> None:
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


def _note(import_: Import, result: readers.ReadResult, incoming: Sequence[tuple[date, Day]], counts: Counts) -> None:
    """Put the result in the ledger."""
    _set_counts(import_, counts)
    import_.mapping = _as_dict(result.mapping)
    import_.questions = []
    import_.interval_minutes = result.readings.interval_minutes
    import_.rows_read = result.rows_read
    import_.rows_blank = result.blanks
    import_.rows_duplicate = result.duplicates
    import_.rows_rejected = result.rejected_count
    import_.rejected = [asdict(line) for line in result.rejected]
    import_.warnings = [asdict(notice) for notice in result.notices]
    if counts.set_aside:
        import_.warnings.append(
            {
                "code": "interval_changed",
                "text": f"{counts.set_aside:,} readings were set aside: their days are already held at a finer "
                "interval, or more completely. To use this file instead, undo the import that brought those days.",
            }
        )
    if counts.replaced > max(20, (counts.unchanged + counts.new) // 3):  # nights are zero in both
        import_.warnings.append(
            {
                "code": "replaced_many",
                "text": f"{counts.replaced:,} readings took the place of others of the same time. If this file comes "
                "from another inverter or meter, undo it and send it again under a name of its own (“Another inverter "
                "or meter of this roof”): a roof's meters are added up.",
            }
        )
    import_.first_day = incoming[0][0] if incoming else None
    import_.last_day = incoming[-1][0] if incoming else None
    import_.gaps = [[gap.start.isoformat(), gap.end.isoformat()] for gap in result.gaps]
    import_.lumps = [
        asdict(lump) | {"start": lump.start.isoformat(), "end": lump.end.isoformat()} for lump in result.lumps
    ]
    import_.clock_changes = [moment.isoformat() for moment in result.clock_changes]
    import_.channels = [asdict(channel) for channel in result.channels]
    import_.preview = preview_of(result.readings)


COUNT_FIELDS = ["readings_new", "readings_unchanged", "readings_replaced", "readings_set_aside"]


def _set_counts(import_: Import, counts: Counts) -> None:
    import_.readings_new = counts.new
    import_.readings_unchanged = counts.unchanged
    import_.readings_replaced = counts.replaced
    import_.readings_set_aside = counts.set_aside


def _counts_of(import_: Import) -> Counts:
    return Counts(
        import_.readings_new, import_.readings_unchanged, import_.readings_replaced, import_.readings_set_aside
    )


def _next_turn(meter: Meter) -> int:
    last: int | None = Import.objects.filter(meter=meter).aggregate(last=Max("turn"))["last"]
    return (last or 0) + 1


def preview_of(readings: readers.Readings | None) -> dict[str, Any] | None:
    """Return the first days that hold energy, small enough to keep in the ledger and to draw."""
    if readings is None or readings.energy_wh.empty:
        return None
    energy = readings.energy_wh
    producing = np.flatnonzero(energy.to_numpy() > 0)
    begin = int(producing[0]) if producing.size else 0
    length = PREVIEW_DAYS * 24 * 60 // readings.interval_minutes if readings.interval_minutes < 1440 else 60
    # the whole first day, from the midnight before it: an interval's place in the day is its place on the grid
    first = energy.iloc[max(0, begin - length // PREVIEW_DAYS) :][: length + length // PREVIEW_DAYS]
    return {
        "start": first.index[0].isoformat(),
        "minutes": readings.interval_minutes,
        "energy_wh": [None if value != value else round(float(value), 3) for value in first],
    }


# ---- the same file again ----


def _same_file_read_before(import_: Import) -> Import | None:
    """Find the same file, read the same way for this meter, whose every reading still stands."""
    twin = (
        Import.objects.filter(
            meter=import_.meter, sha256=import_.sha256, state=ImportState.DONE, rows_rejected=0, first_day__isnull=False
        )
        .exclude(pk=import_.pk)
        .order_by("-turn")
        .first()
    )
    if twin is None or (import_.mapping is not None and import_.mapping != twin.mapping):
        return None
    later = DayBefore.objects.filter(changed_by__meter=import_.meter, changed_by__turn__gt=twin.turn)
    if later.filter(day__range=(twin.first_day, twin.last_day)).exists():
        return None
    return twin


def _finish_as_before(import_: Import, twin: Import, *, now: datetime) -> bool:
    """Finish without reading; False when another import has changed those days meanwhile."""
    with transaction.atomic():
        if not _locked(import_):
            return True
        if _same_file_read_before(import_) != twin:
            return False
        for field in (
            "mapping",
            "interval_minutes",
            "rows_read",
            "rows_blank",
            "rows_duplicate",
            "first_day",
            "last_day",
            "gaps",
            "lumps",
            "clock_changes",
            "channels",
            "preview",
        ):
            setattr(import_, field, getattr(twin, field))
        counts = _counts_of(twin)
        _set_counts(
            import_,
            Counts(unchanged=counts.new + counts.unchanged + counts.replaced, set_aside=counts.set_aside),
        )
        import_.warnings = [
            {
                "code": "same_file",
                "text": f"This is the same file as “{twin.filename}” of {twin.uploaded_at:%Y-%m-%d}; all its readings "
                "are here already.",
            },
            *(notice for notice in twin.warnings if notice["code"] != "same_file"),
        ]
        import_.turn = _next_turn(import_.meter)
        _finish(import_, ImportState.DONE, now=now)
    return True


# ---- answers ----


def look_at(*, import_: Import, now: datetime, mapping: readers.Mapping | None = None) -> readers.Guess:
    """Return what an import's file seems to be, or how a mapping reads it, to show before it is read in earnest."""
    return readers.guess(
        Path(import_.original.path), filename=import_.filename, tz=import_.meter.cut_in, now=now, mapping=mapping
    )


def answer_import(*, import_: Import, mapping: readers.Mapping, now: datetime) -> Import:
    """Take somebody's word for how a file is to be read, and read it so."""
    with transaction.atomic():
        current = Import.objects.select_for_update(of=("self",), no_key=True).get(pk=import_.pk)
        if current.state not in (ImportState.QUESTION, ImportState.FAILED):
            raise ImportRefused("This file no longer waits for an answer. Look at its ledger.")
        current.state = ImportState.PENDING
        current.mapping = _as_dict(mapping)
        current.problem = ""
        current.questions = []
        current.attempts = 0
        current.begun_at = None
        current.save()
        transaction.on_commit(partial(ask_for, "import_file", current.pk))
    return current


def read_differently(*, import_: Import, mapping: readers.Mapping, user: User, now: datetime) -> Import:
    """Undo an import and read its original again by another mapping, as a new import."""
    with transaction.atomic():
        if import_.state == ImportState.DONE:
            undo_import(import_=import_, user=user, now=now)
        with import_.original.open("rb") as original:
            return receive_file(
                meter=import_.meter,
                filename=import_.filename,
                file=original,
                uploaded_by=user,
                now=now,
                came_by=CameBy.UPLOAD,
                mapping=mapping,
            )


def mapping_of(kept: dict[str, Any]) -> readers.Mapping:
    return readers.Mapping.from_json(json.dumps(kept))


def _as_dict(mapping: readers.Mapping | None) -> dict[str, Any] | None:
    if mapping is None:
        return None
    kept: dict[str, Any] = json.loads(mapping.to_json())
    return kept


# ---- undo ----


def undo_import(*, import_: Import, user: User | None, now: datetime) -> Import:
    """Ask for an import to be undone: its days return to what they would be without it."""
    with transaction.atomic():
        current = Import.objects.select_for_update(of=("self",), no_key=True).get(pk=import_.pk)
        if current.state != ImportState.DONE:
            raise ImportRefused("Only a file that was read can be undone.")
        current.state = ImportState.UNDOING
        current.undone_by = user
        current.undone_at = now
        current.save(update_fields=["state", "undone_by", "undone_at"])
        transaction.on_commit(partial(ask_for, "import_file", current.pk))
    return current


def roll_back(*, import_id: int, now: datetime) -> Import:
    """Take an import's changes back, and replay later imports of the same days from their originals.

    Originals are read outside the transaction; when another import came in meanwhile, it is read too.
    """
    read: dict[int, list[tuple[date, Day]]] = {}
    while True:
        with transaction.atomic():
            import_ = Import.objects.select_related("meter__site").get(pk=import_id)
            _lock(import_.meter_id)
            import_ = (
                Import.objects.select_for_update(of=("self",), no_key=True)
                .select_related("meter__site")
                .get(pk=import_id)
            )
            if import_.state != ImportState.UNDOING:
                return import_
            later = _later_imports(import_)
            missing = [one for one in later if one.pk not in read]
            if not missing:
                _restore(import_, later, read)
                _forget_mapping(import_)
                import_.state = ImportState.UNDONE
                import_.undone_at = now
                import_.save(update_fields=["state", "undone_at"])
                _assess_again(import_.meter.site, changed_since=date.min, now=now)
                return import_
        for one in missing:
            try:
                # by the clock of then: a reader takes nothing that lies ahead of it
                read[one.pk] = _days_of(_read(one, now=one.finished_at or now), one)
            except (readers.ReadError, OSError) as problem:
                return _leave_standing(import_, one, problem)


def _leave_standing(import_: Import, later: Import, problem: Exception) -> Import:
    with transaction.atomic():
        current = Import.objects.select_for_update(of=("self",), no_key=True).get(pk=import_.pk)
        if current.state == ImportState.UNDOING:
            current.state = ImportState.DONE
            current.warnings.append(
                {
                    "code": "not_undone",
                    "text": f"This could not be undone: “{later.filename}” came later for the same days and can no "
                    f"longer be read ({problem}). Undo that one first.",
                }
            )
            current.save(update_fields=["state", "warnings"])
    return current


def _later_imports(import_: Import) -> list[Import]:
    days = _days_touched(import_)
    if not days:
        return []
    return list(
        Import.objects.filter(
            meter=import_.meter,
            state__in=[ImportState.DONE, ImportState.UNDOING],
            turn__gt=import_.turn,
            first_day__lte=max(days),
            last_day__gte=min(days),
        )
        .select_related("meter__site")
        .order_by("turn")
    )


def _days_touched(import_: Import) -> set[date]:
    """Return the days which an import changed or created."""
    changed = DayBefore.objects.filter(changed_by=import_).values_list("day", flat=True)
    created = DayReadings.objects.filter(meter=import_.meter, created_by=import_).values_list("day", flat=True)
    return {*changed, *created}


def _restore(import_: Import, later: Sequence[Import], read: dict[int, list[tuple[date, Day]]]) -> None:
    """Set the import's days to what they were before it, then lay the later imports over them again."""
    days = _days_touched(import_)
    if not days:
        return
    span = (min(days), max(days))
    stored = _stored_days(import_.meter, list(span))
    held: dict[date, Day | None] = dict.fromkeys(days)
    for row in import_.days_before.all():
        held[row.day] = _before(row)._replace(created_by=stored[row.day].created_by)
    history: dict[date, list[tuple[int, Day]]] = {}
    for row in DayBefore.objects.filter(changed_by__in=later, day__range=span).select_related("changed_by"):
        assert row.changed_by.turn is not None, "merged imports have their turn"
        history.setdefault(row.day, []).append((row.changed_by.turn, _before(row)))

    def held_until_now(turn: int, day: date) -> Day:
        """Return the day as the import of this turn found it, as things were until now."""
        after = [event for event in history.get(day, []) if event[0] >= turn]
        return min(after, key=lambda event: event[0])[1] if after else stored[day]

    for begin in range(0, len(days), 500):
        some = sorted(days)[begin : begin + 500]
        DayBefore.objects.filter(changed_by__in=[import_, *later], day__in=some).delete()
    for one in later:
        assert one.turn is not None, "merged imports have their turn"
        counts = _counts_of(one)
        before: list[tuple[date, Day]] = []
        for day, found in read[one.pk]:
            if day not in days:
                continue
            had = held[day]
            counts -= merge(held_until_now(one.turn, day), found)[1]
            merged, counted = merge(had, found)
            counts += counted
            if merged is not had:
                held[day] = merged
                if had is not None:
                    before.append((day, had))
        _remember(one, before)
        _set_counts(one, counts)
        one.save(update_fields=COUNT_FIELDS)
    _write_days(import_.meter, [(day, kept) for day, kept in held.items() if kept is not None])
    gone = [day for day, kept in held.items() if kept is None]
    for begin in range(0, len(gone), 500):
        DayReadings.objects.filter(meter=import_.meter, day__in=gone[begin : begin + 500]).delete()


def _before(row: DayBefore) -> Day:
    return Day(row.interval_minutes, unpack(row.packed), row.quality, row.written_by_id)


def _forget_mapping(import_: Import) -> None:
    """The meter remembers how the newest import that still stands was read."""
    newest = (
        Import.objects.filter(meter=import_.meter, state=ImportState.DONE)
        .exclude(pk=import_.pk)
        .order_by("-turn")
        .first()
    )
    import_.meter.mapping = newest.mapping if newest else None
    import_.meter.save(update_fields=["mapping"])


# ---- the site's time zone was wrong ----


def ask_for_replay(*, site: Site, now: datetime) -> None:
    """Have a site's days cut anew from the kept originals, after its time zone was corrected."""
    meters = list(Meter.objects.filter(site=site, imports__turn__isnull=False).distinct().values_list("pk", flat=True))
    Meter.objects.filter(pk__in=meters).update(replay_asked_at=now)
    for key in meters:
        transaction.on_commit(partial(ask_for, "replay_meter", key))


def replay_meter(*, meter_id: int, now: datetime) -> None:
    """Read all of a meter's standing imports again, in their order, and lay them over one another from nothing.

    Originals are read outside the transaction; when the imports or the zone have changed meanwhile, it begins again.
    """
    while True:
        meter = Meter.objects.select_related("site").get(pk=meter_id)
        if meter.replay_asked_at is None:
            return
        standing = _standing(meter)
        read: dict[int, list[tuple[date, Day]]] = {}
        for one in standing:
            one.mapping = _following_the_site(one)
            one.meter.zone = meter.site.tz
            try:
                read[one.pk] = _days_of(_read(one, now=one.finished_at or now), one)
            except (readers.ReadError, OSError) as problem:
                one.state, one.problem = ImportState.FAILED, f"Read again in the site's new time zone: {problem}"
                read[one.pk] = []
        with transaction.atomic():
            current = _lock(meter_id)
            if current.site.tz != meter.site.tz or _standing(current) != standing:
                continue
            _lay_anew(meter, standing, read)
            meter.mapping = standing[-1].mapping if standing else None
            meter.zone = meter.site.tz
            meter.replay_asked_at = None
            meter.save(update_fields=["mapping", "zone", "replay_asked_at"])
            _assess_again(meter.site, changed_since=date.min, now=now)
            return


def _standing(meter: Meter) -> list[Import]:
    imports = Import.objects.filter(meter=meter, state__in=[ImportState.DONE, ImportState.UNDOING])
    return list(imports.select_related("meter__site").order_by("turn"))


def _following_the_site(import_: Import) -> dict[str, Any] | None:
    """Return an import's mapping, on the site's new clock where it was read by the site's old one."""
    mapping: dict[str, Any] | None = import_.mapping
    if mapping is None or mapping["clock"]["tz"] != import_.meter.cut_in:
        return mapping
    return mapping | {"clock": mapping["clock"] | {"tz": import_.meter.site.tz}}


def _lay_anew(meter: Meter, standing: Sequence[Import], read: dict[int, list[tuple[date, Day]]]) -> None:
    DayBefore.objects.filter(changed_by__meter=meter).delete()
    DayReadings.objects.filter(meter=meter).delete()
    held: dict[date, Day] = {}
    for one in standing:
        counts = Counts()
        before: list[tuple[date, Day]] = []
        for day, found in read[one.pk]:
            had = held.get(day)
            merged, counted = merge(had, found)
            counts += counted
            if merged is not had:
                held[day] = merged
                if had is not None:
                    before.append((day, had))
        _remember(one, before)
        _set_counts(one, counts)
        changed = [*COUNT_FIELDS, "mapping"]
        if read[one.pk]:
            one.first_day, one.last_day = read[one.pk][0][0], read[one.pk][-1][0]
            changed += ["first_day", "last_day"]
        if one.state == ImportState.FAILED:
            changed += ["state", "problem"]
        one.save(update_fields=changed)
    _write_days(meter, held.items())
