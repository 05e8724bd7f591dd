"""Leads: sites worth a call, and what was said and done about them."""

from __future__ import annotations

from datetime import date

from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from portal.models.people import Business, User
from portal.models.site import Site


class LeadKind(models.TextChoices):
    CLEANING = "cleaning", gettext_lazy("Cleaning")
    REFERRAL = "referral", gettext_lazy("Not dirt: refer")


class LeadStage(models.TextChoices):
    NEW = "new", gettext_lazy("To call")
    CONTACTED = "contacted", gettext_lazy("Called or written")
    QUOTED = "quoted", gettext_lazy("Price given")
    BOOKED = "booked", gettext_lazy("Visit booked")
    WON = "won", gettext_lazy("Cleaned")
    LOST = "lost", gettext_lazy("Turned down")
    CLEARED = "cleared", gettext_lazy("Cleared by itself")


CLOSED_STAGES = (LeadStage.WON, LeadStage.LOST, LeadStage.CLEARED)


class LeadQuerySet(models.QuerySet["Lead"]):
    def visible_to(self, user: User | AnonymousUser) -> LeadQuerySet:
        """Leads are the office's: owner and office of the site's business."""
        return self.filter(site__customer__business__in=Business.objects.managed_by(user))

    def open(self) -> LeadQuerySet:
        return self.filter(closed_at=None)

    def awake(self, today: date) -> LeadQuerySet:
        """Open and not snoozed."""
        return self.open().filter(Q(snoozed_until=None) | Q(snoozed_until__lte=today))

    def by_value(self) -> LeadQuerySet:
        return self.order_by(models.F("value_per_month").desc(nulls_last=True), "opened_at", "pk")


class Lead(models.Model):
    """A site worth a call. One open lead a site; it closes by itself when its cause is gone."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="leads")
    kind = models.CharField(max_length=10, choices=LeadKind, default=LeadKind.CLEANING)
    stage = models.CharField(max_length=10, choices=LeadStage, default=LeadStage.NEW)
    opened_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True, blank=True)
    why_now = models.TextField()
    present_loss = models.FloatField(null=True)
    loss_low = models.FloatField(null=True)
    loss_high = models.FloatField(null=True)
    chance = models.FloatField(null=True, help_text="Chance that the loss exceeds the business's threshold.")
    value_per_month = models.DecimalField(max_digits=10, decimal_places=2, null=True)
    price = models.DecimalField(max_digits=8, decimal_places=2, null=True)
    assigned_to = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="leads")
    next_action_on = models.DateField(null=True, blank=True)
    snoozed_until = models.DateField(null=True, blank=True)
    lost_reason = models.CharField(max_length=200, blank=True)
    contacted_at = models.DateTimeField(null=True, blank=True)
    booked_at = models.DateTimeField(null=True, blank=True)
    fading_since = models.DateField(
        null=True, blank=True, help_text="Since when the readings no longer bear it out; it closes after a while."
    )

    objects = LeadQuerySet.as_manager()

    class Meta:
        ordering = ["-opened_at"]
        constraints = [
            models.UniqueConstraint(fields=["site"], condition=Q(closed_at=None), name="one_open_lead_a_site"),
            models.CheckConstraint(
                condition=Q(closed_at=None, stage__in=["new", "contacted", "quoted", "booked"])
                | Q(closed_at__isnull=False, stage__in=["won", "lost", "cleared"]),
                name="lead_stage_agrees_with_closing",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site}: {self.get_kind_display()}, {self.get_stage_display()}"


class LeadNote(models.Model):
    """What somebody wrote about a lead."""

    lead = models.ForeignKey(Lead, models.CASCADE, related_name="notes")
    written_by = models.ForeignKey(User, models.SET_NULL, null=True)
    written_at = models.DateTimeField()
    text = models.TextField()

    class Meta:
        ordering = ["written_at", "pk"]

    def __str__(self) -> str:
        return self.text[:60]
