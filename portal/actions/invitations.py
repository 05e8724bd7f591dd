"""Invitations: how people come to a login, and who may see the link into one."""

from __future__ import annotations

from datetime import datetime, timedelta

from allauth.account.forms import default_token_generator
from allauth.account.utils import user_pk_to_url_str
from django.conf import settings
from django.core.mail import send_mail
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import translation
from django.utils.translation import gettext as _

from portal.actions.people import NotPossible
from portal.actions.trail import note
from portal.models import AuditEntry, Business, Deed, Membership, Role, User

A_DAY = timedelta(days=1)
MOST_TO_ONE_A_DAY = 5
MOST_OF_A_FIRM_A_DAY = 100
"""Mails a day. Enough for a firm that brings all its customers in a week; more is somebody else's mail sent in our
name. Common practice, no source."""

RANKS = {Role.TECHNICIAN: 1, Role.OFFICE: 2, Role.OWNER: 3}
ADMIN = 4
"""Ranks: nobody asks into a role above their own. By definition."""


def rank(user: User, *, business: Business | None = None) -> int:
    """How much a login opens: its highest role, in one firm or in any; a homeowner's is 0."""
    if user.is_staff or user.is_superuser:
        return ADMIN
    held = Membership.objects.filter(user=user)
    if business is not None:
        held = held.filter(business=business)
    return max((RANKS[Role(role)] for role in held.values_list("role", flat=True)), default=0)


def known_elsewhere(*, user: User, business: Business) -> bool:
    """Whether a login opens pages of another firm than this one."""
    return user.memberships.exclude(business=business).exists() or user.customers.exclude(business=business).exists()


def password_link(user: User) -> str:
    """Where a person chooses a password; it works for three days, and once."""
    return settings.BASE_URL + reverse(
        "account_reset_password_from_key",
        kwargs={"uidb36": user_pk_to_url_str(user), "key": default_token_generator.make_token(user)},
    )


def may_hand_on_link(*, to: User, by: User, business: Business) -> bool:
    """Whether somebody may read the link with which another chooses their password.

    Whoever reads it can take the login: so only who ranks above all that it opens, and never where it is in use.
    """
    if to.has_usable_password() or known_elsewhere(user=to, business=business):
        return False
    return rank(by, business=business) > rank(to)


def invite(*, user: User, business: Business, by: User, now: datetime) -> None:
    """Send the mail whose link lets a person choose a password. Raises what the mail server raises."""
    note_invitation(user=user, business=business, by=by, now=now)
    text = render_to_string(
        f"account/email/invitation.{user.language}.txt",
        {
            "user": user,
            "business": business,
            "works_there": Membership.objects.filter(user=user, business=business).exists(),
            "link": password_link(user),
            "login": settings.BASE_URL + reverse("account_login"),
        },
    )
    with translation.override(user.language):
        subject = _("{business}: your page is ready").format(business=business.name)
    send_mail(subject, text, settings.DEFAULT_FROM_EMAIL, [user.email])


def note_invitation(*, user: User, business: Business, by: User, now: datetime) -> None:
    """Count one more mail to this login, or refuse it: they are not asked without end."""
    about = f"login {user.pk}"
    lately = AuditEntry.objects.filter(business=business, deed=Deed.INVITED, at__gt=now - A_DAY)
    if lately.filter(about=about).count() >= MOST_TO_ONE_A_DAY or lately.count() >= MOST_OF_A_FIRM_A_DAY:
        raise NotPossible(_("That is enough invitations for one day. The login is kept: send the mail again tomorrow."))
    note(deed=Deed.INVITED, about=about, business=business, by=by, now=now)
