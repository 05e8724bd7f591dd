"""The worker reads a waiting file into its meter's days, or finds what somebody must be asked first.

Reading happens outside the transaction, which is short: it locks the meter, looks whether this is still the newest
attempt, and writes days, what they were before, and the ledger together. A killed worker therefore leaves the row as
it was, and the next poll begins again.
"""

from __future__ import annotations

import logging
from dataclasses import asdict, replace
from datetime import date, datetime
from functools import partial

from django.db import transaction
from django.utils.translation import gettext_noop

from portal import readers
from portal.actions.imports.against import against_memory, against_sun
from portal.actions.imports.days import (
    Counts,
    Day,
    assess_again,
    days_of,
    lay_over,
    remember,
    stored_days,
    write_days,
)
from portal.actions.imports.kept import kept_mapping, preview_of, seen_of
from portal.actions.imports.ledger import (
    counts_of,
    end_import,
    locked,
    next_turn,
    note_result,
    set_counts,
    zeros_question,
)
from portal.actions.imports.original import READ_ATTEMPTS, STUMBLED, against_site, read_original
from portal.actions.jobs import ask_for
from portal.models import DayBefore, Drawing, Import, ImportState

log = logging.getLogger(__name__)

ANSWERED_FOR_ALL = {"date_order", "decimal", "kind", "unit", "label", "export"}
"""What is true of one file is true of others built alike; whether figures may be right is asked file by file."""


def read_import(*, import_id: int, now: datetime) -> Import:
    """Read a waiting import into its meter's days. Safe to run twice, at once, or after a worker died in it."""
    import_ = _begin(import_id, now=now)
    if import_.state != ImportState.PENDING:
        return import_
    if (twin := _same_file_read_before(import_)) and _finish_as_before(import_, twin, now=now):
        return import_
    try:
        found = _read_or_ask(import_, now=now)
    except readers.MisreadError as problem:
        return _fail(import_, str(problem), now=now, seen=problem.seen, why=problem)
    except readers.ReadError as problem:
        return _fail(import_, str(problem), now=now, why=problem)
    except Exception:
        log.exception("import %d tripped the reader", import_.pk)
        return _fail(import_, STUMBLED, now=now)
    import_.rejected, import_.rows_rejected = [], 0
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
        if import_.attempts >= READ_ATTEMPTS:
            import_.state = ImportState.FAILED
            import_.problem = gettext_noop(
                "Reading this file stopped the reader {max_attempts} times; it may be far too large or "
                "damaged. Nothing was changed. Split it by year, or export it again, and send that."
            ).format(max_attempts=READ_ATTEMPTS)
            import_.finished_at = now
        else:
            import_.attempts += 1
            import_.begun_at = now
        import_.save(update_fields=["state", "problem", "finished_at", "attempts", "begun_at"])
    return import_


def _read_or_ask(import_: Import, *, now: datetime) -> readers.ReadResult | readers.Guess:
    """Read the original; where somebody has to be asked first, return what to show them."""
    try:
        result = read_original(import_, now=now)
    except readers.UndecidedError as doubt:
        return replace(doubt.seen, questions=doubt.questions)
    size, notices = against_site(result, import_.meter.site)
    result = replace(result, notices=(*result.notices, *notices, *against_sun(result, import_.meter.site)))
    questions = tuple(question for question in (against_memory(result, import_), size) if question)
    return _as_guess(result, questions) if questions else result


def _as_guess(result: readers.ReadResult, questions: tuple[readers.Question, ...]) -> readers.Guess:
    return readers.Guess(
        mapping=result.mapping,
        preview=result.readings,
        questions=questions,
        notices=result.notices,
        columns=result.columns,
        sample=result.sample,
        measures=result.measures,
    )


def _fail(
    import_: Import,
    problem: str,
    *,
    now: datetime,
    seen: readers.Guess | None = None,
    why: readers.ReadError | None = None,
) -> Import:
    with transaction.atomic():
        if locked(import_):
            if seen is not None:  # a table all the same: with other columns chosen it may give readings
                import_.mapping = kept_mapping(seen.mapping)
                _keep_seen(import_, seen)
            import_.problem = problem
            if why is not None:
                import_.rejected = [asdict(line) for line in why.rejected]
                import_.rows_rejected = why.rejected_count
            end_import(import_, ImportState.FAILED, now=now)
    return import_


