"""What a reminder's mail has to tell: its facts as words, as of now, in the language that is active.

``common_facts`` are known to every kind; of the other functions each tells what one kind has to tell besides.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from itertools import product
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import Max, Q
from django.utils.translation import gettext

from portal.actions.advice import recommendation
from portal.actions.arrival import arrival_window, expected_at
from portal.actions.invoices.issue import invoice_token
from portal.actions.mail.phrases import PHRASES
from portal.actions.mail.recipient import again_token, page_address, recipient, wish_token
from portal.actions.pricing import price_of_visit
from portal.actions.proof import link_token, mailed_report
from portal.actions.standing_wishes import standing_wish
from portal.actions.washes import measured_gain
from portal.models import (
    DayReadings,
    Distance,
    Invoice,
    InvoiceKind,
    Lead,
    LeadEvent,
    Phase,
    Reminder,
    ReminderState,
    Visit,
    VisitPhoto,
    VisitState,
)
from portal.models.record import findings
from portal.words import advice as words
from portal.words.figures import clock_words, day_words, money, percent
from portal.words.standing_wish import your_wish_words


def common_facts(reminder: Reminder) -> dict[str, str]:
    person, business = recipient(reminder), reminder.business
    known = {
        "name": person.name,
        "business": business.name,
        "phone": business.phone or business.email,
        "link": page_address("home"),
    }
    if reminder.site is not None:
        words = PHRASES[person.language]
        logs_in = reminder.customer is not None and reminder.customer.user_id is not None
        known["site"] = reminder.site.name
        known["send"] = words["upload"].format(link=page_address("import_upload")) if logs_in else words["attach"]
    return known


def nothing_more(reminder: Reminder, moment: datetime) -> dict[str, str]:
    return {}


# --- a roof's owner --------------------------------------------------------------------------------------------------


def wash_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    """A wash that is due, who says so, what it costs and whether it pays: what the roof's page says."""
    site = reminder.site
    assert site is not None, "it is planned for a roof"
    told = recommendation(site, now=moment)
    currency, price = site.customer.business.currency, price_of_visit(site)
    pays = words.money_line(told)
    if told.wash is None:
        costs = gettext("A wash costs {price}.").format(price=money(price, currency))
        pays = f"{pays} {costs}".strip()
    return {
        "price": money(price, currency),
        "loss": words.loss_in_a_row(told) or gettext("an unknown share"),
        "due_date": day_words(max(told.due_on, told.today)) if told.due_on else "",
        "basis": f"{words.headline(told)} {words.why(told)}".strip(),
        "pays": f"{words.advice(told)} {pays}",
    }


def wished_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    """A wash that is due by its owner's standing wish, beside what the readings say."""
    site = reminder.site
    assert site is not None, "it is planned for a roof"
    told = recommendation(site, now=moment)
    wish = standing_wish(site, told)
    return {
        "asked": your_wish_words(wish, told.today) if wish else "",
        "choose": page_address("visit_wished", wish_token(site)),
        "basis": f"{words.headline(told)} {words.why(told)}".strip(),
        "price": money(price_of_visit(site), site.customer.business.currency),
    }


def fault_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    assert reminder.site is not None, "it is planned for a roof"
    told = recommendation(reminder.site, now=moment)
    began = told.state_day
    since = PHRASES[recipient(reminder).language]["since"]
    return {
        "cause": words.cause(told),
        "since": since.format(day=day_words(began)) if began else "",
    }


def quiet_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    assert reminder.site is not None, "it is planned for a roof"
    last = DayReadings.objects.last_day(reminder.site)
    assert last is not None, "quiet reminders are for roofs that had readings"
    today = moment.astimezone(ZoneInfo(recipient(reminder).tz)).date()
    return {"last_day": day_words(last), "days": str((today - last).days)}


def utility_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    """A utility that sends no readings any more, and where its customer connects it again."""
    assert reminder.site is not None, "it is planned for a roof"
    return {
        "utility": settings.GREEN_BUTTON["name"] or PHRASES[recipient(reminder).language]["utility"],
        "link": page_address("utility", reminder.site.pk),
    }


