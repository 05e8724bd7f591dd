"""The mails: whom a reminder goes to, what it says in their language, and handing it to the mail server.

The words are in ``templates/mail/<language>/<kind>.txt``, the subject first; a business may have its own
(``Wording``). Facts stand in them as {names}: only the names listed in ``FACTS``, replaced as text, nothing run.
"""

from __future__ import annotations

import contextlib
import re
import smtplib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from email.utils import quote
from functools import lru_cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import icalendar
from anymail.exceptions import AnymailAPIError, AnymailError
from django.conf import settings
from django.core import signing
from django.core.exceptions import ValidationError
from django.core.mail import EmailMultiAlternatives, get_connection
from django.core.mail.backends import smtp
from django.db.models import Max, Q
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import translation
from django.utils.formats import number_format, time_format

from portal.actions.leads import why_now
from portal.actions.pricing import price_of_visit
from portal.actions.words import cause_words, cost_at, day_words, percent
from portal.models import (
    Business,
    Customer,
    DayReadings,
    Lead,
    MailStop,
    Preference,
    Proof,
    Reminder,
    ReminderKind,
    ReminderState,
    Site,
    SiteAssessment,
    User,
    Visit,
    VisitState,
    Wording,
)
from portal.pv.due import calendar_due
from portal.pv.result import Cause

TEXTS = Path(__file__).resolve().parents[2] / "templates" / "mail"
SALT = "mail"

_CLEANING_FACTS = ("name", "site", "business", "phone", "due_date", "basis", "pays", "loss", "price", "link")
FACTS: dict[ReminderKind, tuple[str, ...]] = {
    ReminderKind.DUE_SOON: _CLEANING_FACTS,
    ReminderKind.DUE: _CLEANING_FACTS,
    ReminderKind.BOOKED: ("name", "site", "business", "phone", "visit_day", "visit_time", "cost"),
    ReminderKind.RESULT: ("name", "site", "business", "phone", "visit_day", "gain", "link"),
    ReminderKind.QUIET: ("name", "site", "business", "phone", "last_day", "days", "send"),
    ReminderKind.OTHER_FAULT: ("name", "site", "business", "phone", "since", "cause", "link"),
    ReminderKind.SEND_READINGS: ("name", "site", "business", "phone", "send"),
    ReminderKind.LEAD_DIGEST: ("name", "business", "count", "leads", "link"),
    ReminderKind.LEAD_COLD: ("name", "business", "customer", "site", "days", "why", "link"),
    ReminderKind.TOMORROW: ("name", "business", "day", "visits", "link"),
}
"""The facts each kind of mail may name."""

TO_STAFF = frozenset({ReminderKind.LEAD_DIGEST, ReminderKind.LEAD_COLD, ReminderKind.TOMORROW})
PAYS_WITHIN_MONTHS = 12
ASKED_FOR = frozenset({ReminderKind.BOOKED})
"""Kinds that answer what the recipient did; they need no consent to be written to and are no list to leave."""

