"""What is still missing of a customer, and what each thing is needed for: a name and a phone number begin it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from django.urls import reverse
from django.utils.translation import gettext as _

from portal.models import Customer, DayReadings, Site


@dataclass(frozen=True, slots=True)
class Missing:
    """One thing that nobody entered yet."""

    what: str
    needed_for: str
    page: str


def missing_of(customer: Customer, sites: Sequence[Site]) -> list[Missing]:
    """What is missing, what blocks the most first."""
    own = reverse("customer_edit", args=[customer.pk])
    found = []
    if not customer.phone:
        found.append(Missing(_("Phone number"), _("to call them"), own))
    if not sites:
        page = reverse("site_new", args=[customer.pk])
        found.append(Missing(_("The roof"), _("for a price, a visit and an estimate"), page))
    for site in sites:
        found += _of_roof(site)
    if not customer.email:
        found.append(Missing(_("E-mail address"), _("for the booking's confirmation and the report"), own))
    if customer.consented_on is None:
        found.append(Missing(_("Their word that you may write"), _("for reminders about their panels"), own))
    return found


def _of_roof(site: Site) -> list[Missing]:
    edit = reverse("site_edit", args=[site.pk])
    found = [
        Missing(_("{site}: {what}").format(site=site.name, what=what), _("to tell whether it is dirty"), edit)
        for what in site.lacks
    ]
    if not site.address:
        found.append(Missing(_("Address of {site}").format(site=site.name), _("for the crew"), edit))
    if not DayReadings.objects.filter(meter__site=site).exists():
        page = f"{reverse('import_upload')}?site={site.pk}"
        found.append(Missing(_("Readings of {site}").format(site=site.name), _("to tell whether it is dirty"), page))
    if not site.access_notes and not site.ladder_spot:
        found.append(Missing(_("Gate and ladder of {site}").format(site=site.name), _("for the crew"), edit))
    if not site.tap_place:
        found.append(Missing(_("The tap of {site}").format(site=site.name), _("for the crew"), edit))
    if site.roof_pitch is None:
        found.append(Missing(_("Pitch of {site}").format(site=site.name), _("for the price and the ropes"), edit))
    return found
