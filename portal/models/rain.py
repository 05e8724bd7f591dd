"""Rain gauges: a place's daily rain. Rain is nobody's: a gauge speaks for every roof within reach, of every firm."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pandas as pd
from django.contrib.auth.models import AnonymousUser
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from portal.models.people import Business, User
from portal.models.site import Site
from portal.pv.town import TOWN_DEGREES, TOWN_KM, kilometres


class RainGaugeQuerySet(models.QuerySet["RainGauge"]):
    def visible_to(self, user: User | AnonymousUser) -> RainGaugeQuerySet:
        """Gauges of the businesses the user runs, and for who runs one those of whoever runs the portal.

        Another firm's gauges speak for a roof too, but their names and places are not shown: they tell of its towns.
        """
        managed = Business.objects.managed_by(user)
        if not managed.exists():
            return self.none()
        return self.filter(Q(business__in=managed) | Q(business=None))

    def nearest(self, site: Site) -> RainGauge | None:
        """The gauge nearest to the site, within ``TOWN_KM``.

        One of its own firm or of the portal goes before any other firm's, so that no firm can talk over another's rain.
        """
        return nearest_gauge(self.within_reach([site]), site)

    def within_reach(self, sites: Sequence[Site]) -> RainGaugeQuerySet:
        """Gauges that may be within ``TOWN_KM`` of any of the sites, by their latitude."""
        latitudes = [site.latitude for site in sites if site.latitude is not None]
        if not latitudes:
            return self.none()
        return self.filter(latitude__range=(min(latitudes) - TOWN_DEGREES, max(latitudes) + TOWN_DEGREES))


def nearest_gauge(gauges: Iterable[RainGauge], site: Site) -> RainGauge | None:
    """The nearest of these within ``TOWN_KM``; one of the site's firm or of the portal before any other firm's."""
    own = (None, site.customer.business_id)
    found = [(gauge.business_id not in own, gauge.km_from(site), gauge.pk, gauge) for gauge in gauges]
    within = [one for one in found if one[1] is not None and one[1] <= TOWN_KM]
    return min(within)[3] if within else None


class RainGauge(models.Model):
    """Where a daily rain series comes from."""

    business = models.ForeignKey(
        Business,
        models.CASCADE,
        null=True,
        blank=True,
        related_name="rain_gauges",
        help_text="Who brought it; nobody's where it belongs to whoever runs the portal.",
    )
    name = models.CharField(gettext_lazy("town or gauge"), max_length=80)
    latitude = models.FloatField(
        validators=[
            MinValueValidator(-90, gettext_lazy("Latitude lies between −90 and 90.")),
            MaxValueValidator(90, gettext_lazy("Latitude lies between −90 and 90.")),
        ]
    )
    longitude = models.FloatField(
        validators=[
            MinValueValidator(-180, gettext_lazy("Longitude lies between −180 and 180.")),
            MaxValueValidator(180, gettext_lazy("Longitude lies between −180 and 180.")),
        ]
    )

    station = models.CharField(gettext_lazy("station's number"), max_length=11, blank=True)
    asked_at = models.DateTimeField(null=True, editable=False, help_text="When its station's file was last asked for.")
    etag = models.CharField(max_length=200, blank=True, editable=False)
    last_modified = models.CharField(max_length=80, blank=True, editable=False)
    problem = models.CharField(max_length=500, blank=True, editable=False, help_text="Why the last try failed.")

    objects = RainGaugeQuerySet.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["business", "name"], name="gauge_name_once_a_business"),
            models.UniqueConstraint(fields=["station"], condition=Q(business=None), name="station_once_of_the_portal"),
            models.CheckConstraint(
                condition=Q(latitude__gte=-90, latitude__lte=90, longitude__gte=-180, longitude__lte=180),
                name="gauge_on_earth",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def km_from(self, site: Site) -> float | None:
        """Distance as the crow flies; None where nobody knows the site's place."""
        return None if site.place is None else kilometres(self.latitude, self.longitude, *site.place)

    def called_for(self, site: Site) -> str:
        """What the gauge is called where a roof's people read it: another firm's name for it stays with that firm."""
        if self.business_id in (None, site.customer.business_id):
            return self.name
        return _("a gauge {km:.0f} km away").format(km=self.km_from(site))

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