_PHRASES: dict[str, dict[str, str]] = {
    "en": {
        "readings": "Your readings say that their output is about {loss} below clean.",
        "readings_no_loss": "Your readings say so.",
        "calendar": "Your readings cannot tell how dirty they are, so this date comes from the calendar: {rule}.",
        "calendar_blind": "We have no readings of your panels, so this date comes from the calendar: {rule}.",
        "rule": "one wash every {months} months",
        "rule_month": "one wash every month",
        "price": "A wash costs {price}.",
        "costs": " Dirt now costs you about {value} a month (estimate, likely {low} to {high}).",
        "cheaper": " By your readings, a wash is then likely cheaper than waiting.",
        "payback": " It is earned back in about {months} months if no rain cleans the panels first.",
        "payback_month": " It is earned back in about a month if no rain cleans the panels first.",
        "pays_not": " Dirt now costs you no more than about {high} a month (estimate): in money alone the wash does "
        "not pay within a year.",
        "pays_maybe": " Dirt may cost you anything from {low} to {high} a month (estimate), so we cannot tell whether "
        "it pays.",
        "pays_unknown": " Without an estimate of the loss we cannot tell whether it pays.",
        "loss": "{mid} (likely {low} to {high})",
        "loss_unknown": "an unknown share",
        "since": " about {day}",
        "gained": "It gained about {mid} of their output (likely {low} to {high}).",
        "gained_nothing": "We could not measure a gain: the estimate is {mid} of their output (likely {low} to "
        "{high}), which may be nothing.",
        "visit": "{time}, {customer}, {address}",
        "cost": "The price is {price}. ",
        "upload": "upload it here: {link}",
        "attach": "answer this mail with the file attached.",
        "lead": "{customer}, {site}: {why}",
        "referral": "not dirt",
        "footer": "{business}, {address}\nYou get this mail because {reason}.",
        "stop": "Stop these mails",
        "choose": "Choose which mails you get",
        "because_customer": "you agreed to hear from us about your panels",
        "because_booked": "you booked a visit",
        "because_staff": "you work for {business}",
    },
    "es": {
        "readings": "Sus lecturas dicen que su producción está un {loss} por debajo de la que tendrían limpios.",
        "readings_no_loss": "Así lo dicen sus lecturas.",
        "calendar": "Sus lecturas no permiten saber cuánta suciedad tienen, así que la fecha sale del calendario: "
        "{rule}.",
        "calendar_blind": "No tenemos lecturas de sus paneles, así que la fecha sale del calendario: {rule}.",
        "rule": "un lavado cada {months} meses",
        "rule_month": "un lavado cada mes",
        "price": "Un lavado cuesta {price}.",
        "costs": " Ahora la suciedad le cuesta unos {value} al mes (estimación, probablemente entre {low} y {high}).",
        "cheaper": " Según sus lecturas, lavar entonces sale probablemente más barato que esperar.",
        "payback": " El lavado se amortiza en unos {months} meses si la lluvia no limpia antes los paneles.",
        "payback_month": " El lavado se amortiza en un mes más o menos si la lluvia no limpia antes los paneles.",
        "pays_not": " Ahora la suciedad le cuesta como mucho unos {high} al mes (estimación): solo en dinero, el "
        "lavado no compensa en un año.",
        "pays_maybe": " La suciedad puede costarle desde {low} hasta {high} al mes (estimación), así que no podemos "
        "decir si compensa.",
        "pays_unknown": " Sin una estimación de la pérdida no podemos decir si compensa.",
        "loss": "{mid} (probablemente del {low} al {high})",
        "loss_unknown": "porcentaje desconocido",
        "since": " hacia el {day}",
        "gained": "Con ello recuperaron alrededor del {mid} de su producción (probablemente del {low} al {high}).",
        "gained_nothing": "No pudimos medir una ganancia: la estimación es del {mid} de su producción (probablemente "
        "del {low} al {high}), que puede ser nada.",
        "visit": "{time}, {customer}, {address}",
        "cost": "El precio es de {price}. ",
        "upload": "súbalo aquí: {link}",
        "attach": "responda a este correo adjuntando el archivo.",
        "lead": "{customer}, {site}: {why}",
        "referral": "no es suciedad",
        "footer": "{business}, {address}\nRecibe este correo porque {reason}.",
        "stop": "No recibir más correos",
        "choose": "Elegir qué correos recibo",
        "because_customer": "aceptó que le escribamos sobre sus paneles",
        "because_booked": "reservó una visita",
        "because_staff": "trabaja en {business}",
    },
}

# --- words ---------------------------------------------------------------------------------------------------------


@lru_cache
def standard_wording(kind: ReminderKind, language: str) -> tuple[str, str]:
    """Subject and text as they come with the portal."""
    subject, text = (TEXTS / language / f"{kind}.txt").read_text(encoding="utf-8").split("\n", 1)
    return subject, text.strip()


def wording(business: Business, kind: ReminderKind, language: str) -> tuple[str, str]:
    """Subject and text of a business's mails of one kind: its own words, or the standard ones."""
    for own in business.wordings.all():
        if (own.kind, own.language) == (kind, language):
            return own.subject, own.text
    return standard_wording(kind, language)


def fill(text: str, facts: Mapping[str, str]) -> str:
    """Put the facts in place of their {names}; anything else in braces stays as it is."""
    return re.sub(r"\{(\w+)\}", lambda match: facts.get(match[1], match[0]), text)


