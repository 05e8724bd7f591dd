"""Visits: booked, done, and what they gained."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy

from portal.models.lead import Lead
from portal.models.people import Business, Role, User
from portal.models.site import Site

ACCESS_TOLD = timedelta(days=7)
"""After a visit, its pages tell of gates, keys and dogs for so long: somebody may have to go back."""


class VisitState(models.TextChoices):
    BOOKED = "booked", gettext_lazy("Booked")
    DONE = "done", gettext_lazy("Done")
    CANCELLED = "cancelled", gettext_lazy("Cancelled")
    WEATHER = "weather", gettext_lazy("Called off for weather")


class VisitQuerySet(models.QuerySet["Visit"]):
    def visible_to(self, user: User | AnonymousUser) -> VisitQuerySet:
        """Visits of the businesses the user runs, visits they are sent to, and visits to their own roof."""
        if not user.is_authenticated:
            return self.none()
        return self.filter(
            Q(site__customer__business__in=Business.objects.managed_by(user))
            | Q(pk__in=self._worked_by(user))
            | Q(site__customer__user=user)
        )

    def worked_by(self, user: User | AnonymousUser) -> VisitQuerySet:
        """Visits the user may record: those they are sent to, and the office's."""
        if not user.is_authenticated:
            return self.none()
        return self.filter(
            Q(site__customer__business__in=Business.objects.managed_by(user)) | Q(pk__in=self._worked_by(user))
        )

    def sent_to(self, user: User) -> VisitQuerySet:
        """Visits the user is on the crew of, while they work for the business."""
        return self.filter(technicians=user, site__customer__business__memberships__user=user)

    def standing(self) -> VisitQuerySet:
        """Booked or done: what a day's list shows."""
        return self.filter(state__in=[VisitState.BOOKED, VisitState.DONE])

    def between(self, first: date, last: date, *, tz: str) -> VisitQuerySet:
        """Visits that start on these local days, both included."""
        zone = ZoneInfo(tz)
        return self.filter(
            starts_at__gte=datetime(first.year, first.month, first.day, tzinfo=zone),
            starts_at__lt=datetime(last.year, last.month, last.day, tzinfo=zone) + timedelta(days=1),
        )

    def _worked_by(self, user: User) -> models.QuerySet[Visit, int]:
        return Visit.objects.filter(
            technicians=user,
            site__customer__business__memberships__user=user,
            site__customer__business__memberships__role=Role.TECHNICIAN,
        ).values_list("pk", flat=True)


class Visit(models.Model):
    """One cleaning of one site."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="visits")
    lead = models.ForeignKey(Lead, models.SET_NULL, null=True, blank=True, related_name="visits")
    technicians = models.ManyToManyField(User, blank=True, related_name="visits")
    starts_at = models.DateTimeField()
    minutes = models.PositiveSmallIntegerField(default=60)
    state = models.CharField(max_length=10, choices=VisitState, default=VisitState.BOOKED)
    price = models.DecimalField(max_digits=8, decimal_places=2, null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    note = models.TextField(blank=True)
    revision = models.PositiveIntegerField(default=0, help_text="Counts moves and call-offs, for calendars.")
    changed_at = models.DateTimeField(auto_now=True)

    objects = VisitQuerySet.as_manager()

    class Meta:
        ordering = ["starts_at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(state="done") | Q(finished_at__isnull=False), name="done_visit_has_a_finish"
            )
        ]

    def __str__(self) -> str:
        return f"{self.site} {self.starts_at:%Y-%m-%d %H:%M}"

    @property
    def ends_at(self) -> datetime:
        return self.starts_at + timedelta(minutes=self.minutes)

    @property
    def tells_of_access(self) -> bool:
        """Whether its pages still say how one gets in, and what waits behind the gate: not once the visit is past."""
        return timezone.now() < self.ends_at + ACCESS_TOLD

    @property
    def cleaned_on(self) -> date | None:
        """The local day the panels were washed; None until the visit is finished."""
        return self.finished_at.astimezone(ZoneInfo(self.site.tz)).date() if self.finished_at else None
