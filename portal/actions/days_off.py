"""Days on which somebody, or the whole firm, does not work."""

from __future__ import annotations

from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from portal.models import Business, DayOff, User, Visit, VisitState
from portal.models.visit import VisitQuerySet


@transaction.atomic
def take_days_off(*, business: Business, user: User | None, first_day: date, last_day: date, why: str = "") -> DayOff:
    """Keep who is off when; nobody means the whole firm. The same again is one. Visits of those days stay booked."""
    if last_day < first_day:
        raise ValidationError(_("The last day lies before the first."))
    if user is not None and not business.memberships.filter(user=user).exists():
        raise ValidationError(_("Give it to somebody who works here."))
    said = {"business": business, "user": user, "first_day": first_day, "last_day": last_day}
    twin = DayOff.objects.filter(**said).standing().first()
    return twin or DayOff.objects.create(why=why.strip(), **said)


def visits_on(off: DayOff) -> VisitQuerySet:
    """Booked visits of those days that need another day or somebody else."""
    booked = Visit.objects.filter(site__customer__business=off.business, state=VisitState.BOOKED)
    booked = booked.between(off.first_day, off.last_day, tz=off.business.tz)
    return booked.filter(technicians=off.user) if off.user else booked


def give_days_back(*, off: DayOff, now: datetime) -> None:
    """They work on those days after all. Twice is once."""
    DayOff.objects.filter(pk=off.pk, ended_at=None).update(ended_at=now)
