"""Whom a mail goes to, in whose time, and the signed link by which they choose their mails without a login."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta

from django.conf import settings
from django.core import signing
from django.urls import reverse

from portal.models import Business, Customer, Reminder, Site, User, Visit

MAIL_SALT = "mail"
VISIT_AGAIN = "visit again"
WISHED_WASH = "wished wash"
DAY_LASTS = timedelta(days=60)
"""So long a day is chosen by the link of a mail; later it is asked for by telephone. Common practice, no source."""


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
    return signing.dumps(dict(key), salt=MAIL_SALT)


def read_token(token: str) -> tuple[Customer | User, Business] | None:
    """Whose token it is, and which business wrote; None when it is not ours or they are gone."""
    try:
        key: dict[str, int] = signing.loads(token, salt=MAIL_SALT)
    except signing.BadSignature:
        return None
    if "customer" in key:
        customer = Customer.objects.select_related("business").filter(pk=key["customer"]).first()
        return (customer, customer.business) if customer else None
    user = User.objects.filter(pk=key["user"]).first()
    business = Business.objects.filter(pk=key["business"]).first()
    return (user, business) if user and business else None


def again_token(visit: Visit) -> str:
    """What lets its customer choose another day without a login, as long as the visit stands as the mail tells."""
    key = {"visit": visit.pk, "customer": visit.site.customer_id, "revision": visit.revision}
    return signing.dumps(key, salt=VISIT_AGAIN)


def read_again_token(token: str) -> tuple[Visit, bool] | None:
    """The visit, and whether it stands as when the link was made.

    None where the token is not ours or too old, the visit is gone, or the roof is somebody else's by now.
    """
    try:
        key: dict[str, int] = signing.loads(token, salt=VISIT_AGAIN, max_age=DAY_LASTS)
    except signing.BadSignature:
        return None
    found = Visit.objects.filter(pk=key["visit"], site__customer=key["customer"])
    visit = found.select_related("site__customer__business").first()
    return (visit, visit.revision == key["revision"]) if visit else None


def wish_token(site: Site) -> str:
    """What lets its customer choose a day for a wash that is due by their standing wish, without a login."""
    return signing.dumps({"site": site.pk, "customer": site.customer_id}, salt=WISHED_WASH)


def read_wish_token(token: str) -> Site | None:
    """The roof; None where the token is not ours or too old, or the roof is gone or somebody else's by now."""
    try:
        key: dict[str, int] = signing.loads(token, salt=WISHED_WASH, max_age=DAY_LASTS)
    except signing.BadSignature:
        return None
    found = Site.objects.filter(pk=key["site"], customer=key["customer"])
    return found.select_related("customer__business").first()


def page_address(name: str, *args: object) -> str:
    """A page's whole address, for mails."""
    return settings.BASE_URL.rstrip("/") + reverse(name, args=args)
