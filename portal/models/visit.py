"""Visits: booked, done, and what they gained."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
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
    ILLNESS = "illness", gettext_lazy("Called off for illness")


PUT_OFF = (VisitState.WEATHER, VisitState.ILLNESS)
"""Called off by the firm: the customer waits for a new day."""
CALLED_OFF = (*PUT_OFF, VisitState.CANCELLED)


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

    def with_site(self) -> VisitQuerySet:
        """Each with all that a page tells of its roof and crew."""
        return self.select_related("site__customer__business").prefetch_related("technicians", "site__planes")

    def standing(self) -> VisitQuerySet:
        """Booked or done: what a day's list shows."""
        return self.filter(state__in=[VisitState.BOOKED, VisitState.DONE])

    def from_day(self, first: date, *, tz: str) -> VisitQuerySet:
        """Visits that start on this local day or later."""
        return self.filter(starts_at__gte=datetime.combine(first, time.min, ZoneInfo(tz)))

    def to_day(self, last: date, *, tz: str) -> VisitQuerySet:
        """Visits that start on this local day or earlier."""
        return self.filter(starts_at__lt=datetime.combine(last + timedelta(days=1), time.min, ZoneInfo(tz)))

    def between(self, first: date, last: date, *, tz: str) -> VisitQuerySet:
        """Visits that start on these local days, both included."""
        return self.from_day(first, tz=tz).to_day(last, tz=tz)

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


class DayOffQuerySet(models.QuerySet["DayOff"]):
    def visible_to(self, user: User | AnonymousUser) -> DayOffQuerySet:
        """Who is off when is the office's to see."""
        return self.filter(business__in=Business.objects.managed_by(user))

    def standing(self) -> DayOffQuerySet:
        """Not taken back."""
        return self.filter(ended_at=None)

    def between(self, first: date, last: date) -> DayOffQuerySet:
        """Those that touch these days, both included."""
        return self.standing().filter(first_day__lte=last, last_day__gte=first)


class DayOff(models.Model):
    """Days on which somebody, or the whole firm, does not work."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="days_off")
    user = models.ForeignKey(
        User, models.CASCADE, null=True, blank=True, related_name="days_off", help_text="Nobody: the whole firm."
    )
    first_day = models.DateField()
    last_day = models.DateField()
    why = models.CharField(max_length=120, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True, help_text="When it was taken back.")

    objects = DayOffQuerySet.as_manager()

    class Meta:
        ordering = ["first_day", "pk"]
        verbose_name_plural = "days off"
        constraints = [
            models.CheckConstraint(condition=Q(first_day__lte=models.F("last_day")), name="day_off_in_order")
        ]

    def __str__(self) -> str:
        return f"{self.user or self.business} {self.first_day} – {self.last_day}"

    def covers(self, day: date) -> bool:
        return self.first_day <= day <= self.last_day
