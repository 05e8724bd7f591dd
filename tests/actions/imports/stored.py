"""What is stored of a meter, in figures a test can compare."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np

from portal.actions.imports.asked import undo_import
from portal.actions.imports.days import Counts
from portal.actions.imports.undo import roll_back
from portal.models import DayReadings, Import, Meter
from tests.actions.exports import Rows
from tests.factories import NOW


def stored(meter: Meter) -> dict[datetime, float]:
    """Every stored reading [Wh] by its instant."""
    energy, _ = DayReadings.objects.filter(meter=meter).site_energy_wh(meter.site)
    return {moment.to_pydatetime(): float(value) for moment, value in energy.dropna().items()}  # type: ignore[attr-defined]


def in_wh(rows: Rows) -> dict[datetime, float]:
    return {
        moment.astimezone(UTC): float(np.float32(round(energy * 1000, 6)))
        for moment, energy in rows
        if energy is not None
    }


def counts(import_: Import) -> Counts:
    return Counts(
        import_.readings_new, import_.readings_unchanged, import_.readings_replaced, import_.readings_set_aside
    )


def state_of(meter: Meter) -> list[tuple[date, int, bytes]]:
    rows = DayReadings.objects.filter(meter=meter).order_by("day").values_list("day", "interval_minutes", "packed")
    return [(day, minutes, bytes(packed)) for day, minutes, packed in rows]


def undone(import_: Import) -> Import:
    undo_import(import_=import_, user=None, now=NOW)
    return roll_back(import_id=import_.pk, now=NOW)
