"""What a business does about people: customers, who may log in, and who works there."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from allauth.account.forms import default_token_generator
from allauth.account.utils import user_pk_to_url_str
from django.conf import settings
from django.core.files.base import ContentFile
from django.core.mail import send_mail
from django.db import transaction
from django.db.models import QuerySet
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import translation
from django.utils.text import slugify
from django.utils.translation import gettext as _

from portal.models import Business, Customer, Language, Lead, Membership, Role, User, Visit, VisitState


class NotPossible(Exception):
    """A wish that breaks a rule; the message says what to do instead."""


def save_customer(*, customer: Customer) -> Customer:
    """Keep a customer's facts. With another e-mail address the login goes: it was that of the address before."""
    if customer.user is not None and customer.user.email != customer.email.lower():
        customer.user = None
    customer.save()
    return customer


@transaction.atomic
def give_access(*, customer: Customer) -> User:
    """Let a customer log in under the address the business writes to. Doing it again changes nothing."""
    if not customer.email:
        raise NotPossible(_("Enter the customer's e-mail address first: they log in with it."))
    user = User.objects.filter(email=customer.email.lower()).first()
    if user is None:
        user = User.objects.create_user(customer.email, name=customer.name, language=customer.language)
    customer.user = user
    customer.save(update_fields=["user"])
    return user


def withdraw_access(*, customer: Customer) -> None:
    """The customer no longer sees their roofs; the login itself stays, it may belong to other firms too."""
    customer.user = None
    customer.save(update_fields=["user"])


def choose_language(*, user: User, language: Language) -> None:
    """The language of a login's pages, and of the mails it gets."""
    user.language = language
    user.save(update_fields=["language"])


@transaction.atomic
def open_business(*, name: str, owner: str, email: str, tz: str, language: Language) -> tuple[Business, User]:
    """Begin a firm with its owner. Raises ValidationError for an address or a time zone that is none."""
    slug = slugify(name)
    if not slug:
        raise NotPossible(_("Give the firm a name with letters in it."))
    if Business.objects.filter(slug=slug).exists():
        raise NotPossible(
            _("A firm is here already at the address “{slug}”: give this one another name.").format(slug=slug)
        )
    business = Business(name=name, slug=slug, email=email, tz=tz, language=language)
    business.full_clean(exclude=["postal_address"])  # the owner enters it on the firm's page
    business.save()
    return business, add_member(business=business, email=email, name=owner, role=Role.OWNER).user


@transaction.atomic
def add_member(*, business: Business, email: str, name: str, role: Role) -> Membership:
    """Add somebody to the firm, with a login if they have none; an existing member gets the new role."""
    user = User.objects.filter(email=email.lower()).first()
    if user is None:
        user = User.objects.create_user(email, name=name, language=business.language)
    elif name and not user.name:
        user.name = name
        user.save(update_fields=["name"])
    membership = Membership.objects.filter(business=business, user=user).first()
    if membership is None:
        return Membership.objects.create(business=business, user=user, role=role)
    if membership.role == Role.OWNER and role != Role.OWNER:
        _leave_an_owner(membership)
    membership.role = role
    membership.save(update_fields=["role"])
    return membership


@transaction.atomic
def remove_member(*, membership: Membership, now: datetime) -> int:
    """End somebody's place in the firm; what they recorded stays, what lies ahead is nobody's.

    Returns how many coming visits they were on: somebody else must be sent there.
    """
    if membership.role == Role.OWNER:
        _leave_an_owner(membership)
    business, user = membership.business, membership.user
    membership.delete()
    Lead.objects.filter(site__customer__business=business, assigned_to=user).open().update(assigned_to=None)
    ahead = Visit.objects.filter(site__customer__business=business, state=VisitState.BOOKED, starts_at__gte=now)
    sent: QuerySet[Any] = Visit.technicians.through.objects.filter(user=user, visit__in=ahead)
    return sent.delete()[0]


def _leave_an_owner(membership: Membership) -> None:
    # All owners' rows are locked, in one order, so that two owners cannot remove each other at once.
    owners = Membership.objects.select_for_update().filter(business=membership.business, role=Role.OWNER)
    if list(owners.order_by("pk")) == [membership]:
        raise NotPossible(_("The firm needs an owner. Make somebody else owner first."))


def known_elsewhere(*, user: User, business: Business) -> bool:
    """Whether a login opens pages of another firm than this one."""
    return user.memberships.exclude(business=business).exists() or user.customers.exclude(business=business).exists()


def password_link(user: User) -> str:
    """Where a person chooses a password; it works for three days, and once."""
    return settings.BASE_URL + reverse(
        "account_reset_password_from_key",
        kwargs={"uidb36": user_pk_to_url_str(user), "key": default_token_generator.make_token(user)},
    )


def invite(*, user: User, business: Business) -> None:
    """Send the mail whose link lets a person choose a password. Raises what the mail server raises."""
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


def save_business(*, business: Business, logo: bytes | None = None) -> Business:
    """Keep a business's settings; ``logo`` is a PNG made from what was uploaded."""
    if logo is not None:
        business.logo.save(f"{business.slug}.png", ContentFile(logo), save=False)
    business.save()
    return business
