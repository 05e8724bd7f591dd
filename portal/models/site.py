"""Sites: a roof with its planes, inverter, tariff, and what a technician must know to get up there."""

from __future__ import annotations

from collections.abc import Collection
from decimal import Decimal

from django.contrib.auth.models import AnonymousUser
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q, QuerySet
from django.utils.translation import gettext_lazy

from portal.models.people import Business, Customer, Role, User, validate_zone
from portal.pv.array import Array
from portal.pv.array import Plane as PvPlane
from portal.pv.recommend import Fact
from portal.pv.standing_wish import Rhythm
from portal.words.advice import FACT_WORDS
from portal.words.standing_wish import RHYTHMS


class SiteQuerySet(models.QuerySet["Site"]):
    def visible_to(self, user: User | AnonymousUser) -> SiteQuerySet:
        """Sites of the businesses the user runs, sites a technician has a visit at, and the user's own roofs."""
        if not user.is_authenticated:
            return self.none()
        to_visit = Site.objects.filter(
            visits__technicians=user,
            customer__business__memberships__user=user,
            customer__business__memberships__role=Role.TECHNICIAN,
        ).values("pk")
        return self.filter(
            Q(customer__business__in=Business.objects.managed_by(user)) | Q(pk__in=to_visit) | Q(customer__user=user)
        )

    def managed_by(self, user: User | AnonymousUser) -> SiteQuerySet:
        """Sites whose facts the user may change: owner and office."""
        return self.filter(customer__business__in=Business.objects.managed_by(user))

    def owned_by(self, user: User | AnonymousUser) -> SiteQuerySet:
        """The user's own roofs."""
        return self.filter(customer__user=user) if user.is_authenticated else self.none()

    def assessable(self) -> SiteQuerySet:
        """Sites of which all is known that an estimate needs: place, inverter, and a plane."""
        return self.filter(planes__isnull=False, latitude__isnull=False, ac_kw__isnull=False).distinct()

    def with_firms(self) -> SiteQuerySet:
        """Each with its customer and firm, of which an office's many roofs have few: those are read once."""
        return self.select_related("customer").prefetch_related("customer__business")

    def fed_by(self, user: User | AnonymousUser) -> SiteQuerySet:
        """Sites whose readings the user may bring in: owner, office, and the homeowner."""
        if not user.is_authenticated:
            return self.none()
        return self.filter(Q(customer__business__in=Business.objects.managed_by(user)) | Q(customer__user=user))


def keys_of(sites: Collection[Site] | SiteQuerySet) -> QuerySet[Site, int] | list[int]:
    """To ask for rows of these sites: of a queryset a query, where a thousand keys would be spelled out each time.

    Rows of a site that came since it was read are among the answer.
    """
    if isinstance(sites, SiteQuerySet) and not sites.query.is_sliced:
        return sites.order_by().values_list("pk", flat=True)
    return [site.pk for site in sites]


