"""Joining a firm: at once for who has no other, by their own yes for whom other firms already know."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.conf import settings
from django.core import signing
from django.core.mail import send_mail
from django.db import transaction
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import translation
from django.utils.translation import gettext as _

from portal.actions.invitations import known_elsewhere, note_invitation
from portal.actions.people import add_member
from portal.models import AuditEntry, Business, Deed, Membership, Role, User

JOIN_SALT = "join-a-firm"
OPENS = timedelta(days=7)
"""A link to join opens for so long. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class JobOffer:
    """A firm wants somebody to work there, and waits for their yes."""

    business: Business
    user: User
    role: Role
    by: User


def take_on(*, business: Business, email: str, name: str, role: Role, by: User, now: datetime) -> Membership | None:
    """Add somebody to the firm, or give them another role. Whom other firms know is asked by mail: then None.

    A firm must not draw a login it has nothing to do with into its own rules, such as a second step. Raises what the
    mail server raises.
    """
    user = User.objects.filter(email=email.lower()).first()
    if user is None or user.memberships.filter(business=business).exists():
        return add_member(business=business, email=email, name=name, role=role, by=by, now=now)
    if not (user.is_staff or known_elsewhere(user=user, business=business)):
        return add_member(business=business, email=email, name=name, role=role, by=by, now=now)
    note_invitation(user=user, business=business, by=by, now=now)
    asked = JobOffer(business, user, role, by)
    with translation.override(user.language):
        words = {"asked": asked, "link": settings.BASE_URL + reverse("member_join", args=[join_token(asked, now=now)])}
        text = render_to_string(f"account/email/join.{user.language}.txt", words)
        subject = _("{business} asks you to work there").format(business=business.name)
    send_mail(subject, text, settings.DEFAULT_FROM_EMAIL, [user.email])
    return None


def join_token(asked: JobOffer, *, now: datetime) -> str:
    """What the link of that mail holds. It opens nothing but for the login that it names."""
    said = {
        "firm": asked.business.pk,
        "login": asked.user.pk,
        "role": asked.role.value,
        "by": asked.by.pk,
        "at": now.timestamp(),
    }
    return signing.Signer(salt=JOIN_SALT).sign_object(said)


def asked_to_join(token: str, *, user: User, now: datetime) -> JobOffer | None:
    """What a link asks of somebody; None where it is not theirs, too old, or no longer meant."""
    try:
        said = signing.Signer(salt=JOIN_SALT).unsign_object(token)
    except signing.BadSignature:
        return None
    at = datetime.fromtimestamp(said["at"], now.tzinfo)
    if said["login"] != user.pk or not now - OPENS <= at <= now:
        return None
    # who asked must still be able to, and nobody may have thought better of it since
    owners = Membership.objects.filter(business=said["firm"], user=said["by"], role=Role.OWNER)
    owner = owners.select_related("business", "user").first()
    ended = AuditEntry.objects.filter(business=said["firm"], deed=Deed.REMOVED, about=f"login {user.pk}", at__gte=at)
    if owner is None or ended.exists():
        return None
    return JobOffer(owner.business, user, Role(said["role"]), owner.user)


@transaction.atomic
def join(asked: JobOffer, *, now: datetime) -> Membership:
    """They said yes. Who works there already stays what they are: an old link gives no role back."""
    there = Membership.objects.filter(business=asked.business, user=asked.user).first()
    if there is not None:
        return there
    return add_member(business=asked.business, email=asked.user.email, name="", role=asked.role, by=asked.by, now=now)
