"""The proof of a visit: what the readings say it gained, and the links that let it be shown."""

from __future__ import annotations

from datetime import datetime

from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from portal.models.people import User
from portal.models.visit import Visit


class ProofState(models.TextChoices):
    WAITING = "waiting", gettext_lazy("Waiting for clear days")
    FIRST = "first", gettext_lazy("First answer")
    SETTLED = "settled", gettext_lazy("Settled")


class ProofQuerySet(models.QuerySet["Proof"]):
    def visible_to(self, user: User | AnonymousUser) -> ProofQuerySet:
        return self.filter(visit__in=Visit.objects.visible_to(user))


class Proof(models.Model):
    """What one finished visit gained. Gains are fractions of the clean yield, intervals are 90 %."""

    visit = models.OneToOneField(Visit, models.CASCADE, related_name="proof")
    state = models.CharField(max_length=8, choices=ProofState, default=ProofState.WAITING)
    as_of = models.DateField(null=True)
    gain = models.FloatField(null=True)
    gain_low = models.FloatField(null=True)
    gain_high = models.FloatField(null=True)
    clear_days_before = models.PositiveIntegerField(default=0)
    clear_days_after = models.PositiveIntegerField(default=0)

    counted_to = models.DateField(
        null=True, help_text="Last day that counts: the gain ends with rain or the next wash."
    )
    kwh = models.FloatField(null=True, help_text="Recovered to date.")
    kwh_low = models.FloatField(null=True)
    kwh_high = models.FloatField(null=True)
    days_without_readings = models.PositiveIntegerField(default=0)
    due_on = models.DateField(null=True, help_text="The next clean-due date the expectation runs to.")
    kwh_by_due = models.FloatField(null=True, help_text="Recovered to date and expected by the due date.")
    kwh_by_due_low = models.FloatField(null=True)
    kwh_by_due_high = models.FloatField(null=True)

    season_difference = models.FloatField(null=True, help_text="Index after, less the same days a year earlier.")
    season_low = models.FloatField(null=True)
    season_high = models.FloatField(null=True)
    season_days = models.PositiveIntegerField(default=0, help_text="Clear days a year earlier.")
    doubts = models.JSONField(default=list, help_text="What else could explain it, a sentence each.")
    updated_at = models.DateTimeField()

    objects = ProofQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(gain=None) | Q(gain_low__isnull=False, gain_high__isnull=False),
                name="gain_has_its_interval",
            )
        ]

    def __str__(self) -> str:
        return f"{self.visit}: {self.get_state_display()}"

    @property
    def measurable(self) -> bool:
        """Whether the whole interval lies above nothing."""
        return self.gain_low is not None and self.gain_low > 0


class ReportLinkQuerySet(models.QuerySet["ReportLink"]):
    def visible_to(self, user: User | AnonymousUser) -> ReportLinkQuerySet:
        return self.filter(visit__in=Visit.objects.visible_to(user))

    def live(self, now: datetime) -> ReportLinkQuerySet:
        return self.filter(revoked_at=None, expires_at__gt=now)


class ReportLink(models.Model):
    """A link to one visit's report that works without login until it expires or is revoked."""

    visit = models.ForeignKey(Visit, models.CASCADE, related_name="report_links")
    expires_at = models.DateTimeField()
    mailed = models.BooleanField(default=False, help_text="Made for the mails of this visit.")
    revoked_at = models.DateTimeField(null=True, blank=True)

    objects = ReportLinkQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]

    def __str__(self) -> str:
        return f"Report link {self.pk} of {self.visit}"
