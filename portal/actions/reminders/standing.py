"""What follows from the calendar and the office's work: bookings, tomorrow's visits, digests, cold leads.

For each kind of reminder stands here when one should be there (of a ``Firm``), and why one that waits is moot.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

from django.db.models import Exists, Max, OuterRef, Q
from django.utils.translation import gettext_noop

from portal.actions.arrival import LONGEST_DRIVE, there_by
from portal.actions.invoices.issue import left_to_credit
from portal.actions.mail.facts import asked_event, digest_from, digest_leads, overdue_invoice, tomorrows_visits
from portal.actions.reminders.hours import at_hour, next_decent, sending_rules
from portal.actions.reminders.wish import Wish
from portal.models import (
    CALLED_OFF,
    OFFICE_ROLES,
    Business,
    EntryKind,
    Invoice,
    Lead,
    LeadEvent,
    LeadStage,
    Membership,
    Reminder,
    ReminderKind,
    ReminderState,
    Visit,
    VisitEntry,
    VisitState,
)
from portal.models.invoice import InvoiceQuerySet

DIGEST_HOUR = 8
"""Hour of the firm's day at which it is told of its leads. Common practice, no source."""
ASKED_WITHIN = timedelta(days=2)
"""What a homeowner asked longer ago, on a machine that stood still, is seen on the page. Common practice, no source."""
TOLD_WITHIN = timedelta(hours=20)
"""A wash that the office marks done days later is told by its result alone. Common practice, no source."""
PHOTOS_COME_WITHIN = timedelta(minutes=45)
"""So long the photos of a wash may take to arrive before its owner is told of it. Common practice, no source."""
TOMORROW_HOUR = 16
ARRIVAL_HOUR = 17
"""Hours of the firm's day at which a crew is told of tomorrow's visits, and their customers that somebody comes. Common
practice, no source."""
INVOICED_WITHIN = timedelta(days=2)
"""An invoice issued longer ago, on a machine that stood still, is the office's to send. Common practice, no source."""
OVERDUE_AFTER = timedelta(days=3)
"""So long past the day it is due nobody is reminded: a transfer takes a day or two. Common practice, no source."""
OVERDUE_AT_MOST = timedelta(days=180)
"""An invoice that is due for longer is no matter for a mail any more. Common practice, no source."""


@dataclass(kw_only=True)
class Firm:
    """One business as planning sees it."""

    business: Business
    now: datetime

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.business.tz)

    @property
    def today(self) -> date:
        return self.now.astimezone(self.zone).date()

    @cached_property
    def office(self) -> list[int]:
        """Who works in the office."""
        people = Membership.objects.filter(business=self.business, role__in=OFFICE_ROLES, user__is_active=True)
        return list(people.values_list("user_id", flat=True))


# --- visits ----------------------------------------------------------------------------------------------------------


def bookings(firm: Firm) -> Iterator[Wish]:
    ahead = Visit.objects.filter(
        site__customer__business=firm.business, state=VisitState.BOOKED, starts_at__gt=firm.now
    )
    for visit in ahead.exclude(site__customer__email="").select_related("site__customer"):
        yield _of_visit(firm, visit)


def _of_visit(firm: Firm, visit: Visit) -> Wish:
    """A mail about a visit as it stands now: after its next change another is wanted."""
    return Wish(
        about=f"{visit.pk}:{visit.revision}",
        due_at=firm.now,
        business=firm.business,
        site=visit.site,
        visit=visit,
        stale_at=visit.starts_at,
    )


def booking_moot(reminder: Reminder, moment: datetime) -> str:
    visit = reminder.visit
    assert visit is not None, "it is planned for a visit"
    if visit.state != VisitState.BOOKED:
        return gettext_noop("The visit was called off.")
    if reminder.about != f"{visit.pk}:{visit.revision}":
        return gettext_noop("The visit was moved; another mail tells of it.")
    return ""


def arrivals(firm: Firm) -> Iterator[Wish]:
    """Visits of tomorrow, in the evening. Whoever booked or moved theirs today has just been told of the time."""
    due_at = at_hour(firm.today, ARRIVAL_HOUR, firm.zone)
    if firm.now < due_at:
        return
    tomorrow = firm.today + timedelta(days=1)
    visits = Visit.objects.filter(
        site__customer__business=firm.business,
        state=VisitState.BOOKED,
        changed_at__lt=at_hour(firm.today, 0, firm.zone),
    ).between(tomorrow, tomorrow, tz=firm.business.tz)
    for visit in visits.exclude(site__customer__email="").select_related("site__customer"):
        yield replace(_of_visit(firm, visit), due_at=due_at, stale_at=None)


