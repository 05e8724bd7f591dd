"""People and firms: users, businesses, who works where, and the customers a business serves."""

from __future__ import annotations

from datetime import time
from decimal import Decimal
from typing import Any, ClassVar
from zoneinfo import available_timezones

from django.contrib.auth.models import AbstractBaseUser, AnonymousUser, BaseUserManager, PermissionsMixin
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models
from django.db.models import Exists, OuterRef, Q
from django.utils.functional import cached_property
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from portal.charts.colours import ACCENT
from portal.pv.result import SUREST


def validate_zone(name: str) -> None:
    """Refuse a time zone the IANA database does not know."""
    if name not in available_timezones():
        words = _("“{zone}” is not a time zone. Use a name such as America/Denver or Europe/Madrid.")
        raise ValidationError(words.format(zone=name))


class Language(models.TextChoices):
    ENGLISH = "en", "English"
    SPANISH = "es", "Español"


class UserManager(BaseUserManager["User"]):
    def create_user(self, email: str, password: str | None = None, **fields: Any) -> User:
        user = self.model(email=self.normalize_email(email).lower(), **fields)
        user.set_password(password)
        user.save(using=self._db)
        return user

    def create_superuser(self, email: str, password: str | None = None, **fields: Any) -> User:
        return self.create_user(email, password, is_staff=True, is_superuser=True, **fields)


class User(AbstractBaseUser, PermissionsMixin):
    """Somebody who can log in, by e-mail."""

    email = models.EmailField(unique=True)
    name = models.CharField(max_length=120, blank=True)
    language = models.CharField(max_length=5, choices=Language, default=Language.ENGLISH)
    is_active = models.BooleanField(default=True)
    is_staff = models.BooleanField(default=False)

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS: ClassVar[list[str]] = []
    objects = UserManager()

    def __str__(self) -> str:
        return self.name or self.email

    @cached_property
    def held(self) -> list[tuple[str, bool]]:
        """The roles held in firms, and whether the firm is invented: asked once for all that a page wants to know."""
        return list(self.memberships.values_list("role", "business__invented"))


class Role(models.TextChoices):
    OWNER = "owner", gettext_lazy("Owner")
    OFFICE = "office", gettext_lazy("Office")
    TECHNICIAN = "technician", gettext_lazy("Technician")


OFFICE_ROLES = (Role.OWNER, Role.OFFICE)


class BusinessQuerySet(models.QuerySet["Business"]):
    def visible_to(self, user: User | AnonymousUser) -> BusinessQuerySet:
        """Businesses the user works for, or is a customer of."""
        if not user.is_authenticated:
            return self.none()
        works = Membership.objects.filter(business=OuterRef("pk"), user=user)
        served = Customer.objects.filter(business=OuterRef("pk"), user=user)
        return self.filter(Exists(works) | Exists(served))

    def managed_by(self, user: User | AnonymousUser, *, roles: tuple[Role, ...] = OFFICE_ROLES) -> BusinessQuerySet:
        """Businesses the user runs: as owner or office unless ``roles`` says otherwise."""
        if not user.is_authenticated:
            return self.none()
        return self.filter(Exists(Membership.objects.filter(business=OuterRef("pk"), user=user, role__in=roles)))


