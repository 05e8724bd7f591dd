"""Bring in a town's daily rain."""

from __future__ import annotations

from datetime import date

from django.db import transaction

from portal.models import Business, DayRain, RainGauge


def record_rain(
    *, business: Business, name: str, latitude: float, longitude: float, rain_mm: dict[date, float]
) -> RainGauge:
    """Keep a gauge's days; days sent again are replaced, others stay. The next night's assessment uses them."""
    with transaction.atomic():
        gauge, _ = RainGauge.objects.update_or_create(
            business=business, name=name, defaults={"latitude": latitude, "longitude": longitude}
        )
        DayRain.objects.bulk_create(
            [DayRain(gauge=gauge, day=day, rain_mm=mm) for day, mm in sorted(rain_mm.items())],
            update_conflicts=True,
            unique_fields=["gauge", "day"],
            update_fields=["rain_mm"],
            batch_size=500,
        )
    return gauge
