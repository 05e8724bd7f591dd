"""The ledger's row: locked while it changes, and filled with what reading a file did."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date, datetime

from django.db.models import Max
from django.utils.translation import gettext_noop

from portal import readers
from portal.actions.imports.days import Counts, Day
from portal.actions.imports.kept import kept_mapping, preview_of
from portal.models import Import, ImportState, Meter

MANY_REPLACED = 20
"""Readings below which it is not worth a word that a file replaced others. No source."""


def locked(import_: Import) -> Import | None:
    """Lock the meter and the import; None when another worker has finished it or begun it anew, or the zone changed."""
    meter = lock_meter(import_.meter_id)
    current = Import.objects.select_for_update(of=("self",), no_key=True).get(pk=import_.pk)
    same = (current.state, current.attempts, current.mapping) == (import_.state, import_.attempts, import_.mapping)
    return import_ if same and meter.cut_in == import_.meter.cut_in else None


def lock_meter(meter_id: int) -> Meter:
    """Lock a meter: whoever changes its days or its imports' counts holds this."""
    return Meter.objects.select_for_update(of=("self",), no_key=True).select_related("site").get(pk=meter_id)


def end_import(import_: Import, state: ImportState, *, now: datetime) -> Import:
    import_.state = state
    import_.finished_at = now
    import_.save()
    return import_


def note_result(
    import_: Import, result: readers.ReadResult, incoming: Sequence[tuple[date, Day]], counts: Counts
) -> None:
    """Put the result in the ledger."""
    set_counts(import_, counts)
    import_.mapping = kept_mapping(result.mapping)
    import_.questions = []
    import_.interval_minutes = result.readings.interval_minutes
    import_.rows_read = result.rows_read
    import_.rows_blank = result.blanks
    import_.rows_duplicate = result.duplicates
    import_.rows_rejected = result.rejected_count
    import_.rejected = [asdict(line) for line in result.rejected]
    import_.warnings = [asdict(notice) for notice in result.notices]
    if counts.kept:
        import_.warnings.append(
            {
                "code": "production_kept",
                "text": gettext_noop(
                    "{kept:,} readings that would have wiped production of other files were left out."
                ).format(kept=counts.kept),
            }
        )
    if counts.set_aside:
        import_.warnings.append(
            {
                "code": "interval_changed",
                "text": gettext_noop(
                    "{set_aside:,} readings were set aside: their days are already held at a finer interval, "
                    "or more completely. To use this file instead, undo the import that brought those days."
                ).format(set_aside=counts.set_aside),
            }
        )
    if counts.replaced > max(MANY_REPLACED, (counts.unchanged + counts.new) // 3):  # nights are zero in both
        import_.warnings.append(
            {
                "code": "replaced_many",
                "text": gettext_noop(
                    "{replaced:,} readings took the place of others of the same time. If this file comes "
                    "from another inverter or meter, undo it and send it again under a name of its own "
                    "(“Another inverter or meter of this roof”): a roof's meters are added up."
                ).format(replaced=counts.replaced),
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


def set_counts(import_: Import, counts: Counts) -> None:
    import_.readings_new = counts.new
    import_.readings_unchanged = counts.unchanged
    import_.readings_replaced = counts.replaced
    import_.readings_set_aside = counts.set_aside + counts.kept


def counts_of(import_: Import) -> Counts:
    return Counts(
        import_.readings_new, import_.readings_unchanged, import_.readings_replaced, import_.readings_set_aside
    )


def zeros_question(first: date, counts: Counts) -> readers.Question:
    """Ask about figures that would wipe production."""
    return readers.Question(
        "zeros",
        gettext_noop(
            "{kept:,} readings of this file are zero, one figure for hours, or less than whole, "
            "where other files have production; the first on {first:%-d %B %Y}. Exports of a month "
            "that is not over often hold zeros to its end."
        ).format(kept=counts.kept, first=first),
        (
            readers.Choice("keep", gettext_noop("Keep the production that is stored, and take in everything else")),
            readers.Choice("accept", gettext_noop("This file is right: the panels made no more")),
        ),
        required=True,
    )


def next_turn(meter: Meter) -> int:
    last: int | None = Import.objects.filter(meter=meter).aggregate(last=Max("turn"))["last"]
    return (last or 0) + 1
