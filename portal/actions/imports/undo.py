"""Taking an import back: its days become what they would be without it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from django.db import transaction
from django.utils.translation import gettext as _

from portal import readers
from portal.actions.imports.days import Day, assess_again, days_of, lay_over, merge, remember, stored_days, write_days
from portal.actions.imports.ledger import COUNT_FIELDS, counts_of, lock_meter, set_counts
from portal.actions.imports.original import read_original
from portal.models import DayBefore, DayReadings, Import, ImportState, unpack


def roll_back(*, import_id: int, now: datetime) -> Import:
    """Take an import's changes back, and replay later imports of the same days from their originals.

    Originals are read outside the transaction; when another import came in meanwhile, it is read too.
    """
    read: dict[int, list[tuple[date, Day]]] = {}
    while True:
        with transaction.atomic():
            import_ = Import.objects.select_related("meter__site").get(pk=import_id)
            lock_meter(import_.meter_id)
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
                assess_again(import_.meter.site, changed_since=date.min, now=now)
                return import_
        for one in missing:
            try:
                # by the clock of then: a reader takes nothing that lies ahead of it
                read[one.pk] = days_of(read_original(one, now=one.finished_at or now), one)
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
                    "text": _(
                        "This could not be undone: “{filename}” came later for the same days and can no longer "
                        "be read ({problem}). Undo that one first."
                    ).format(filename=later.filename, problem=problem),
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
    stored = stored_days(import_.meter, list(span))
    held: dict[date, Day] = {}
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
        counts = counts_of(one)
        before: list[tuple[date, Day]] = []
        for day, found in read[one.pk]:
            if day not in days:
                continue
            counts -= merge(held_until_now(one.turn, day), found)[1]
            counts += lay_over(held, day, found, before)
        remember(one, before)
        set_counts(one, counts)
        one.save(update_fields=COUNT_FIELDS)
    write_days(import_.meter, held.items())
    gone = [day for day in days if day not in held]
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
