"""Bring in a place's daily rain. A gauge speaks for every roof within reach, whoever brought it."""

from __future__ import annotations

from datetime import date

from django.db import transaction

from portal.models import Business, DayRain, RainGauge

KEPT_YEARS = 25
"""Older days are left out: no roof here has readings of them. Common practice, no source."""


def record_rain(
    *,
    business: Business | None,
    name: str,
    latitude: float,
    longitude: float,
    rain_mm: dict[date, float],
    station: str = "",
) -> RainGauge:
    """Keep a gauge's days; days sent again are replaced, others stay. The next night's assessment uses them.

    Without a business it is the gauge of whoever runs the portal, known by its station.
    """
    known = {"business": business, "name": name[:80]} if business else {"business": None, "station": station}
    facts = {"latitude": latitude, "longitude": longitude, "station": station, "name": name[:80]}
    with transaction.atomic():
        gauge, _ = RainGauge.objects.update_or_create(**known, defaults=facts)
        keep_days(gauge=gauge, rain_mm=rain_mm)
    return gauge


def keep_days(*, gauge: RainGauge, rain_mm: dict[date, float]) -> int:
    """Write the days that differ from those held. Returns how many."""
    since = max(rain_mm, default=date.min).year - KEPT_YEARS
    held = dict(gauge.days.values_list("day", "rain_mm"))
    fresh = [(day, mm) for day, mm in sorted(rain_mm.items()) if day.year > since and held.get(day) != mm]
    DayRain.objects.bulk_create(
        [DayRain(gauge=gauge, day=day, rain_mm=mm) for day, mm in fresh],
        update_conflicts=True,
        unique_fields=["gauge", "day"],
        update_fields=["rain_mm"],
        batch_size=500,
    )
    return len(fresh)
