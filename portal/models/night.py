"""The queue of the nightly job: each row is one site's place in it."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db import models
from django.db.models import Q
from django.utils import timezone

from portal.models.site import Site

LEASE = timedelta(minutes=6)
"""A night that a worker began longer ago is another's to do: longer than a job may run (``workers.app``)."""
TRIES = 3


class NightState(models.TextChoices):
    WAITING = "waiting", "Waiting"
    DONE = "done", "Done"
    FAILED = "failed", "Failed"


class NightQuerySet(models.QuerySet["Night"]):
    def waiting(self) -> NightQuerySet:
        return self.filter(state=NightState.WAITING)

    def free(self, now: datetime) -> NightQuerySet:
        """Waiting, at no worker, and not tried too often: the day's uploads first, what failed before last."""
        return (
            self.waiting()
            .filter(Q(begun_at=None) | Q(begun_at__lt=now - LEASE), attempts__lt=TRIES)
            .order_by("-urgent", "attempts", "asked_at", "pk")
        )

    def lost(self, now: datetime) -> NightQuerySet:
        """Whose workers died as often as it may be tried."""
        return self.waiting().filter(begun_at__lt=now - LEASE, attempts__gte=TRIES)


class Night(models.Model):
    """One site's place in a nightly job: the row is the queue, and the progress bar."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="nights")
    day = models.DateField()
    state = models.CharField(max_length=8, choices=NightState, default=NightState.WAITING)
    problem = models.TextField(blank=True)
    asked_at = models.DateTimeField(default=timezone.now)
    urgent = models.BooleanField(default=False, help_text="Somebody sent readings or changed facts, and may wait.")
    begun_at = models.DateTimeField(null=True, blank=True, help_text="Since when a worker has it.")
    attempts = models.PositiveSmallIntegerField(default=0, help_text="How often a worker has begun it.")

    objects = NightQuerySet.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["site", "day"], name="night_once_a_day")]
        indexes = [models.Index(fields=["state", "begun_at"], name="night_waiting")]

    def __str__(self) -> str:
        return f"{self.site} {self.day} {self.state}"
