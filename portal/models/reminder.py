"""Reminders: the row is the queue."""

from __future__ import annotations

from datetime import datetime

from django.contrib.auth.models import AnonymousUser
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils import dates
from django.utils.translation import gettext_lazy

from portal.models.hold import MailHold
from portal.models.lead import Lead
from portal.models.people import Business, Customer, Language, User
from portal.models.site import Site
from portal.models.visit import Visit


class ReminderKind(models.TextChoices):
    DUE_SOON = "due_soon", gettext_lazy("Cleaning due soon")
    DUE = "due", gettext_lazy("Cleaning due")
    WISHED = "wished", gettext_lazy("The wash they asked for")
    BOOKED = "booked", gettext_lazy("Visit booked")
    ARRIVAL = "arrival", gettext_lazy("When we come tomorrow")
    SET_OUT = "set_out", gettext_lazy("The van has set out")
    CALLED_OFF = "called_off", gettext_lazy("Visit called off")
    WASHED = "washed", gettext_lazy("What was done and found")
    RESULT = "result", gettext_lazy("What the cleaning gained")
    QUIET = "quiet", gettext_lazy("No readings lately")
    UTILITY_ENDED = "utility_ended", gettext_lazy("Readings no longer come from the utility")
    OTHER_FAULT = "other_fault", gettext_lazy("Something other than dirt")
    SEND_READINGS = "send_readings", gettext_lazy("Please send readings")
    LEAD_DIGEST = "lead_digest", gettext_lazy("New leads of the day")
    LEAD_COLD = "lead_cold", gettext_lazy("A lead going cold")
    ASKED = "asked", gettext_lazy("A customer asks")
    TOMORROW = "tomorrow", gettext_lazy("Tomorrow's visits")
    INVOICE = "invoice", gettext_lazy("Invoice or credit note")
    OVERDUE = "overdue", gettext_lazy("Invoice not paid yet")


class ReminderState(models.TextChoices):
    DUE = "due", gettext_lazy("Due")
    SENDING = "sending", gettext_lazy("Being sent")
    SENT = "sent", gettext_lazy("Sent")
    FAILED = "failed", gettext_lazy("Failed")
    DROPPED = "dropped", gettext_lazy("Dropped")


class ReminderQuerySet(models.QuerySet["Reminder"]):
    def visible_to(self, user: User | AnonymousUser) -> ReminderQuerySet:
        """The queue of the businesses the user runs."""
        return self.filter(business__in=Business.objects.managed_by(user))

    def due(self, now: datetime) -> ReminderQuerySet:
        """What has come due, whether or not its firm's mails are held."""
        return self.filter(state=ReminderState.DUE, due_at__lte=now).exclude(retry_at__gt=now)

    def may_go(self, now: datetime) -> ReminderQuerySet:
        """What has come due, of firms whose mails are not held."""
        return self.due(now).exclude(business__in=MailHold.objects.open().values("business"))


class Reminder(models.Model):
    """One message to one person, to be sent once."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="reminders")
    kind = models.CharField(max_length=16, choices=ReminderKind)
    customer = models.ForeignKey(Customer, models.CASCADE, null=True, related_name="reminders")
    user = models.ForeignKey(User, models.CASCADE, null=True, related_name="reminders")
    site = models.ForeignKey(Site, models.CASCADE, null=True, related_name="reminders")
    visit = models.ForeignKey(Visit, models.CASCADE, null=True, related_name="reminders")
    lead = models.ForeignKey(Lead, models.CASCADE, null=True, related_name="reminders")
    key = models.CharField(max_length=120, unique=True, help_text="What makes it the same reminder: never two.")
    due_at = models.DateTimeField()
    stale_at = models.DateTimeField(help_text="After this it is dropped instead of sent.")
    state = models.CharField(max_length=8, choices=ReminderState, default=ReminderState.DUE)
    reason = models.TextField(blank=True, help_text="Why it was dropped or failed.")
    attempts = models.PositiveSmallIntegerField(default=0)
    retry_at = models.DateTimeField(null=True, help_text="Not tried again before this.")
    claimed_at = models.DateTimeField(null=True)
    handed_over_at = models.DateTimeField(
        null=True, help_text="When the message itself began to leave: from here on it may have arrived."
    )
    sent_at = models.DateTimeField(null=True)
    message_id = models.CharField(max_length=200, blank=True)
    subject = models.CharField(max_length=250, blank=True)

    objects = ReminderQuerySet.as_manager()

    class Meta:
        ordering = ["due_at", "pk"]
        indexes = [models.Index(fields=["state", "due_at"], name="reminder_queue")]
        constraints = [
            models.CheckConstraint(
                condition=Q(customer__isnull=False) | Q(user__isnull=False), name="reminder_has_a_recipient"
            )
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} · {self.customer or self.user}"

    @property
    def about(self) -> str:
        """What it is about: its key without the kind before it and the number after it."""
        return self.key.partition(":")[2].rpartition(":")[0]


class Preference(models.Model):
    """A recipient's choice for one kind of reminder; no row means yes."""

    customer = models.ForeignKey(Customer, models.CASCADE, null=True, related_name="preferences")
    user = models.ForeignKey(User, models.CASCADE, null=True, related_name="preferences")
    kind = models.CharField(max_length=16, choices=ReminderKind)
    wanted = models.BooleanField(default=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["customer", "kind"], name="preference_once_a_kind"),
            models.UniqueConstraint(fields=["user", "kind"], name="preference_once_a_kind_and_user"),
            models.CheckConstraint(
                condition=Q(customer__isnull=False, user=None) | Q(customer=None, user__isnull=False),
                name="preference_has_one_owner",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.customer or self.user} {self.kind} {'yes' if self.wanted else 'no'}"