class Site(models.Model):
    """A roof with a PV system."""

    customer = models.ForeignKey(Customer, models.CASCADE, related_name="sites")
    name = models.CharField(max_length=120, help_text=gettext_lazy("How the customer calls it: Home, Barn, Shop."))
    address = models.CharField(max_length=250, blank=True)
    latitude = models.FloatField(
        null=True,
        blank=True,
        validators=[
            MinValueValidator(-90, gettext_lazy("Latitude lies between −90 and 90.")),
            MaxValueValidator(90, gettext_lazy("Latitude lies between −90 and 90.")),
        ],
    )
    longitude = models.FloatField(
        null=True,
        blank=True,
        validators=[
            MinValueValidator(-180, gettext_lazy("Longitude lies between −180 and 180.")),
            MaxValueValidator(180, gettext_lazy("Longitude lies between −180 and 180.")),
        ],
    )
    tz = models.CharField(gettext_lazy("time zone"), max_length=64, validators=[validate_zone])
    ac_kw = models.FloatField(
        gettext_lazy("inverter AC size [kW]"),
        null=True,
        blank=True,
        validators=[MinValueValidator(0.05, gettext_lazy("The inverter's AC size must be above 0 kW."))],
    )
    installed_on = models.DateField(null=True, blank=True)
    installer = models.CharField(max_length=120, blank=True)
    price_per_kwh = models.DecimalField(
        gettext_lazy("value of a kWh"),
        max_digits=8,
        decimal_places=4,
        default=Decimal("0.25"),
        validators=[MinValueValidator(Decimal("0"))],
    )

    # the roof, for the visit
    storeys = models.PositiveSmallIntegerField(default=1, validators=[MinValueValidator(1), MaxValueValidator(10)])
    roof_pitch = models.PositiveSmallIntegerField(
        gettext_lazy("roof pitch [degrees]"), null=True, blank=True, validators=[MaxValueValidator(90)]
    )
    roof_covering = models.CharField(max_length=60, blank=True)
    anchor_points = models.CharField(max_length=120, blank=True)
    access_notes = models.TextField(gettext_lazy("access and gate"), blank=True)
    ladder_spot = models.CharField(gettext_lazy("parking and ladder spot"), max_length=200, blank=True)
    tap_place = models.CharField(gettext_lazy("where the tap is"), max_length=200, blank=True)
    hose = models.CharField(gettext_lazy("whose hose is on it"), max_length=120, blank=True)
    water_pressure = models.CharField(max_length=60, blank=True)
    supply_hardness_ppm = models.PositiveIntegerField(gettext_lazy("supply hardness [ppm]"), null=True, blank=True)
    notes = models.TextField(blank=True)

    wash_rhythm = models.CharField(
        max_length=8,
        blank=True,
        choices=[(one.value, RHYTHMS[one]) for one in Rhythm],
        help_text="How often its owner wants a wash; empty: they leave it to the readings.",
    )
    wash_rhythm_since = models.DateField(null=True, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    cell = models.BigIntegerField(
        null=True,
        editable=False,
        db_index=True,
        help_text="Roofs under one sky that are assessed in one go share this number; not yet known when empty.",
    )

    objects = SiteQuerySet.as_manager()

    class Meta:
        ordering = ["customer__name", "name", "pk"]
        constraints = [
            models.CheckConstraint(condition=Q(latitude__gte=-90, latitude__lte=90), name="site_latitude"),
            models.CheckConstraint(condition=Q(longitude__gte=-180, longitude__lte=180), name="site_longitude"),
            models.CheckConstraint(condition=Q(ac_kw__gt=0), name="site_ac_kw"),
            models.CheckConstraint(
                condition=Q(wash_rhythm="", wash_rhythm_since=None)
                | (~Q(wash_rhythm="") & Q(wash_rhythm_since__isnull=False)),
                name="wash_rhythm_says_since_when",
            ),
            models.CheckConstraint(
                condition=Q(latitude=None, longitude=None) | Q(latitude__isnull=False, longitude__isnull=False),
                name="site_place_whole",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.customer.name} · {self.name}"

    @property
    def module_count(self) -> int:
        return sum(plane.module_count for plane in self.planes.all())

    @property
    def dc_kw(self) -> float:
        return sum(plane.dc_kw for plane in self.planes.all())

    @property
    def place(self) -> tuple[float, float] | None:
        """Latitude and longitude [degrees]; None while nobody said where it is."""
        if self.latitude is None or self.longitude is None:
            return None
        return self.latitude, self.longitude

    @property
    def lacks(self) -> list[str]:
        """What an estimate still needs of the roof's facts, in words."""
        return [str(FACT_WORDS[fact]) for fact in self.missing_facts(planes=bool(self.planes.all()))]

    def missing_facts(self, *, planes: bool) -> tuple[Fact, ...]:
        """What an estimate still needs, where it is known whether there are planes."""
        needed = ((self.place, Fact.PLACE), (self.ac_kw, Fact.INVERTER), (planes or None, Fact.PLANES))
        return tuple(fact for known, fact in needed if known is None)

    def array(self) -> Array | None:
        """The site as the computation sees it, or None while a fact that it needs is missing."""
        planes = tuple(PvPlane(p.tilt, p.azimuth, p.dc_kw) for p in self.planes.all())
        if not planes or self.latitude is None or self.longitude is None or self.ac_kw is None:
            return None
        return Array(self.latitude, self.longitude, self.tz, planes, self.ac_kw, self.installed_on)


class Plane(models.Model):
    """One roof plane of modules."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="planes")
    name = models.CharField(max_length=60, blank=True, help_text=gettext_lazy("Front, back, garage."))
    tilt = models.FloatField(
        "tilt [degrees]",
        validators=[
            MinValueValidator(0, gettext_lazy("Tilt lies between 0 (flat) and 90 (upright) degrees.")),
            MaxValueValidator(90, gettext_lazy("Tilt lies between 0 (flat) and 90 (upright) degrees.")),
        ],
    )
    azimuth = models.FloatField(
        gettext_lazy("azimuth [degrees clockwise from north]"),
        validators=[
            MinValueValidator(0, gettext_lazy("Azimuth lies between 0 and 360: 90 is east, 180 south, 270 west.")),
            MaxValueValidator(360, gettext_lazy("Azimuth lies between 0 and 360: 90 is east, 180 south, 270 west.")),
        ],
    )
    dc_kw = models.FloatField(
        gettext_lazy("DC size [kW]"),
        validators=[MinValueValidator(0.05, gettext_lazy("The DC size must be above 0 kW."))],
    )
    module_count = models.PositiveIntegerField("panels", validators=[MinValueValidator(1)])

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(condition=Q(tilt__gte=0, tilt__lte=90), name="plane_tilt"),
            models.CheckConstraint(condition=Q(azimuth__gte=0, azimuth__lte=360), name="plane_azimuth"),
            models.CheckConstraint(condition=Q(dc_kw__gt=0), name="plane_dc_kw"),
        ]

    def __str__(self) -> str:
        return self.name or f"{self.tilt:g}° tilt, {self.azimuth:g}°"
