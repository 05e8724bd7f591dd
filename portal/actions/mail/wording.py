"""The words of each kind of mail: those that come with the portal, or a business's own.

The standard ones are in ``templates/mail/<language>/<kind>.txt``, the subject first; a business may have its own
(``Wording``). Facts stand in them as {names}: only those that the kind's ``Letter`` names, replaced
as text, nothing run.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, time
from decimal import Decimal
from functools import lru_cache
from pathlib import Path

from django.conf import settings
from django.core.exceptions import ValidationError
from django.utils import translation
from django.utils.translation import gettext as _

from portal.actions.mail.letter import Letter
from portal.actions.mail.phrases import PHRASES
from portal.actions.mail.recipient import page_address
from portal.models import Business, EventKind, InvoiceKind, ReminderKind, Wording
from portal.pv.advice import Act, Advised, Range, State, WashToday
from portal.pv.recommend import Found, Recommendation, Since, recommend
from portal.pv.result import Cause
from portal.pv.standing_wish import Heard, Rhythm, StandingWish
from portal.words import advice as sentences
from portal.words.figures import clock_words, day_words, money, percent
from portal.words.standing_wish import your_wish_words

TEXTS = Path(__file__).resolve().parents[2] / "templates" / "mail"


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


def fill_in(text: str, facts: Mapping[str, str]) -> str:
    """Put the facts in place of their {names}; anything else in braces stays as it is."""
    return re.sub(r"\{(\w+)\}", lambda match: facts.get(match[1], match[0]), text)


def check_wording(letter: Letter, subject: str, text: str) -> None:
    """Refuse names the kind has no fact for: the recipient would read the braces."""
    allowed = ", ".join(f"{{{name}}}" for name in letter.names)
    unknown = sorted(set(re.findall(r"\{([^{}]*)\}", subject + "\n" + text)) - set(letter.names))
    if unknown:
        raise ValidationError(
            _("There is no {{{unknown}}} in this mail. Use only: {allowed}.").format(
                unknown=unknown[0], allowed=allowed
            )
        )
    if stray := re.search(r"[{}].{0,20}", re.sub(r"\{\w+\}", "", subject + "\n" + text)):
        raise ValidationError(
            _("A brace has lost its partner, at “{strip}”. Use only: {allowed}.").format(
                strip=stray[0].strip(), allowed=allowed
            )
        )
    if "\n" in subject or "\r" in subject:
        raise ValidationError(_("The subject is one line."))


def word_mail(*, business: Business, letter: Letter, language: str, subject: str, text: str) -> None:
    """Keep a business's own words for one kind of mail; empty words bring the standard ones back."""
    subject, text = subject.strip(), text.replace("\r\n", "\n").strip()
    if not subject and not text:
        Wording.objects.filter(business=business, kind=letter.kind, language=language).delete()
        return
    if not subject or not text:
        raise ValidationError(_("A mail needs a subject and a text. Empty both to go back to the standard words."))
    check_wording(letter, subject, text)
    Wording.objects.update_or_create(
        business=business, kind=letter.kind, language=language, defaults={"subject": subject, "text": text}
    )


def _sample(business: Business) -> Recommendation:
    """An invented roof that is worth a wash."""
    today = date(2026, 5, 12)
    wash = WashToday(Range(90.0, 240.0, 420.0), 0.8, 150.0, 0.25, 190.0, 0.2)
    advised = Advised(today, State.DIRTY, Act.WASH, None, False, wash, None, (), None, today, 0.5, (0.0,))
    found = Found(Range(0.05, 0.07, 0.09), Range(18.0, 25.0, 32.0), None, date(2026, 3, 5), ())
    return recommend(advised, found, Since(today, today), currency=business.currency)


def sample_facts(business: Business, letter: Letter, language: str) -> dict[str, str]:
    """Invented facts of the right shape, for a preview."""
    words = PHRASES[language]
    with translation.override(language):
        day, price = day_words(date(2026, 5, 12)), money(Decimal(150), business.currency)
        told = _sample(business)
        wish = StandingWish(Rhythm.SPRING, told.today, Heard.AS_ASKED, told.today)
        why = f"{sentences.headline(told)} {sentences.why(told)}"
        known = {
            "name": "Alex Example",
            "site": "Home" if language == "en" else "Casa",
            "business": business.name,
            "phone": business.phone or business.email,
            "link": page_address("home"),
            "send": words["upload"].format(link=page_address("import_upload")),
            "cost": words["cost"].format(price=price),
            "due_date": day,
            "basis": why,
            "asked": your_wish_words(wish, told.today),
            "choose": page_address("home"),
            "pays": f"{sentences.advice(told)} {sentences.money_line(told)}",
            "loss": sentences.loss_in_a_row(told),
            "price": price,
            "document": str(InvoiceKind.INVOICE.label),
            "number": "2026-0001",
            "amount": price,
            "pay": words["pay_by"].format(amount=price, day=day),
            "visit_day": day,
            "visit_time": clock_words(time(9, 30)),
            "not_before": clock_words(time(9, 30)),
            "not_after": clock_words(time(10, 15)),
            "there_at": clock_words(time(9, 40)),
            "photos": words["photos_attached"],
            "found": words["found_nothing"],
            "gain": words["gained"].format(mid=percent(0.06), low=percent(0.04), high=percent(0.08)),
            "utility": settings.GREEN_BUTTON["name"] or words["utility"],
            "last_day": day,
            "days": "12",
            "since": words["since"].format(day=day),
            "cause": str(sentences.CAUSES[Cause.STRING_LOSS]),
            "count": "1",
            "customer": "Alex Example",
            "why": why,
            "what": str(EventKind.WASH.label),
            "leads": "– " + words["lead"].format(customer="Alex Example", site="Home", why=why),
            "day": day,
            "visits": words["visit"].format(
                time=clock_words(time(9, 30)), customer="Alex Example", address="12 Invented Road"
            ),
        }
    return {name: known[name] for name in letter.names}