class MailStop(models.Model):
    """An address a business may not write to: it unsubscribed, bounced for good, or complained."""

    email = models.EmailField()
    business = models.ForeignKey(Business, models.CASCADE, related_name="mail_stops")
    why = models.CharField(
        max_length=12,
        choices=[
            ("unsubscribed", gettext_lazy("Unsubscribed")),
            ("bounced", gettext_lazy("Address does not exist")),
            ("complained", gettext_lazy("Complained")),
        ],
    )
    since = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["email", "business"], name="mail_stop_once")]

    def __str__(self) -> str:
        return f"{self.email}: {self.why}"


MONTH_CHOICES = list(dates.MONTHS.items())


class SendingRules(models.Model):
    """When a business writes to people. Hours and days are the recipient's own."""

    business = models.OneToOneField(Business, models.CASCADE, related_name="sending_rules")
    from_hour = models.PositiveSmallIntegerField(
        gettext_lazy("not before [hour]"),
        default=9,
        validators=[MaxValueValidator(22, gettext_lazy("An hour from 0 to 22."))],
    )
    until_hour = models.PositiveSmallIntegerField(
        gettext_lazy("not after [hour]"),
        default=18,
        validators=[
            MinValueValidator(1, gettext_lazy("An hour from 1 to 24.")),
            MaxValueValidator(24, gettext_lazy("An hour from 1 to 24.")),
        ],
    )
    on_sundays = models.BooleanField(gettext_lazy("also on Sundays"), default=False)
    stop_from = models.PositiveSmallIntegerField(
        gettext_lazy("no cleaning reminders from the start of"), choices=MONTH_CHOICES, null=True, blank=True
    )
    stop_until = models.PositiveSmallIntegerField(
        gettext_lazy("to the end of"), choices=MONTH_CHOICES, null=True, blank=True
    )
    cold_after_days = models.PositiveSmallIntegerField(
        gettext_lazy("a lead is going cold after [days]"), default=14, validators=[MinValueValidator(1)]
    )

    class Meta:
        verbose_name_plural = "sending rules"
        constraints = [
            models.CheckConstraint(condition=Q(from_hour__lt=models.F("until_hour")), name="sending_hours_in_order"),
            models.CheckConstraint(
                condition=Q(stop_from=None, stop_until=None) | Q(stop_from__isnull=False, stop_until__isnull=False),
                name="season_stop_has_both_ends",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.business}: {self.from_hour} to {self.until_hour} h"


class Wording(models.Model):
    """A business's own words for one kind of reminder in one language, with {names} for the facts."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="wordings")
    kind = models.CharField(max_length=16, choices=ReminderKind)
    language = models.CharField(max_length=5, choices=Language)
    subject = models.CharField(max_length=150)
    text = models.TextField(help_text="An empty line starts a paragraph.")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["business", "kind", "language"], name="wording_once")]

    def __str__(self) -> str:
        return f"{self.business}: {self.get_kind_display()}, {self.language}"
