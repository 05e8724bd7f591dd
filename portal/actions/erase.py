"""What the business does when somebody's data must go: a roof or a customer, whole, with the files on the disk."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from datetime import datetime
from functools import partial
from pathlib import Path

from django.conf import settings
from django.core.files.storage import default_storage
from django.db import transaction
from django.utils.translation import gettext as _

from portal.actions.green_button.connect import part_with
from portal.actions.people import NotPossible
from portal.actions.trail import note
from portal.models import (
    Customer,
    Deed,
    Import,
    Invoice,
    InvoiceState,
    Meter,
    Site,
    User,
    UtilityConnection,
    Visit,
    VisitPhoto,
    VisitState,
)


@transaction.atomic
def erase_site(*, site: Site, by: User | None, now: datetime) -> None:
    """Erase a roof and all that hangs on it. Refused while a visit is booked: somebody would drive there.

    Issued invoices stay, with the name and address printed on them: the law makes a firm keep its books.
    """
    note(deed=Deed.ERASED, about=f"roof {site.pk}", business=site.customer.business, by=by, now=now)
    _erase_roofs([site], now)


@transaction.atomic
def erase_customer(*, customer: Customer, by: User | None, now: datetime) -> None:
    """Erase a customer with their roofs, and their login where it opens nothing else; issued invoices stay."""
    note(deed=Deed.ERASED, about=f"customer {customer.pk}", business=customer.business, by=by, now=now)
    _erase_roofs(list(customer.sites.all()), now)
    user = customer.user
    customer.delete()
    if user and not (user.is_staff or user.memberships.exists() or user.customers.exists()):
        User.objects.filter(pk=user.pk).delete()


def _erase_roofs(sites: Sequence[Site], now: datetime) -> None:
    coming = Visit.objects.filter(site__in=sites, state=VisitState.BOOKED, starts_at__gte=now)
    if coming.exists():
        raise NotPossible(_("A visit is booked there. Call it off first, so that nobody drives to it."))
    names = list(Import.objects.filter(meter__site__in=sites).values_list("original", flat=True))
    for photo in VisitPhoto.objects.filter(visit__site__in=sites).values_list("original", "shown", "small"):
        names.extend(photo)
    meters = list(Meter.objects.filter(site__in=sites).values_list("pk", flat=True))
    for connection in UtilityConnection.objects.filter(site__in=sites):
        part_with(connection, now=now)  # a utility goes on handing readings over until it is told
    Invoice.objects.filter(visit__site__in=sites).exclude(state=InvoiceState.ISSUED).delete()
    Site.objects.filter(pk__in=[site.pk for site in sites]).delete()
    # only when the rows are gone for good: a row whose file is missing would be worse than a file without a row
    transaction.on_commit(partial(_remove_files, names, [Path(settings.INBOX) / str(meter) for meter in meters]))


def _remove_files(names: Sequence[str], folders: Sequence[Path]) -> None:
    for name in names:
        if name:
            default_storage.delete(name)
    for folder in folders:
        shutil.rmtree(folder, ignore_errors=True)
