"""Calls about a lead: what came of each, kept so that it can be taken back."""

from __future__ import annotations

from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from portal.models.lead import Lead
from portal.models.people import Business, User


class CallOutcome(models.TextChoices):
    QUOTED = "quoted", gettext_lazy("Price given")
    AGAIN = "again", gettext_lazy("Call again")
    NO = "no", gettext_lazy("Turned down")
    WRONG = "wrong", gettext_lazy("Raised wrongly")


class CallQuerySet(models.QuerySet["Call"]):
    def visible_to(self, user: User | AnonymousUser) -> CallQuerySet:
        """Calls are the office's, as leads are."""
        return self.filter(lead__site__customer__business__in=Business.objects.managed_by(user))

    def standing(self) -> CallQuerySet:
        """Not taken back."""
        return self.filter(undone_at=None)


class Call(models.Model):
    """One call to the owner of a roof. What was said stands in the lead's notes."""

    lead = models.ForeignKey(Lead, models.CASCADE, related_name="calls")
    at = models.DateTimeField()
    by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="calls")
    outcome = models.CharField(max_length=8, choices=CallOutcome)
    again_on = models.DateField(null=True, blank=True)
    before = models.JSONField(default=dict, help_text="The lead as it stood before.")
    after = models.JSONField(default=dict, help_text="The lead as this call left it: only then is it taken back.")
    undone_at = models.DateTimeField(null=True, blank=True)

    objects = CallQuerySet.as_manager()

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(outcome="again", again_on__isnull=False) | (~Q(outcome="again") & Q(again_on=None)),
                name="call_again_says_when",
            )
        ]

    def __str__(self) -> str:
        return f"{self.lead.site}: {self.get_outcome_display()}"