def set_outs(firm: Firm) -> Iterator[Wish]:
    """Visits whose crew says that it has set out, until it should be there."""
    said = VisitEntry.objects.filter(
        kind=EntryKind.SET_OUT,
        at__gt=firm.now - LONGEST_DRIVE,
        visit__state=VisitState.BOOKED,
        visit__site__customer__business=firm.business,
    ).exclude(visit__site__customer__email="")
    newest = {one.visit: there_by(one) for one in said.select_related("visit__site__customer").order_by("at", "pk")}
    for visit, there in newest.items():
        if there > firm.now:
            yield replace(_of_visit(firm, visit), stale_at=there)


def set_out_moot(reminder: Reminder, moment: datetime) -> str:
    visit = reminder.visit
    assert visit is not None, "it is planned for a visit"
    if visit.state == VisitState.DONE or visit.entries.filter(kind=EntryKind.ARRIVED).exists():
        return gettext_noop("They are there already.")
    return booking_moot(reminder, moment)


def told_of(visit: Visit) -> bool:
    """Whether a mail about this visit reached its customer."""
    return Reminder.objects.filter(visit=visit, user=None).exclude(sent_at=None).exists()


def called_off(firm: Firm) -> Iterator[Wish]:
    """Visits to come that are called off, where the customer was written to about them."""
    off = Visit.objects.filter(
        site__customer__business=firm.business, state__in=CALLED_OFF, starts_at__gt=firm.now
    ).exclude(site__customer__email="")
    told = Reminder.objects.filter(visit=OuterRef("pk"), user=None).exclude(sent_at=None)
    for visit in off.filter(Exists(told)).select_related("site__customer"):
        yield _of_visit(firm, visit)


def call_off_moot(reminder: Reminder, moment: datetime) -> str:
    visit = reminder.visit
    assert visit is not None, "it is planned for a visit"
    if visit.state not in CALLED_OFF or reminder.about != f"{visit.pk}:{visit.revision}":
        return gettext_noop("The visit stands again; another mail tells of it.")
    return ""


def washes_done(firm: Firm) -> Iterator[Wish]:
    """Told on the day itself, once the phone has had time to send the photos that waited for a signal."""
    done = Visit.objects.filter(
        site__customer__business=firm.business, state=VisitState.DONE, finished_at__gt=firm.now - TOLD_WITHIN
    )
    for visit in done.exclude(site__customer__email="").select_related("site__customer"):
        assert visit.finished_at is not None, "a constraint sees to it"
        yield Wish(
            about=str(visit.pk),
            due_at=visit.finished_at + PHOTOS_COME_WITHIN,
            business=firm.business,
            site=visit.site,
            visit=visit,
        )


def wash_undone(reminder: Reminder, moment: datetime) -> str:
    assert reminder.visit is not None, "it is planned for a visit"
    return "" if reminder.visit.state == VisitState.DONE else gettext_noop("The visit was reopened.")


def tomorrows(firm: Firm) -> Iterator[Wish]:
    due_at = at_hour(firm.today, TOMORROW_HOUR, firm.zone)
    if firm.now < due_at:
        return
    going = Visit.objects.filter(
        site__customer__business=firm.business,
        state=VisitState.BOOKED,
        starts_at__gte=at_hour(firm.today + timedelta(days=1), 0, firm.zone),
        starts_at__lt=at_hour(firm.today + timedelta(days=2), 0, firm.zone),
        technicians__is_active=True,
    )
    for user_id in going.order_by().values_list("technicians", flat=True).distinct():
        about = f"{firm.business.pk}:{user_id}:{firm.today}"
        yield Wish(about=about, due_at=due_at, business=firm.business, user_id=user_id)


def tomorrow_moot(reminder: Reminder, moment: datetime) -> str:
    return "" if tomorrows_visits(reminder) else gettext_noop("No visit is left on that day.")


# --- invoices --------------------------------------------------------------------------------------------------------


def invoices_out(firm: Firm) -> Iterator[Wish]:
    """Invoices and credit notes go to whom they are for as soon as they are issued."""
    out = Invoice.objects.issued().filter(
        business=firm.business, made_at__lte=firm.now, issued_on__gte=firm.today - INVOICED_WITHIN
    )
    for invoice in _to_write_about(out):
        assert invoice.visit is not None, "asked for"
        yield Wish(
            about=str(invoice.pk), due_at=firm.now, business=firm.business, site=invoice.visit.site, visit=invoice.visit
        )


def invoice_moot(reminder: Reminder, moment: datetime) -> str:
    """What was taken back before anybody read of it needs no mail, and neither does what took it back."""
    document = Invoice.objects.select_related("corrects").get(pk=reminder.about)
    if document.corrects is not None:
        told = Reminder.objects.filter(kind=reminder.kind, key__contains=f":{document.corrects_id}:")
        unread = not told.filter(state__in=[ReminderState.SENT, ReminderState.SENDING]).exists()
    else:
        unread = not any(left_to_credit(document).values())
    return gettext_noop("The invoice was credited before it went out.") if unread else ""