def check_wording(kind: ReminderKind, subject: str, text: str) -> None:
    """Refuse names the kind has no fact for: the recipient would read the braces."""
    allowed = ", ".join(f"{{{name}}}" for name in FACTS[kind])
    unknown = sorted(set(re.findall(r"\{([^{}]*)\}", subject + "\n" + text)) - set(FACTS[kind]))
    if unknown:
        raise ValidationError(f"There is no {{{unknown[0]}}} in this mail. Use only: {allowed}.")
    if stray := re.search(r"[{}].{0,20}", re.sub(r"\{\w+\}", "", subject + "\n" + text)):
        raise ValidationError(f"A brace has lost its partner, at “{stray[0].strip()}”. Use only: {allowed}.")
    if "\n" in subject or "\r" in subject:
        raise ValidationError("The subject is one line.")


def word_mail(*, business: Business, kind: ReminderKind, language: str, subject: str, text: str) -> None:
    """Keep a business's own words for one kind of mail; empty words bring the standard ones back."""
    subject, text = subject.strip(), text.replace("\r\n", "\n").strip()
    if not subject and not text:
        Wording.objects.filter(business=business, kind=kind, language=language).delete()
        return
    if not subject or not text:
        raise ValidationError("A mail needs a subject and a text. Empty both to go back to the standard words.")
    check_wording(kind, subject, text)
    Wording.objects.update_or_create(
        business=business, kind=kind, language=language, defaults={"subject": subject, "text": text}
    )


def sample_facts(business: Business, kind: ReminderKind, language: str) -> dict[str, str]:
    """Invented facts of the right shape, for a preview."""
    words = _PHRASES[language]
    with translation.override(language):
        day, price = day_words(date(2026, 5, 12)), money(Decimal(150), business)
        loss = words["loss"].format(mid=percent(0.07), low=percent(0.05), high=percent(0.09))
        why = words["readings"].format(loss=loss)
        known = {
            "name": "Alex Example",
            "site": "Home" if language == "en" else "Casa",
            "business": business.name,
            "phone": business.phone or business.email,
            "link": address("home"),
            "send": words["upload"].format(link=address("import_upload")),
            "cost": words["cost"].format(price=price),
            "due_date": day,
            "basis": why,
            "pays": words["price"].format(price=price)
            + words["costs"].format(
                **{n: about_money(v, business) for n, v in (("value", 25), ("low", 18), ("high", 32))}
            )
            + words["cheaper"]
            + words["payback"].format(months=6),
            "loss": loss,
            "price": price,
            "visit_day": day,
            "visit_time": time_format(time(9, 30)),
            "gain": words["gained"].format(mid=percent(0.06), low=percent(0.04), high=percent(0.08)),
            "last_day": day,
            "days": "12",
            "since": words["since"].format(day=day),
            "cause": cause_words(Cause.STRING_LOSS, language),
            "count": "1",
            "customer": "Alex Example",
            "why": why,
            "leads": "– " + words["lead"].format(customer="Alex Example", site="Home", why=why),
            "day": day,
            "visits": words["visit"].format(
                time=time_format(time(9, 30)), customer="Alex Example", address="12 Invented Road"
            ),
        }
    return {name: known[name] for name in FACTS[kind]}


# --- whom it goes to -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Recipient:
    name: str
    email: str
    language: str
    tz: str
    key: dict[str, int]


def recipient(reminder: Reminder) -> Recipient:
    """Whom a reminder goes to, and in whose time."""
    if reminder.customer is not None:
        person = reminder.customer
        tz = reminder.site.tz if reminder.site else reminder.business.tz
        return Recipient(person.name, person.email, person.language, tz, {"customer": person.pk})
    assert reminder.user is not None, "a constraint sees to it"
    key = {"user": reminder.user.pk, "business": reminder.business_id}
    return Recipient(str(reminder.user), reminder.user.email, reminder.user.language, reminder.business.tz, key)


def token_for(key: Mapping[str, int]) -> str:
    """What lets a recipient choose their mails without a login. It does not expire: old mails must stay leavable."""
    return signing.dumps(dict(key), salt=SALT)


def read_token(token: str) -> tuple[Customer | User, Business] | None:
    """Whose token it is, and which business wrote; None when it is not ours or they are gone."""
    try:
        key: dict[str, int] = signing.loads(token, salt=SALT)
    except signing.BadSignature:
        return None
    if "customer" in key:
        customer = Customer.objects.select_related("business").filter(pk=key["customer"]).first()
        return (customer, customer.business) if customer else None
    user = User.objects.filter(pk=key["user"]).first()
    business = Business.objects.filter(pk=key["business"]).first()
    return (user, business) if user and business else None