class Business(models.Model):
    """A firm that washes solar panels."""

    name = models.CharField(max_length=120)
    slug = models.SlugField(unique=True)
    logo = models.ImageField(upload_to="logos", blank=True)
    accent = models.CharField(
        max_length=7,
        default=ACCENT,
        validators=[RegexValidator("^#[0-9a-f]{6}$", gettext_lazy("Give a colour as # and six hexadecimal digits."))],
    )
    """Of which the pages' and mails' colours are made."""
    email = models.EmailField()
    phone = models.CharField(max_length=40, blank=True)
    postal_address = models.TextField()
    latitude = models.FloatField(
        gettext_lazy("yard latitude"), null=True, blank=True, help_text=gettext_lazy("Where the van starts from.")
    )
    longitude = models.FloatField(gettext_lazy("yard longitude"), null=True, blank=True)
    tz = models.CharField(gettext_lazy("time zone"), max_length=64, validators=[validate_zone])
    currency = models.CharField(max_length=3, default="USD", help_text=gettext_lazy("Three letters, ISO 4217."))
    language = models.CharField(max_length=5, choices=Language, default=Language.ENGLISH)

    # price list
    price_minimum = models.DecimalField(max_digits=8, decimal_places=2, default=Decimal("120"))
    price_per_module = models.DecimalField(max_digits=8, decimal_places=2, default=Decimal("7"))
    surcharge_per_storey = models.DecimalField(
        max_digits=8,
        decimal_places=2,
        default=Decimal("30"),
        help_text=gettext_lazy("For each storey above the first."),
    )
    surcharge_steep = models.DecimalField(
        max_digits=8,
        decimal_places=2,
        default=Decimal("40"),
        help_text=gettext_lazy("For a roof steeper than 35 degrees."),
    )
    price_nesting_removal = models.DecimalField(max_digits=8, decimal_places=2, default=Decimal("90"))

    # invoices
    tax_name = models.CharField(max_length=30, blank=True)
    tax_percent = models.DecimalField(
        max_digits=5, decimal_places=2, default=Decimal(0), validators=[MinValueValidator(0), MaxValueValidator(100)]
    )
    prices_include_tax = models.BooleanField(default=False)
    tax_words = models.TextField(blank=True, max_length=500)
    payment_days = models.PositiveSmallIntegerField(default=14, validators=[MaxValueValidator(120)])
    iban = models.CharField(max_length=34, blank=True)
    bic = models.CharField(max_length=11, blank=True)
    technicians_see_prices = models.BooleanField(default=True)

    # when to call a roof dirty, and what to do when the readings cannot say
    lead_loss = models.FloatField(
        default=0.05,
        validators=[MinValueValidator(0.01), MaxValueValidator(0.5)],
        help_text=gettext_lazy("A lead opens when the loss is likely above this fraction."),
    )
    lead_chance = models.FloatField(
        default=0.8,
        validators=[MinValueValidator(0.5), MaxValueValidator(SUREST)],
        help_text=gettext_lazy("How likely it must be."),
    )
    lead_days = models.PositiveSmallIntegerField(
        default=14,
        validators=[MaxValueValidator(90)],
        help_text="A lead also opens when a wash will likely be due within so many days.",
    )
    lead_waiting = models.BooleanField(
        gettext_lazy("also call about roofs that would rather wait"),
        default=False,
        help_text="Then a lead also opens above the loss below where their owner is told to wait; its card says so.",
    )
    lead_pays_months = models.PositiveSmallIntegerField(
        default=12,
        validators=[MinValueValidator(1), MaxValueValidator(60)],
        help_text="Of those, where the dirt of so many months costs as much as a wash.",
    )
    calendar_months = models.PositiveSmallIntegerField(
        default=12,
        validators=[MinValueValidator(1), MaxValueValidator(36)],
        help_text=gettext_lazy("Where the readings cannot say: clean every so many months."),
    )
    # when the vans are out; proposals for a visit keep to it
    works_from = models.TimeField(gettext_lazy("work begins"), default=time(8))
    works_until = models.TimeField(gettext_lazy("work ends"), default=time(17))
    work_days = models.CharField(
        gettext_lazy("days of work"), max_length=7, default="01234", help_text="Days of the week, Monday is 0."
    )
    reminder_cap_per_month = models.PositiveSmallIntegerField(default=3)
    keeps_photo_places = models.BooleanField(
        default=False, help_text=gettext_lazy("Whether the original of a photo keeps where it was taken.")
    )
    invented = models.BooleanField(default=False, help_text="A demonstration; every page says so.")

    objects = BusinessQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "businesses"
        constraints = [
            models.CheckConstraint(condition=Q(lead_loss__gt=0, lead_loss__lt=1), name="business_lead_loss_fraction"),
            models.CheckConstraint(condition=Q(lead_chance__gt=0, lead_chance__lt=1), name="business_lead_chance"),
        ]

    @property
    def own_accent(self) -> str:
        """The accent's digits where it is not the house's."""
        return "" if self.accent == ACCENT else self.accent.removeprefix("#")

    def __str__(self) -> str:
        return self.name

    def shows_prices_to(self, user: User | AnonymousUser) -> bool:
        """Whether what a visit costs is shown: to all but the technicians of a firm that does not want that."""
        if self.technicians_see_prices or not user.is_authenticated:
            return self.technicians_see_prices
        return (
            self.customers.filter(user=user).exists() or Business.objects.managed_by(user).filter(pk=self.pk).exists()
        )


class MembershipQuerySet(models.QuerySet["Membership"]):
    def visible_to(self, user: User | AnonymousUser) -> MembershipQuerySet:
        """The people of the businesses the user runs."""
        return self.filter(business__in=Business.objects.managed_by(user))


class Membership(models.Model):
    """A user's place in a business."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="memberships")
    user = models.ForeignKey(User, models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=12, choices=Role)
    # where they set out from, if not from the firm's yard
    latitude = models.FloatField(null=True, blank=True)
    longitude = models.FloatField(null=True, blank=True)

    objects = MembershipQuerySet.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["business", "user"], name="membership_once")]

    def __str__(self) -> str:
        return f"{self.user} · {self.get_role_display()}"


class CustomerFile(models.Model):
    """A table of customers that was sent: looked at first, then taken in, and taken back whole if it was wrong."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="customer_files")
    by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="+")
    at = models.DateTimeField()
    filename = models.CharField(max_length=200)
    table = models.JSONField(
        default=list, help_text="Its rows, until they are taken in: then the customers' own rows hold what it brought."
    )
    columns = models.JSONField(default=dict, help_text="Which column is what, counted from 0.")
    taken_at = models.DateTimeField(null=True, blank=True)
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-at", "-pk"]

    def __str__(self) -> str:
        return self.filename


class CustomerQuerySet(models.QuerySet["Customer"]):
    def visible_to(self, user: User | AnonymousUser) -> CustomerQuerySet:
        """Customers of the businesses the user runs, and the user's own rows."""
        if not user.is_authenticated:
            return self.none()
        return self.filter(Q(business__in=Business.objects.managed_by(user)) | Q(user=user))

    def managed_by(self, user: User | AnonymousUser) -> CustomerQuerySet:
        return self.filter(business__in=Business.objects.managed_by(user))


class Customer(models.Model):
    """A homeowner as one business knows them; ``user`` is set once they can log in."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="customers")
    user = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="customers")
    name = models.CharField(max_length=120)
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    language = models.CharField(max_length=5, choices=Language, default=Language.ENGLISH)
    consented_on = models.DateField(
        null=True, blank=True, help_text=gettext_lazy("The day they agreed to be written to about their panels.")
    )
    notes = models.TextField(blank=True)
    came_with = models.ForeignKey(
        CustomerFile, models.SET_NULL, null=True, blank=True, editable=False, related_name="customers"
    )
    week_days = models.CharField(
        max_length=7, blank=True, help_text="Days of the week on which a visit suits them, Monday is 0; none: any."
    )

    objects = CustomerQuerySet.as_manager()

    class Meta:
        ordering = ["name", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["business", "email"], condition=~Q(email=""), name="customer_email_once_a_business"
            )
        ]

    def __str__(self) -> str:
        return self.name