def invoices_overdue(firm: Firm) -> Iterator[Wish]:
    """What is open and past due, at a decent hour; how often, the table says."""
    due_at = next_decent(firm.now, tz=firm.business.tz, rules=sending_rules(firm.business))
    late = Invoice.objects.unpaid().filter(
        business=firm.business,
        due_on__lte=firm.today - OVERDUE_AFTER,
        due_on__gte=firm.today - OVERDUE_AT_MOST,
        customer__consented_on__isnull=False,
    )
    for invoice in _to_write_about(late):
        assert invoice.visit is not None, "asked for"
        yield Wish(
            about=str(invoice.pk), due_at=due_at, business=firm.business, site=invoice.visit.site, visit=invoice.visit
        )


def paid_meanwhile(reminder: Reminder, moment: datetime) -> str:
    return "" if overdue_invoice(reminder) is not None else gettext_noop("The invoice is paid or credited.")


def _to_write_about(invoices: InvoiceQuerySet) -> InvoiceQuerySet:
    """Those whose customer and visit are there still, and whose customer has an address."""
    known = invoices.filter(customer__isnull=False, visit__isnull=False).exclude(customer__email="")
    return known.select_related("visit__site__customer")


# --- leads -----------------------------------------------------------------------------------------------------------


def digests(firm: Firm, *, kind: ReminderKind) -> Iterator[Wish]:
    """To each of the office whom no digest, which are of this ``kind``, has told of the newest lead yet."""
    due_at = at_hour(firm.today, DIGEST_HOUR, firm.zone)
    if firm.now < due_at:
        return
    leads = Lead.objects.filter(site__customer__business=firm.business).open()
    newest = leads.filter(opened_at__lte=due_at).aggregate(newest=Max("opened_at"))["newest"]
    if newest is None:
        return
    sent = Reminder.objects.filter(business=firm.business, kind=kind, state=ReminderState.SENT)
    last = dict(sent.filter(due_at__lt=due_at).values_list("user").annotate(last=Max("due_at")).order_by())
    for user_id in firm.office:
        if newest > digest_from(due_at, last.get(user_id)):
            about = f"{firm.business.pk}:{user_id}:{firm.today}"
            yield Wish(about=about, due_at=due_at, business=firm.business, user_id=user_id)


def digest_moot(reminder: Reminder, moment: datetime) -> str:
    return "" if digest_leads(reminder) else gettext_noop("No new lead is open any more.")


def cold_leads(firm: Firm) -> Iterator[Wish]:
    """To whom a cold lead is given, else to the whole office."""
    due_at = next_decent(firm.now, tz=firm.business.tz, rules=sending_rules(firm.business))
    leads = Lead.objects.filter(_cold(firm.business, firm.now), site__customer__business=firm.business)
    for lead in leads.awake(firm.today).select_related("site__customer"):
        for user_id in [lead.assigned_to_id] if lead.assigned_to_id else firm.office:
            yield Wish(
                about=f"{lead.pk}:{user_id}",
                due_at=due_at,
                business=firm.business,
                site=lead.site,
                lead=lead,
                user_id=user_id,
            )


def cold_moot(reminder: Reminder, moment: datetime) -> str:
    assert reminder.lead is not None, "it is planned for a lead"
    today = moment.astimezone(ZoneInfo(reminder.business.tz)).date()
    still = Lead.objects.awake(today).filter(_cold(reminder.business, moment), pk=reminder.lead.pk)
    return "" if still.exists() else gettext_noop("Somebody has taken care of the lead.")


def _cold(business: Business, moment: datetime) -> Q:
    """Leads nobody has touched for as many days as the business says, and that have no step planned ahead."""
    before = moment - timedelta(days=sending_rules(business).cold_after_days)
    today = moment.astimezone(ZoneInfo(business.tz)).date()
    return (
        Q(stage__in=[LeadStage.NEW, LeadStage.CONTACTED, LeadStage.QUOTED])
        & Q(opened_at__lt=before)
        & (Q(contacted_at=None) | Q(contacted_at__lt=before))
        & (Q(next_action_on=None) | Q(next_action_on__lt=today))
    )


def asked(firm: Firm) -> Iterator[Wish]:
    """What homeowners ask goes to whom their lead is given, else to the whole office, at once."""
    events = LeadEvent.objects.waiting().filter(
        lead__site__customer__business=firm.business, lead__closed_at=None, at__gt=firm.now - ASKED_WITHIN
    )
    for event in events.select_related("lead__site__customer"):
        for user_id in [event.lead.assigned_to_id] if event.lead.assigned_to_id else firm.office:
            yield Wish(
                about=f"{event.pk}:{user_id}",
                due_at=event.at,
                business=firm.business,
                site=event.lead.site,
                lead=event.lead,
                user_id=user_id,
            )


def asked_moot(reminder: Reminder, moment: datetime) -> str:
    return "" if asked_event(reminder).answered_at is None else gettext_noop("Somebody has seen to it.")
