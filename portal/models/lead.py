"""Leads: sites worth a call, and what was said and done about them."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from portal.models.assessment import SiteAssessment
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
    WRONG = "wrong", gettext_lazy("Raised wrongly")


CLOSED_STAGES = (LeadStage.WON, LeadStage.LOST, LeadStage.CLEARED, LeadStage.WRONG)


class LeadQuerySet(models.QuerySet["Lead"]):
    def visible_to(self, user: User | AnonymousUser) -> LeadQuerySet:
        """Leads are the office's: owner and office of the site's business."""
        return self.filter(site__customer__business__in=Business.objects.managed_by(user))

    def open(self) -> LeadQuerySet:
        return self.filter(closed_at=None)

    def awake(self, today: date) -> LeadQuerySet:
        """Open and not snoozed."""
        return self.open().filter(Q(snoozed_until=None) | Q(snoozed_until__lte=today))

    def with_stake(self) -> LeadQuerySet:
        """Each with ``at_stake``: what dirt costs its roof a month by the newest assessment; None of a referral."""
        newest = SiteAssessment.objects.filter(site=models.OuterRef("site")).order_by("-as_of", "-pk")
        cleaning = models.When(kind=LeadKind.CLEANING, then=models.Subquery(newest.values("value_lost_per_month")[:1]))
        return self.annotate(at_stake=models.Case(cleaning, default=None))

    def by_value(self) -> LeadQuerySet:
        return self.with_stake().order_by(models.F("at_stake").desc(nulls_last=True), "opened_at", "pk")


class Lead(models.Model):
    """A site worth a call. One open lead a site; it closes by itself when its cause is gone."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="leads")
    kind = models.CharField(max_length=10, choices=LeadKind, default=LeadKind.CLEANING)
    stage = models.CharField(max_length=10, choices=LeadStage, default=LeadStage.NEW)
    opened_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True, blank=True)
    assigned_to = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="leads")
    next_action_on = models.DateField(null=True, blank=True)
    snoozed_until = models.DateField(null=True, blank=True)
    closed_because = models.CharField(max_length=200, blank=True, help_text="Why it was lost, or raised wrongly.")
    by_customer = models.BooleanField(default=False, help_text="Opened by the homeowner, not by the readings.")
    contacted_at = models.DateTimeField(null=True, blank=True)
    booked_at = models.DateTimeField(null=True, blank=True)
    quoted_before = models.BooleanField(
        default=False, help_text="Its price waited for an answer when a visit was booked: it does again if that is off."
    )
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
                | Q(closed_at__isnull=False, stage__in=["won", "lost", "cleared", "wrong"]),
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


class EventKind(models.TextChoices):
    """What a homeowner does about their roof."""

    WASH = "wash", gettext_lazy("Asks for a wash")
    CALL = "call", gettext_lazy("Asks for a call")
    ACCEPT = "accept", gettext_lazy("Accepts the quote")
    NOT_NOW = "not_now", gettext_lazy("Not now")


class LeadEventQuerySet(models.QuerySet["LeadEvent"]):
    def visible_to(self, user: User | AnonymousUser) -> LeadEventQuerySet:
        """What homeowners ask is the office's to see, and their own."""
        if not user.is_authenticated:
            return self.none()
        managed = Business.objects.managed_by(user)
        return self.filter(Q(lead__site__customer__business__in=managed) | Q(lead__site__customer__user=user))

    def waiting(self) -> LeadEventQuerySet:
        """Nobody of the office has seen to them yet."""
        return self.filter(answered_at=None)


class LeadEvent(models.Model):
    """Something the homeowner did about their roof, with what they saw and agreed to."""

    lead = models.ForeignKey(Lead, models.CASCADE, related_name="events")
    kind = models.CharField(max_length=8, choices=EventKind)
    at = models.DateTimeField()
    by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="lead_events")
    text = models.CharField(max_length=500, blank=True, help_text="What they wrote with it.")
    agreed = models.JSONField(default=dict, blank=True, help_text="Of an accepted quote: its lines, sum and currency.")
    ask_again_on = models.DateField(null=True, blank=True)
    answered_at = models.DateTimeField(null=True, blank=True)

    objects = LeadEventQuerySet.as_manager()

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["lead", "kind"], condition=Q(answered_at=None), name="asked_once_until_answered"
            ),
            models.CheckConstraint(
                condition=Q(kind="not_now", ask_again_on__isnull=False) | (~Q(kind="not_now") & Q(ask_again_on=None)),
                name="not_now_says_until_when",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.lead.site}: {self.get_kind_display()}"

    @property
    def agreed_price(self) -> Decimal | None:
        return Decimal(self.agreed["price"]) if self.agreed else None

    @property
    def agreed_lines(self) -> list[tuple[str, Decimal]]:
        return [(words, Decimal(amount)) for words, amount in self.agreed.get("lines", ())]


class EnquiryQuerySet(models.QuerySet["Enquiry"]):
    def visible_to(self, user: User | AnonymousUser) -> EnquiryQuerySet:
        """Enquiries are the office's."""
        return self.filter(business__in=Business.objects.managed_by(user))

    def open(self) -> EnquiryQuerySet:
        return self.filter(closed_at=None)


class Enquiry(models.Model):
    """Somebody who saw a shared report and wants to hear from the firm. They have no account and no roof here."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="enquiries")
    at = models.DateTimeField()
    name = models.CharField(max_length=120)
    reach = models.CharField(max_length=254, help_text="Phone or e-mail.")
    address = models.CharField(max_length=250, blank=True)
    text = models.CharField(max_length=500, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)

    objects = EnquiryQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "enquiries"
        ordering = ["-at", "-pk"]

    def __str__(self) -> str:
        return f"{self.name}, {self.reach}"
