"""Rain gauges: a town's daily rain, where a business has it."""

from __future__ import annotations

import pandas as pd
from django.contrib.auth.models import AnonymousUser
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q

from portal.models.people import Business, User
from portal.models.site import Site
from portal.pv.town import TOWN_KM, kilometres


class RainGaugeQuerySet(models.QuerySet["RainGauge"]):
    def visible_to(self, user: User | AnonymousUser) -> RainGaugeQuerySet:
        return self.filter(business__in=Business.objects.managed_by(user))

    def nearest(self, site: Site) -> RainGauge | None:
        """The business's gauge nearest to the site, within ``TOWN_KM``."""
        near = [(gauge.km_from(site), gauge) for gauge in self.filter(business=site.customer.business)]
        within = [(km, gauge.pk, gauge) for km, gauge in near if km <= TOWN_KM]
        return min(within)[2] if within else None


class RainGauge(models.Model):
    """Where a daily rain series comes from."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="rain_gauges")
    name = models.CharField("town or gauge", max_length=80)
    latitude = models.FloatField(
        validators=[
            MinValueValidator(-90, "Latitude lies between −90 and 90."),
            MaxValueValidator(90, "Latitude lies between −90 and 90."),
        ]
    )
    longitude = models.FloatField(
        validators=[
            MinValueValidator(-180, "Longitude lies between −180 and 180."),
            MaxValueValidator(180, "Longitude lies between −180 and 180."),
        ]
    )

    objects = RainGaugeQuerySet.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["business", "name"], name="gauge_name_once_a_business"),
            models.CheckConstraint(
                condition=Q(latitude__gte=-90, latitude__lte=90, longitude__gte=-180, longitude__lte=180),
                name="gauge_on_earth",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def km_from(self, site: Site) -> float:
        """Distance as the crow flies."""
        return kilometres(self.latitude, self.longitude, site.latitude, site.longitude)

    def rain_mm(self) -> pd.Series[float]:
        """Daily rain [mm] by local date."""
        days = list(self.days.order_by("day").values_list("day", "rain_mm"))
        return pd.Series([mm for _, mm in days], index=pd.Index([day for day, _ in days], dtype=object), dtype=float)


class DayRain(models.Model):
    """One gauge, one day."""

    gauge = models.ForeignKey(RainGauge, models.CASCADE, related_name="days")
    day = models.DateField()
    rain_mm = models.FloatField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["gauge", "day"], name="rain_once_a_day")]

    def __str__(self) -> str:
        return f"{self.day}: {self.rain_mm} mm"