def visit_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    """A visit's day, time and price."""
    visit = reminder.visit
    assert visit is not None, "it is planned for a visit"
    person = recipient(reminder)
    zone, start = ZoneInfo(person.tz), visit.starts_at
    cost = ""
    if visit.price is not None:
        cost = PHRASES[person.language]["cost"].format(price=money(visit.price, reminder.business.currency))
    return {
        "visit_day": day_words((visit.finished_at or start).astimezone(zone).date()),
        "visit_time": clock_words(start.astimezone(zone)),
        "cost": cost,
    }


def arrival_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    """A visit's day, and between which times its crew arrives."""
    assert reminder.visit is not None, "it is planned for a visit"
    zone = ZoneInfo(recipient(reminder).tz)
    first, last = (clock_words(one.astimezone(zone)) for one in arrival_window(reminder.visit))
    return visit_facts(reminder, moment) | {"not_before": first, "not_after": last}


def set_out_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    """When the van is there."""
    assert reminder.visit is not None, "it is planned for a visit"
    there = expected_at(reminder.visit)
    assert there is not None, "it is planned once they have set out"
    return {"there_at": clock_words(there.astimezone(ZoneInfo(recipient(reminder).tz)))}


def called_off_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    """A visit that was called off: its day, why, and where another one is chosen."""
    visit = reminder.visit
    assert visit is not None, "it is planned for a visit"
    words = PHRASES[recipient(reminder).language]
    return visit_facts(reminder, moment) | {
        "why": words.get(f"off_{visit.state}", ""),
        "link": page_address("visit_again", again_token(visit)),
    }


def result_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    """A visit's day and what the wash gained."""
    assert reminder.visit is not None, "it is planned for a visit"
    gain = measured_gain(reminder.visit)
    assert gain is not None, "results are told of visits whose gain is measured"
    mid, low, high = (percent(one) for one in gain)
    link = {"link": _report_link(reminder, moment)}
    phrase = PHRASES[recipient(reminder).language]["gained" if gain[1] > 0 else "gained_nothing"]
    return visit_facts(reminder, moment) | link | {"gain": phrase.format(mid=mid, low=low, high=high)}


def _report_link(reminder: Reminder, moment: datetime) -> str:
    """Where the report of a visit opens without a login."""
    assert reminder.visit is not None, "it is planned for a visit"
    return page_address("shared_report", link_token(mailed_report(visit=reminder.visit, now=moment)))


def washed_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    """What was done and found on a visit, on the day itself."""
    visit = reminder.visit
    assert visit is not None, "it is planned for a visit"
    words = PHRASES[recipient(reminder).language]
    found = [f"– {one.item_label}" + (f": {one.note}" if one.note else "") for one in findings(visit.entries.all())]
    return visit_facts(reminder, moment) | {
        "link": _report_link(reminder, moment),
        "photos": words["photos_attached" if photos_to_show(visit) else "photos_none"],
        "found": words["found"].format(list="\n".join(found)) if found else words["found_nothing"],
    }


def photos_to_show(visit: Visit) -> list[VisitPhoto]:
    """The newest photo of each kind that a report shows."""
    of_kind = {(one.phase, one.distance): one for one in visit.photos.filter(item="").exclude(phase=Phase.FINDING)}
    return [of_kind[kind] for kind in product(Phase, Distance) if kind in of_kind]


def invoice_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    """A document that is out: what it is of, what is to pay, and where it opens without a login."""
    invoice = Invoice.objects.with_open().get(pk=reminder.about)
    words = PHRASES[recipient(reminder).language]
    assert invoice.due_on is not None, "a constraint sees to it"
    left = invoice.open_amount
    pay = ""
    if invoice.kind == InvoiceKind.CREDIT:
        pay = words["credited"].format(number=invoice.corrects.label if invoice.corrects else "", why=invoice.reason)
    elif left > 0:
        pay = words["pay_by"].format(amount=money(left, invoice.currency), day=day_words(invoice.due_on))
    else:
        pay = words["paid"]
    return {
        "document": str(invoice.get_kind_display()),
        "number": invoice.label,
        "amount": money(invoice.total, invoice.currency),
        "pay": pay,
        "link": page_address("shared_invoice", invoice_token(invoice)),
    }


