"""What a business does about people: customers, who may log in, and who works there."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.contrib.auth.hashers import make_password
from django.core.files.base import ContentFile
from django.db import transaction
from django.db.models import QuerySet
from django.utils.text import slugify
from django.utils.translation import gettext as _

from portal.actions.invoices.draft import follow_the_firm
from portal.actions.trail import note
from portal.models import Business, Customer, Deed, Language, Lead, Membership, Role, User, Visit, VisitState
from portal.pv.town import Place


class NotPossible(Exception):
    """A wish that breaks a rule; the message says what to do instead."""


@transaction.atomic
def save_customer(*, customer: Customer) -> Customer:
    """Keep a customer's facts. With another e-mail address the login goes: it was that of the address before."""
    Business.objects.select_for_update().get(pk=customer.business_id)  # a doubled click comes one after the other
    others = Customer.objects.filter(business=customer.business_id, email=customer.email).exclude(pk=customer.pk)
    if customer.email and others.exists():
        raise NotPossible(_("This firm already has a customer with this e-mail address."))
    if customer.user is not None and customer.user.email != customer.email.lower():
        customer.user = None
    customer.save()
    return customer


@transaction.atomic
def give_access(*, customer: Customer) -> User:
    """Let a customer log in under the address the business writes to. Doing it again changes nothing."""
    if not customer.email:
        raise NotPossible(_("Enter the customer's e-mail address first: they log in with it."))
    user = _login(customer.email, name=customer.name, language=customer.language)
    customer.user = user
    customer.save(update_fields=["user"])
    return user


def _login(email: str, *, name: str, language: str) -> User:
    """The login of an address, made where there is none yet; two who ask at once get the same."""
    made = {"name": name, "language": language, "password": make_password(None)}
    return User.objects.get_or_create(email=email.lower(), defaults=made)[0]


@transaction.atomic
def withdraw_access(*, customer: Customer, by: User | None, now: datetime) -> None:
    """The customer no longer sees their roofs; the login itself stays, it may belong to other firms too."""
    customer.user = None
    customer.save(update_fields=["user"])
    note(deed=Deed.WITHDREW, about=f"customer {customer.pk}", business=customer.business, by=by, now=now)


def choose_language(*, user: User, language: Language) -> None:
    """The language of a login's pages, and of the mails it gets."""
    user.language = language
    user.save(update_fields=["language"])


@transaction.atomic
def open_business(
    *, name: str, owner: str, email: str, tz: str, language: Language, now: datetime
) -> tuple[Business, User]:
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
    return business, add_member(business=business, email=email, name=owner, role=Role.OWNER, by=None, now=now).user


@transaction.atomic
def add_member(*, business: Business, email: str, name: str, role: Role, by: User | None, now: datetime) -> Membership:
    """Add somebody to the firm, with a login if they have none; an existing member gets the new role.

    ``by`` is None where whoever runs the portal does it, from the command line.
    """
    user = _login(email, name=name, language=business.language)
    if name and not user.name:
        user.name = name
        user.save(update_fields=["name"])
    membership, new = Membership.objects.get_or_create(business=business, user=user, defaults={"role": role})
    note(deed=Deed.ROLE, about=f"login {user.pk}: {role.value}", business=business, by=by, now=now)
    if new:
        return membership
    if membership.role == Role.OWNER and role != Role.OWNER:
        _leave_an_owner(membership)
    membership.role = role
    membership.save(update_fields=["role"])
    return membership


@transaction.atomic
def remove_member(*, membership: Membership, by: User | None, now: datetime) -> int:
    """End somebody's place in the firm; what they recorded stays, what lies ahead is nobody's.

    Returns how many coming visits they were on: somebody else must be sent there.
    """
    if membership.role == Role.OWNER:
        _leave_an_owner(membership)
    business, user = membership.business, membership.user
    membership.delete()
    note(deed=Deed.REMOVED, about=f"login {user.pk}", business=business, by=by, now=now)
    Lead.objects.filter(site__customer__business=business, assigned_to=user).open().update(assigned_to=None)
    ahead = Visit.objects.filter(site__customer__business=business, state=VisitState.BOOKED, starts_at__gte=now)
    sent: QuerySet[Any] = Visit.technicians.through.objects.filter(user=user, visit__in=ahead)
    return sent.delete()[0]


@transaction.atomic
def set_out_from(*, membership: Membership, place: Place | None, by: User | None, now: datetime) -> None:
    """Keep where somebody sets out from of a morning; None is the firm's yard."""
    membership.latitude, membership.longitude = place or (None, None)
    membership.save(update_fields=["latitude", "longitude"])
    note(deed=Deed.SETTINGS, about=f"login {membership.user_id}: start", business=membership.business, by=by, now=now)


def _leave_an_owner(membership: Membership) -> None:
    # All owners' rows are locked, in one order, so that two owners cannot remove each other at once.
    owners = Membership.objects.select_for_update().filter(business=membership.business, role=Role.OWNER)
    if list(owners.order_by("pk")) == [membership]:
        raise NotPossible(_("The firm needs an owner. Make somebody else owner first."))


def save_business(
    *, business: Business, changed: Sequence[str], by: User | None, now: datetime, logo: bytes | None = None
) -> Business:
    """Keep a business's settings; ``changed`` names them, ``logo`` is a PNG made from what was uploaded."""
    if logo is not None:
        business.logo.save(f"{business.slug}.png", ContentFile(logo), save=False)
    before = Business.objects.filter(pk=business.pk).first()
    business.save()
    if before is not None:
        follow_the_firm(business=business, percent_before=before.tax_percent)
    note(deed=Deed.SETTINGS, about=", ".join(changed), business=business, by=by, now=now)
    return business
