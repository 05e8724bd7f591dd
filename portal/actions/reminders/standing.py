"""What follows from the calendar and the office's work: bookings, tomorrow's visits, digests, cold leads."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Max, Q

from portal.actions.mail.facts import digest_from
from portal.actions.reminders.hours import at_hour, next_decent, sending_rules
from portal.actions.reminders.kinds import Wish
from portal.models import (
    OFFICE_ROLES,
    Business,
    Lead,
    LeadStage,
    Membership,
    Reminder,
    ReminderKind,
    ReminderState,
    Visit,
    VisitState,
)

DIGEST_HOUR = 8
TOMORROW_HOUR = 16


def bookings(business: Business, now: datetime) -> Iterator[Wish]:
    ahead = Visit.objects.filter(site__customer__business=business, state=VisitState.BOOKED, starts_at__gt=now)
    for visit in ahead.exclude(site__customer__email="").select_related("site__customer"):
        yield Wish(
            ReminderKind.BOOKED,
            f"{visit.pk}:{visit.revision}",
            now,
            business,
            site=visit.site,
            visit=visit,
            stale_at=visit.starts_at,
        )


def tomorrow(business: Business, now: datetime) -> Iterator[Wish]:
    zone = ZoneInfo(business.tz)
    today = now.astimezone(zone).date()
    due_at = at_hour(today, TOMORROW_HOUR, zone)
    if now < due_at:
        return
    going = Visit.objects.filter(
        site__customer__business=business,
        state=VisitState.BOOKED,
        starts_at__gte=at_hour(today + timedelta(days=1), 0, zone),
        starts_at__lt=at_hour(today + timedelta(days=2), 0, zone),
        technicians__is_active=True,
    )
    for user_id in going.order_by().values_list("technicians", flat=True).distinct():
        yield Wish(ReminderKind.TOMORROW, f"{business.pk}:{user_id}:{today}", due_at, business, user_id=user_id)


def lead_mails(business: Business, now: datetime) -> Iterator[Wish]:
    """The digest of new leads, and leads going cold."""
    zone = ZoneInfo(business.tz)
    today = now.astimezone(zone).date()
    due_at = at_hour(today, DIGEST_HOUR, zone)
    office = list(
        Membership.objects.filter(business=business, role__in=OFFICE_ROLES, user__is_active=True).values_list(
            "user_id", flat=True
        )
    )
    leads = Lead.objects.filter(site__customer__business=business).open()
    if now >= due_at:
        newest = leads.filter(opened_at__lte=due_at).aggregate(newest=Max("opened_at"))["newest"]
        sent = Reminder.objects.filter(business=business, kind=ReminderKind.LEAD_DIGEST, state=ReminderState.SENT)
        last = dict(sent.filter(due_at__lt=due_at).values_list("user").annotate(last=Max("due_at")).order_by())
        for user_id in office:
            if newest is None or newest <= digest_from(due_at, last.get(user_id)):
                continue
            about = f"{business.pk}:{user_id}:{today}"
            yield Wish(ReminderKind.LEAD_DIGEST, about, due_at, business, user_id=user_id)
    rules = sending_rules(business)
    soonest = next_decent(now, tz=business.tz, rules=rules)
    cold = leads.awake(today).filter(going_cold(today, now - timedelta(days=rules.cold_after_days)))
    for lead in cold.select_related("site__customer"):
        for user_id in [lead.assigned_to_id] if lead.assigned_to_id else office:
            yield Wish(
                ReminderKind.LEAD_COLD,
                f"{lead.pk}:{user_id}",
                soonest,
                business,
                site=lead.site,
                lead=lead,
                user_id=user_id,
            )


def going_cold(today: date, before: datetime) -> Q:
    """Leads nobody has touched since ``before`` and that have no step planned ahead."""
    return (
        Q(stage__in=[LeadStage.NEW, LeadStage.CONTACTED, LeadStage.QUOTED])
        & Q(opened_at__lt=before)
        & (Q(contacted_at=None) | Q(contacted_at__lt=before))
        & (Q(next_action_on=None) | Q(next_action_on__lt=today))
    )