def overdue_invoice(reminder: Reminder) -> Invoice | None:
    """The invoice a reminder is about, with what is open of it; None when nothing is any more."""
    return Invoice.objects.unpaid().filter(pk=reminder.about, customer=reminder.customer_id).first()


def overdue_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    invoice = overdue_invoice(reminder)
    assert invoice is not None, "it is moot otherwise"
    assert invoice.due_on is not None, "a constraint sees to it"
    today = moment.astimezone(ZoneInfo(reminder.business.tz)).date()
    return {
        "number": invoice.label,
        "amount": money(invoice.open_amount, invoice.currency),
        "due_date": day_words(invoice.due_on),
        "days": str((today - invoice.due_on).days),
        "link": page_address("shared_invoice", invoice_token(invoice)),
    }


# --- the people who work here ----------------------------------------------------------------------------------------


def digest_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    leads, language = digest_leads(reminder), recipient(reminder).language
    line = "– " + PHRASES[language]["lead"]
    lines = [
        line.format(customer=lead.site.customer.name, site=lead.site.name, why=_why(lead, moment)) for lead in leads
    ]
    return {"count": str(len(leads)), "leads": "\n\n".join(lines), "link": page_address("leads")}


def _why(lead: Lead, moment: datetime) -> str:
    """Why a lead is on the list: what its page says."""
    told = recommendation(lead.site, now=moment)
    return " ".join(part for part in (words.headline(told), words.cost(told), words.advice(told)) if part)


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


def cold_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    lead = reminder.lead
    assert lead is not None, "it is planned for a lead"
    return {
        "customer": lead.site.customer.name,
        "site": lead.site.name,
        "days": str((moment - (lead.contacted_at or lead.opened_at)).days),
        "why": _why(lead, moment),
        "link": page_address("lead", lead.pk),
    }


def asked_event(reminder: Reminder) -> LeadEvent:
    """What a homeowner asked, of which a reminder tells."""
    return LeadEvent.objects.get(pk=reminder.about.partition(":")[0])


def asked_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    event = asked_event(reminder)
    what = str(event.get_kind_display())
    if event.agreed_price is not None:
        what += f": {money(event.agreed_price, event.agreed['currency'])}"
    if event.ask_again_on:
        what += f": {day_words(event.ask_again_on)}"
    site = event.lead.site
    return {
        "customer": site.customer.name,
        "site": site.name,
        "what": what + (f". “{event.text}”" if event.text else ""),
        "link": page_address("lead", event.lead_id),
    }


def tomorrow_facts(reminder: Reminder, moment: datetime) -> dict[str, str]:
    line = PHRASES[recipient(reminder).language]["visit"]
    lines = [
        line.format(
            time=clock_words(visit.starts_at.astimezone(ZoneInfo(visit.site.tz))),
            customer=visit.site.customer.name,
            address=visit.site.address,
        )
        for visit in tomorrows_visits(reminder)
    ]
    return {"day": day_words(_day_after(reminder)), "visits": "\n".join(lines)}


def _day_after(reminder: Reminder) -> date:
    """The day after it is due, by the business's clock."""
    return reminder.due_at.astimezone(ZoneInfo(reminder.business.tz)).date() + timedelta(days=1)


def tomorrows_visits(reminder: Reminder) -> list[Visit]:
    """A technician's booked visits of the day after the reminder is due."""
    day, zone = _day_after(reminder), ZoneInfo(reminder.business.tz)
    visits = Visit.objects.filter(
        technicians=reminder.user,
        site__customer__business=reminder.business,
        state=VisitState.BOOKED,
        starts_at__gte=datetime.combine(day, time(), tzinfo=zone),
        starts_at__lt=datetime.combine(day + timedelta(days=1), time(), tzinfo=zone),
    )
    return list(visits.select_related("site__customer").order_by("starts_at"))
