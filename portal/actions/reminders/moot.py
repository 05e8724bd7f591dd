"""Whether a due reminder may and should still go."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from portal.actions.mail.facts import digest_leads, last_reading_day, visits_of_day
from portal.actions.mail.recipient import ASKED_FOR, TO_STAFF, recipient
from portal.actions.reminders.hours import season_stopped, sending_rules
from portal.actions.reminders.roofs import QUIET_AFTER, SOON, wash_key
from portal.actions.reminders.standing import going_cold
from portal.actions.washes import last_wash, measured_gain, wash_ahead, wash_due
from portal.models import Lead, MailStop, Preference, Reminder, ReminderKind, Site, VisitState
from portal.pv.result import Verdict


def is_list_mail(reminder: Reminder) -> bool:
    return reminder.kind not in TO_STAFF | ASKED_FOR


def why_not(reminder: Reminder, moment: datetime) -> str:
    """Why a reminder should not go any more; empty when it should."""
    if moment > reminder.stale_at:
        return f"It was due on {reminder.due_at:%Y-%m-%d %H:%M} UTC and came too late to be of use."
    person = recipient(reminder)
    if not person.email:
        return "There is no e-mail address."
    stop = MailStop.objects.filter(business=reminder.business, email__iexact=person.email).first()
    if stop and not (stop.why == "unsubscribed" and reminder.kind in ASKED_FOR):
        return f"This address is not written to any more: {stop.get_why_display().lower()} on {stop.since:%Y-%m-%d}."
    if reminder.customer is not None and is_list_mail(reminder) and reminder.customer.consented_on is None:
        return "They have not agreed to be written to."
    if reminder.customer is not None and is_list_mail(reminder) and not reminder.business.postal_address.strip():
        return "Your postal address, which belongs into every such mail, is missing. Fill it in, then put this back."
    if Preference.objects.filter(
        customer=reminder.customer, user=reminder.user, kind=reminder.kind, wanted=False
    ).exists():
        return "They do not want mails of this kind."
    return _moot(reminder, moment)


def _moot(reminder: Reminder, moment: datetime) -> str:
    """Why what the reminder says is no longer so; empty when it still is."""
    kind = ReminderKind(reminder.kind)
    site, visit, lead = reminder.site, reminder.visit, reminder.lead
    if kind in (ReminderKind.DUE_SOON, ReminderKind.DUE) and site:
        return _cleaning_moot(reminder, site, moment)
    if kind == ReminderKind.BOOKED and visit:
        if visit.state != VisitState.BOOKED:
            return "The visit was called off."
        if not reminder.key.startswith(f"{kind}:{visit.pk}:{visit.revision}:"):
            return "The visit was moved; another mail tells of it."
    elif kind == ReminderKind.RESULT and visit:
        if measured_gain(visit) is None:
            return "The readings no longer say what the wash gained."
    elif kind == ReminderKind.QUIET and site:
        last = last_reading_day(site)
        if last and moment.astimezone(ZoneInfo(site.tz)).date() - last < QUIET_AFTER:
            return "Readings have come in."
    elif kind == ReminderKind.SEND_READINGS and site:
        if last_reading_day(site) is not None:
            return "Readings have come in."
    elif kind == ReminderKind.OTHER_FAULT and site:
        newest = reminder.newest_assessment
        if newest is None or newest.verdict != Verdict.OTHER_FAULT:
            return "The readings no longer show it."
    elif kind == ReminderKind.LEAD_DIGEST:
        if not digest_leads(reminder):
            return "No new lead is open any more."
    elif kind == ReminderKind.LEAD_COLD and lead:
        today = moment.astimezone(ZoneInfo(reminder.business.tz)).date()
        before = moment - timedelta(days=sending_rules(reminder.business).cold_after_days)
        if not Lead.objects.awake(today).filter(going_cold(today, before), pk=lead.pk).exists():
            return "Somebody has taken care of the lead."
    elif kind == ReminderKind.TOMORROW:
        day = reminder.due_at.astimezone(ZoneInfo(reminder.business.tz)).date() + timedelta(days=1)
        if not visits_of_day(reminder, day):
            return "No visit is left on that day."
    return ""


def _cleaning_moot(reminder: Reminder, site: Site, moment: datetime) -> str:
    today = moment.astimezone(ZoneInfo(site.tz)).date()
    if season_stopped(today, sending_rules(reminder.business)):
        return "No cleaning reminders go out in this season."
    if wash_ahead(site):
        return "A visit is booked."
    washed = last_wash(site)
    if not reminder.key.startswith(f"{reminder.kind}:{site.pk}:{wash_key(washed)}:"):
        return "The panels were washed meanwhile."
    newest = reminder.newest_assessment
    if newest is not None and newest.verdict == Verdict.OTHER_FAULT:
        return "By now the readings show something other than dirt."
    due = wash_due(site, newest, washed).on
    if due is None or due > today + SOON:
        return "By the newest readings no wash is due."
    if reminder.kind == ReminderKind.DUE_SOON and due <= today:
        return "It is due by now; the mail that says so goes instead."
    return ""
