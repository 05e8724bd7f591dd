"""A time zone or a clock was wrong: all of a meter's days are cut anew from the kept originals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext_noop

from portal import readers
from portal.actions.imports.against import against_sun
from portal.actions.imports.days import Counts, Day, assess_again, days_of, lay_over, remember, write_days
from portal.actions.imports.kept import preview_of
from portal.actions.imports.ledger import COUNT_FIELDS, lock_meter, set_counts
from portal.actions.imports.original import read_original
from portal.models import DayBefore, DayReadings, Import, ImportState, Meter


def replay_meter(*, meter_id: int, now: datetime) -> None:
    """Read all of a meter's standing imports again, in their order, and lay them over one another from nothing.

    Originals are read outside the transaction; when the imports or the zone have changed meanwhile, it begins again.
    """
    while True:
        meter = Meter.objects.select_related("site").get(pk=meter_id)
        if meter.replay_asked_at is None:
            return
        standing = _standing(meter)
        told = [(one.pk, one.mapping) for one in standing]
        read: dict[int, list[tuple[date, Day]]] = {}
        for one in standing:
            one.mapping = _following_the_site(one)
            one.meter.zone = meter.site.tz
            try:
                result = read_original(one, now=one.finished_at or now)
                read[one.pk] = days_of(result, one)
                one.preview = preview_of(result.readings)
                one.warnings = [known for known in one.warnings if known["code"] != "sun_shift"]
                one.warnings += [asdict(notice) for notice in against_sun(result, meter.site)]
            except (readers.ReadError, OSError) as problem:
                one.state, one.problem = (
                    ImportState.FAILED,
                    gettext_noop("Read again by another clock: {problem}").format(problem=problem),
                )
                read[one.pk] = []
        with transaction.atomic():
            current = lock_meter(meter_id)
            if current.site.tz != meter.site.tz or [(one.pk, one.mapping) for one in _standing(current)] != told:
                continue
            _lay_anew(meter, standing, read)
            meter.mapping = standing[-1].mapping if standing else None
            meter.zone = meter.site.tz
            meter.replay_asked_at = None
            meter.save(update_fields=["mapping", "zone", "replay_asked_at"])
            assess_again(meter.site, changed_since=date.min, now=now)
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
            counts += lay_over(held, day, found, before)
        remember(one, before)
        set_counts(one, counts)
        changed = [*COUNT_FIELDS, "mapping", "preview", "warnings"]
        if read[one.pk]:
            one.first_day, one.last_day = read[one.pk][0][0], read[one.pk][-1][0]
            changed += ["first_day", "last_day"]
        if one.state == ImportState.FAILED:
            changed += ["state", "problem"]
        one.save(update_fields=changed)
    write_days(meter, held.items())
