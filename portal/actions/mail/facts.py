"""What a reminder's mail has to tell: its facts as words, as of now."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Max, Q
from django.utils.formats import time_format

from portal.actions.leads import why_now
from portal.actions.mail.phrases import PHRASES, about_money, money
from portal.actions.mail.recipient import address, recipient
from portal.actions.pricing import price_of_visit
from portal.actions.washes import cost_at, last_wash, measured_gain, payback_months, wash_due
from portal.actions.words import cause_words, day_words, percent
from portal.models import (
    DayReadings,
    Lead,
    Reminder,
    ReminderKind,
    ReminderState,
    Site,
    SiteAssessment,
    Visit,
    VisitState,
)
from portal.pv.due import Basis

PAYS_WITHIN_MONTHS = 12


def facts(reminder: Reminder, *, now: datetime) -> dict[str, str]:
    """The facts of a reminder as words, as of now, in the language that is active."""
    person, business = recipient(reminder), reminder.business
    kind = ReminderKind(reminder.kind)
    words = PHRASES[person.language]
    zone = ZoneInfo(person.tz)
    known = {
        "name": person.name,
        "business": business.name,
        "phone": business.phone or business.email,
        "link": address("home"),
    }
    if site := reminder.site:
        known["site"] = site.name
        logs_in = reminder.customer is not None and reminder.customer.user_id is not None
        known["send"] = words["upload"].format(link=address("import_upload")) if logs_in else words["attach"]
    if kind in (ReminderKind.DUE_SOON, ReminderKind.DUE):
        assert site is not None
        known |= _cleaning_facts(reminder, site, words, now.astimezone(zone).date())
    elif kind == ReminderKind.OTHER_FAULT:
        assert site is not None
        newest = reminder.newest_assessment
        began = newest.cause_began if newest else None
        known["cause"] = cause_words(newest.cause if newest else "", person.language)
        known["since"] = words["since"].format(day=day_words(began)) if began else ""
    elif kind == ReminderKind.QUIET:
        assert site is not None
        last = last_reading_day(site)
        assert last is not None, "quiet reminders are for sites that had readings"
        known["last_day"] = day_words(last)
        known["days"] = str((now.astimezone(zone).date() - last).days)
    elif kind in (ReminderKind.BOOKED, ReminderKind.RESULT):
        assert reminder.visit is not None
        known |= _visit_facts(reminder.visit, zone, words)
    elif kind == ReminderKind.LEAD_DIGEST:
        leads = digest_leads(reminder)
        known["count"] = str(len(leads))
        known["leads"] = "\n\n".join(
            "– "
            + words["lead"].format(
                customer=lead.site.customer.name, site=lead.site.name, why=why_now(lead, person.language)
            )
            for lead in leads
        )
        known["link"] = address("leads")
    elif kind == ReminderKind.LEAD_COLD:
        lead = reminder.lead
        assert lead is not None
        known["customer"] = lead.site.customer.name
        known["site"] = lead.site.name
        known["days"] = str((now - (lead.contacted_at or lead.opened_at)).days)
        known["why"] = why_now(lead, person.language)
        known["link"] = address("lead", lead.pk)
    elif kind == ReminderKind.TOMORROW:
        day = reminder.due_at.astimezone(zone).date() + timedelta(days=1)
        known["day"] = day_words(day)
        known["visits"] = "\n".join(
            words["visit"].format(
                time=time_format(visit.starts_at.astimezone(ZoneInfo(visit.site.tz))),
                customer=visit.site.customer.name,
                address=visit.site.address,
            )
            for visit in visits_of_day(reminder, day)
        )
    return known


def _cleaning_facts(reminder: Reminder, site: Site, words: dict[str, str], today: date) -> dict[str, str]:
    newest = reminder.newest_assessment
    loss = None
    if newest is not None and newest.loss_low is not None and newest.loss_high is not None:
        loss = words["loss"].format(
            mid=percent(newest.present_loss or 0.0), low=percent(newest.loss_low), high=percent(newest.loss_high)
        )
    due = wash_due(site, newest, last_wash(site))
    by_readings = due.basis == Basis.READINGS
    if by_readings:
        basis = words["readings"].format(loss=loss) if loss else words["readings_no_loss"]
    else:
        months = site.customer.business.calendar_months
        rule = words["rule_month" if months == 1 else "rule"].format(months=months)
        basis = words["calendar_blind" if last_reading_day(site) is None else "calendar"].format(rule=rule)
    return {
        "price": money(price_of_visit(site), site.customer.business),
        "loss": loss or words["loss_unknown"],
        "due_date": day_words(max(due.on, today)) if due.on else "",
        "basis": basis,
        "pays": _whether_it_pays(site, newest, words, by_readings=by_readings),
    }


def _whether_it_pays(site: Site, newest: SiteAssessment | None, words: dict[str, str], *, by_readings: bool) -> str:
    """What a wash costs and what dirt does; where only the calendar speaks, by the ends of what is known."""
    business = site.customer.business
    price = price_of_visit(site)
    said = words["price"].format(price=money(price, business))
    value = newest.value_lost_per_month if newest else None
    low = cost_at(newest, newest.loss_low) if newest else None
    high = cost_at(newest, newest.loss_high) if newest else None
    if low is None or high is None or value is None:
        return said + words["cheaper" if by_readings else "pays_unknown"]
    known = {name: about_money(amount, business) for name, amount in (("value", value), ("low", low), ("high", high))}
    if not by_readings:
        worth_it = high * PAYS_WITHIN_MONTHS >= price
        return said + words["pays_maybe" if worth_it else "pays_not"].format(**known)
    said += words["costs"].format(**known) + words["cheaper"]
    months = payback_months(price, value)
    if months is None or round(months) > PAYS_WITHIN_MONTHS:
        return said
    return said + words["payback" if round(months) > 1 else "payback_month"].format(months=round(months))


def _visit_facts(visit: Visit, zone: ZoneInfo, words: dict[str, str]) -> dict[str, str]:
    start = visit.starts_at.astimezone(zone)
    known = {
        "visit_day": day_words((visit.finished_at or visit.starts_at).astimezone(zone).date()),
        "visit_time": time_format(start),
        "cost": words["cost"].format(price=money(visit.price, visit.site.customer.business))
        if visit.price is not None
        else "",
    }
    if gain := measured_gain(visit):
        mid, low, high = gain
        phrase = words["gained" if low > 0 else "gained_nothing"]
        known["gain"] = phrase.format(mid=percent(mid), low=percent(low), high=percent(high))
    return known


def last_reading_day(site: Site) -> date | None:
    last: date | None = DayReadings.objects.filter(meter__site=site).aggregate(last=Max("day"))["last"]
    return last


def digest_from(due_at: datetime, last: datetime | None) -> datetime:
    """Leads opened after this are in the digest of ``due_at``, when the one before it was of ``last``."""
    return max(last or due_at - timedelta(days=1), due_at - timedelta(days=7))


def digest_leads(reminder: Reminder) -> list[Lead]:
    """The leads of a digest: opened since the last one that was sent (a week at most), and still open."""
    last = (
        Reminder.objects.filter(
            kind=reminder.kind, user=reminder.user, business=reminder.business, state=ReminderState.SENT
        )
        .exclude(pk=reminder.pk)
        .aggregate(last=Max("due_at", filter=Q(due_at__lt=reminder.due_at)))["last"]
    )
    since = digest_from(reminder.due_at, last)
    leads = Lead.objects.filter(
        site__customer__business=reminder.business, opened_at__gt=since, opened_at__lte=reminder.due_at
    )
    return list(leads.open().by_value().select_related("site__customer__business"))


def visits_of_day(reminder: Reminder, day: date) -> list[Visit]:
    """A technician's booked visits of one day of the business's clock."""
    zone = ZoneInfo(reminder.business.tz)
    start = datetime.combine(day, time(), tzinfo=zone)
    visits = Visit.objects.filter(
        technicians=reminder.user,
        site__customer__business=reminder.business,
        state=VisitState.BOOKED,
        starts_at__gte=start,
        starts_at__lt=datetime.combine(day + timedelta(days=1), time(), tzinfo=zone),
    )
    return list(visits.select_related("site__customer").order_by("starts_at"))