def _ask(import_: Import, seen: readers.Guess, *, now: datetime) -> Import:
    """Leave the import waiting for answers, with the first days as they would be read."""
    with transaction.atomic():
        if locked(import_):
            import_.mapping = kept_mapping(seen.mapping)
            import_.questions = [asdict(question) for question in seen.questions]
            import_.warnings = [asdict(notice) for notice in seen.notices]
            import_.preview = preview_of(seen.preview)
            _keep_seen(import_, seen)
            end_import(import_, ImportState.QUESTION, now=now)
    return import_


def _take_in(import_: Import, result: readers.ReadResult, *, now: datetime) -> Import:
    """Merge what was read into the meter's days, in one transaction."""
    incoming = days_of(result, import_)
    with transaction.atomic():
        if not locked(import_):
            return import_
        counts = Counts()
        if incoming:
            stored = stored_days(import_.meter, [day for day, _ in incoming])
            before: list[tuple[date, Day]] = []
            after: list[tuple[date, Day]] = []
            kept_first = date.max
            for day, found in incoming:
                had = stored.get(day)
                counted = lay_over(stored, day, found, before)
                counts += counted
                kept_first = min(kept_first, day) if counted.kept else kept_first
                if stored[day] is not had:
                    after.append((day, stored[day]))
            if counts.kept and "zeros keep" not in result.mapping.accepted:
                return _ask(import_, _as_guess(result, (zeros_question(kept_first, counts),)), now=now)
            write_days(import_.meter, after)
            remember(import_, before)
        note_result(import_, result, incoming, counts)
        _keep_seen(import_, result)
        import_.turn = next_turn(import_.meter)
        import_.meter.mapping = import_.mapping
        import_.meter.zone = import_.meter.cut_in
        import_.meter.save(update_fields=["mapping", "zone"])
        end_import(import_, ImportState.DONE, now=now)
        _try_again_alike(import_, now=now)
        if counts.new or counts.replaced:
            assess_again(import_.meter.site, changed_since=min(day for day, _ in after), now=now)
    return import_


def _keep_seen(import_: Import, found: readers.Guess | readers.ReadResult) -> None:
    """Keep what the page that asks needs. What the columns measure is found in guessing only, so it is handed on."""
    before = [import_.seen] if import_.seen else []
    import_.seen = seen = seen_of(found)
    if seen["measures"]:
        return
    of_meter = Import.objects.filter(meter=import_.meter, seen__isnull=False).exclude(pk=import_.pk).order_by("-pk")
    before += of_meter.values_list("seen", flat=True)[:1]
    for known in before:
        if known["columns"] == seen["columns"]:
            seen["measures"] = known["measures"]
            return


def _try_again_alike(import_: Import, *, now: datetime) -> None:
    """Read files again that wait for an answer this one has given: of thirty files sent at once, one is asked about."""
    done = import_.mapping
    assert done is not None, "it has just been noted"
    shape = ("format", "layout", "time_columns", "value_columns")
    for waiting in Import.objects.filter(meter=import_.meter, state=ImportState.QUESTION):
        asked = {question["code"] for question in waiting.questions}
        if "date_order" in asked and not done["date_order"]:
            continue
        if asked <= ANSWERED_FOR_ALL and waiting.mapping and all(waiting.mapping[key] == done[key] for key in shape):
            waiting.state, waiting.mapping, waiting.questions = ImportState.PENDING, None, []
            waiting.attempts, waiting.begun_at, waiting.asked_at = 0, None, now
            waiting.save(update_fields=["state", "mapping", "questions", "attempts", "begun_at", "asked_at"])
            Drawing.objects.filter(of=waiting).delete()
            transaction.on_commit(partial(ask_for, "import_file", waiting.pk))


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
        if not locked(import_):
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
            "seen",
        ):
            setattr(import_, field, getattr(twin, field))
        counts = counts_of(twin)
        set_counts(
            import_,
            Counts(unchanged=counts.new + counts.unchanged + counts.replaced, set_aside=counts.set_aside),
        )
        import_.warnings = [
            {
                "code": "same_file",
                "text": gettext_noop(
                    "This is the same file as “{filename}” of {uploaded_at:%Y-%m-%d}; all its readings are "
                    "here already."
                ).format(filename=twin.filename, uploaded_at=twin.uploaded_at),
            },
            *(notice for notice in twin.warnings if notice["code"] != "same_file"),
        ]
        import_.turn = next_turn(import_.meter)
        end_import(import_, ImportState.DONE, now=now)
    return True