def mail_folder() -> Path | None:
    """Where the embedded portal writes its mails; None once a mail server takes them."""
    if settings.EMAIL_BACKEND.endswith("filebased.EmailBackend"):
        return Path(settings.EMAIL_FILE_PATH)
    return None


def address(name: str, *args: object) -> str:
    """A page's whole address, for mails."""
    return settings.BASE_URL.rstrip("/") + reverse(name, args=args)


# --- what it says ----------------------------------------------------------------------------------------------------


def money(amount: Decimal, business: Business) -> str:
    """An exact amount, such as a price."""
    return f"{number_format(amount, 2)} {business.currency}"


def about_money(amount: Decimal | float, business: Business) -> str:
    """An estimate, in whole units; cents would pretend to know."""
    return f"{number_format(round(amount), 0)} {business.currency}"


def facts(reminder: Reminder, *, now: datetime) -> dict[str, str]:
    """The facts of a reminder as words, as of now, in the language that is active."""
    person, business = recipient(reminder), reminder.business
    kind = ReminderKind(reminder.kind)
    words = _PHRASES[person.language]
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
    due, by_readings = clean_due(site, newest, last_wash(site))
    if by_readings:
        basis = words["readings"].format(loss=loss) if loss else words["readings_no_loss"]
    else:
        months = site.customer.business.calendar_months
        rule = words["rule_month" if months == 1 else "rule"].format(months=months)
        basis = words["calendar_blind" if last_reading_day(site) is None else "calendar"].format(rule=rule)
    return {
        "price": money(price_of_visit(site), site.customer.business),
        "loss": loss or words["loss_unknown"],
        "due_date": day_words(max(due, today)) if due else "",
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
    payback = max(1, round(price / value)) if value else PAYS_WITHIN_MONTHS + 1
    if payback > PAYS_WITHIN_MONTHS:
        return said
    return said + words["payback_month" if payback == 1 else "payback"].format(months=payback)


def clean_due(site: Site, newest: SiteAssessment | None, washed: Visit | None) -> tuple[date | None, bool]:
    """When the site's next wash is due, and whether the readings say so (or only the calendar)."""
    if newest is not None and newest.due_basis:
        return newest.clean_due, newest.due_basis == "readings"
    return calendar_due(last_cleaned(site, washed), every_months=site.customer.business.calendar_months), False


def last_wash(site: Site) -> Visit | None:
    return Visit.objects.filter(site=site, state=VisitState.DONE).order_by("-finished_at", "-pk").first()


def last_cleaned(site: Site, washed: Visit | None) -> date:
    """Day of the last known cleaning, else of the installation, else of the first we heard of the roof."""
    if washed is not None and washed.finished_at is not None:
        return washed.finished_at.astimezone(ZoneInfo(site.tz)).date()
    return site.installed_on or site.created_at.astimezone(ZoneInfo(site.tz)).date()


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


def measured_gain(visit: Visit) -> tuple[float, float, float] | None:
    """What a finished visit gained, with its 90 % interval, as fractions: the word of its report, once it has one."""
    proof: Proof | None = getattr(visit, "proof", None)
    if proof is None or proof.gain is None or proof.gain_low is None or proof.gain_high is None:
        return None
    return proof.gain, proof.gain_low, proof.gain_high


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


def compose(reminder: Reminder, *, now: datetime) -> EmailMultiAlternatives:
    """The whole mail of a reminder. Composed again it has the same Message-ID: mailboxes that drop doubles can."""
    person, business = recipient(reminder), reminder.business
    kind = ReminderKind(reminder.kind)
    subject, text = wording(business, kind, person.language)
    words = _PHRASES[person.language]
    with translation.override(person.language):
        known = facts(reminder, now=now)
        subject, body = fill(subject, known), fill(text, known)
        because = "because_staff" if kind in TO_STAFF else "because_booked" if kind in ASKED_FOR else "because_customer"
        footer = words["footer"].format(
            business=business.name,
            address=", ".join(business.postal_address.splitlines()),
            reason=words[because].format(business=business.name),
        )
        headers = {"Message-ID": message_id(reminder), "Auto-Submitted": "auto-generated"}
        ways_out = []
        if kind not in ASKED_FOR:
            token = token_for(person.key)
            stop = address("mail_stop", token)
            ways_out = [(words["stop"], stop), (words["choose"], address("mail_choices", token))]
            headers["List-Unsubscribe"] = f"<{stop}>"
            headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
        html = render_to_string(
            "mail/frame.html",
            {
                "language": person.language,
                "business": business,
                "subject": subject,
                "body": body,
                "footer": footer,
                "ways_out": ways_out,
            },
        )
    mail = EmailMultiAlternatives(
        subject=" ".join(subject.split()),
        body="\n".join([body, "", "-- ", footer, *(f"{what}: {link}" for what, link in ways_out), ""]),
        from_email=_mailbox(business.name, settings.DEFAULT_FROM_EMAIL),
        to=[_mailbox(person.name, person.email)],
        reply_to=[business.email],
        headers=headers,
    )
    mail.attach_alternative(html, "text/html")
    # Providers that report bounces and complaints hand these back with them.
    mail.metadata = {"business": str(business.pk), "reminder": str(reminder.pk)}  # type: ignore[attr-defined]
    if kind == ReminderKind.BOOKED and reminder.visit is not None:
        mail.attach("visit.ics", visit_calendar(reminder.visit, now=now), "text/calendar")
    return mail


def _mailbox(name: str, email: str) -> str:
    return f'"{quote(" ".join(name.split()))}" <{email}>'


def message_id(reminder: Reminder) -> str:
    domain = settings.DEFAULT_FROM_EMAIL.rpartition("@")[2].rstrip(">")
    return f"<reminder-{reminder.pk}@{domain}>"


def visit_calendar(visit: Visit, *, now: datetime) -> str:
    """A visit for the homeowner's own calendar (iCalendar, RFC 5545)."""
    business = visit.site.customer.business
    event = icalendar.Event()
    event.add("uid", f"visit-{visit.pk}@{settings.DEFAULT_FROM_EMAIL.rpartition('@')[2]}")
    event.add("sequence", visit.revision)
    event.add("dtstamp", now.astimezone(UTC))
    event.add("dtstart", visit.starts_at.astimezone(UTC))
    event.add("dtend", (visit.starts_at + timedelta(minutes=visit.minutes)).astimezone(UTC))
    event.add("summary", business.name)
    event.add("location", visit.site.address)
    calendar = icalendar.Calendar()
    calendar.add("prodid", "-//Rinsemark//EN")
    calendar.add("version", "2.0")
    calendar.add_component(event)
    return str(calendar.to_ical().decode())


# --- handing it over -------------------------------------------------------------------------------------------------


class NotTaken(Exception):
    """The mail server did not take the mail: surely not, whatever else went wrong."""

    def __init__(
        self, reason: str, *, for_good: bool = False, server_away: bool = False, no_such_address: bool = False
    ):
        super().__init__(reason)
        self.reason = reason
        self.for_good = for_good
        self.server_away = server_away
        self.no_such_address = no_such_address


class MayHaveArrived(Exception):
    """The connection was lost after the message had begun to leave: nobody can tell whether it was kept."""


class _Connection(smtplib.SMTP):
    before_content: Callable[[], None] | None = None

    def getreply(self) -> tuple[int, bytes]:
        code, words = super().getreply()
        if code == 354 and self.before_content:  # "start mail input", the one answer after which the mail itself leaves
            self.before_content()
        return code, words


class SmtpBackend(smtp.EmailBackend):
    """Django's SMTP backend, which tells when the mail itself is about to leave: until then nothing has arrived."""

    before_content: Callable[[], None] | None = None

    @property
    def connection_class(self) -> type[_Connection]:
        return _Connection

    def send_messages(self, email_messages: Any) -> int:
        self.open()
        if isinstance(self.connection, _Connection):
            self.connection.before_content = self.before_content
        return super().send_messages(email_messages) or 0


class Postman:
    """Hands mails over one by one, over one connection to the mail server while that holds."""

    def __init__(self) -> None:
        self._backend: Any = None

    def deliver(self, mail: EmailMultiAlternatives, *, handing_over: Callable[[], None]) -> None:
        """Deliver one mail. ``handing_over`` is called when the message itself begins to leave.

        Raises NotTaken or MayHaveArrived; what ``handing_over`` raises passes through and nothing has left.
        """
        if not isinstance(self._backend, SmtpBackend):
            self._backend = get_connection()  # the file backend writes a file a connection, and one mail is one file
        leaving = False

        def begin() -> None:
            nonlocal leaving
            handing_over()
            leaving = True

        try:
            if isinstance(self._backend, SmtpBackend):
                self._backend.before_content = begin
            else:
                begin()
            self._backend.send_messages([mail])
        except smtplib.SMTPRecipientsRefused as error:
            code, said = next(iter(error.recipients.values()))
            raise _refusal(code, said) from error
        except (smtplib.SMTPConnectError, smtplib.SMTPHeloError, smtplib.SMTPAuthenticationError) as error:
            self.close()
            raise NotTaken(f"The mail server turned us away: {_said(error.smtp_error)}", server_away=True) from error
        except smtplib.SMTPResponseException as error:
            self.close()
            raise _refusal(error.smtp_code, error.smtp_error) from error
        except (smtplib.SMTPServerDisconnected, OSError) as error:
            self.close()
            if leaving:
                raise MayHaveArrived(str(error)) from error
            raise NotTaken(f"The mail server cannot be reached: {error}", server_away=True) from error
        except AnymailAPIError as error:
            status = getattr(error, "status_code", None)  # of the provider's answer: 429 and 5xx mean later
            for_good = status is None or (400 <= status < 500 and status != 429)
            raise NotTaken(f"The mail service refused it: {error}", for_good=for_good) from error
        except (smtplib.SMTPException, AnymailError, ValueError, UnicodeError) as error:
            self.close()
            raise NotTaken(f"The mail could not be written or addressed: {error}", for_good=True) from error
        except BaseException:
            self.close()  # in the middle of a mail: the next one needs a fresh connection
            raise

    def close(self) -> None:
        """End the connection, if there is one, whatever state it is in."""
        backend, self._backend = self._backend, None
        if backend is not None:
            with contextlib.suppress(smtplib.SMTPException, OSError):
                backend.close()


def _refusal(code: int, said: bytes | str) -> NotTaken:
    words = _said(said)
    # RFC 3463: 5.1.1 no such mailbox, 5.1.2 no such domain, 5.1.10 the domain takes no mail.
    gone = code >= 500 and re.match(r"5\.1\.(1|2|10)\b", words) is not None
    return NotTaken(f"The mail server refused it ({code}): {words}", for_good=code >= 500, no_such_address=gone)


def _said(words: bytes | str) -> str:
    return words.decode("utf-8", "replace") if isinstance(words, bytes) else str(words)


# --- what is never written to again --------------------------------------------------------------------------------


def stop_mail(*, email: str, business: Business, why: str, now: datetime) -> None:
    """Write to this address no more. A complaint or a dead address is not undone by a later unsubscribe."""
    stop, created = MailStop.objects.get_or_create(
        email=email.lower(), business=business, defaults={"why": why, "since": now}
    )
    if not created and stop.why == "unsubscribed" and why != "unsubscribed":
        stop.why, stop.since = why, now
        stop.save()


def allow_mail(*, email: str, business: Business) -> None:
    """Undo an unsubscription, at the recipient's own wish; bounces and complaints stay."""
    MailStop.objects.filter(email=email.lower(), business=business, why="unsubscribed").delete()


def record_bounce(*, email: str, complained: bool, business_id: int | None, now: datetime) -> int:
    """An address bounced for good or complained: stop writing to it. Returns how many businesses stopped.

    A report that does not say whose mail it was stops every business that writes to the address.
    """
    if business_id is not None:
        businesses = Business.objects.filter(pk=business_id)
    else:
        businesses = Business.objects.filter(
            Q(customers__email__iexact=email) | Q(memberships__user__email__iexact=email)
        ).distinct()
    for business in businesses:
        stop_mail(email=email, business=business, why="complained" if complained else "bounced", now=now)
    return len(businesses)


def choose_mails(*, who: Customer | User, wanted: Mapping[ReminderKind, bool], now: datetime) -> None:
    """Keep a recipient's choice for each kind. Who ticks one has thereby agreed to be written to."""
    if isinstance(who, Customer) and who.consented_on is None and any(wanted.values()):
        who.consented_on = now.astimezone(ZoneInfo(who.business.tz)).date()
        who.save(update_fields=["consented_on"])
    owner: dict[str, Any] = {"customer": who} if isinstance(who, Customer) else {"user": who}
    for kind, yes in wanted.items():
        Preference.objects.update_or_create(**owner, kind=kind, defaults={"wanted": yes})
