"""Who is not written to: addresses that stopped, bounced or complained, and choices kind by kind."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Q

from portal.models import Business, Customer, MailStop, Preference, ReminderKind, User


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
