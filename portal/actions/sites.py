"""What the office does with sites: keep their facts and meters, and give them to another customer."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db import transaction

from portal.actions.assessments import ask_for_assessment
from portal.actions.imports.asked import ask_for_replay
from portal.actions.people import NotPossible
from portal.models import Customer, Meter, Plane, Reminder, ReminderState, Site, Token


@transaction.atomic
def save_site(*, site: Site, planes: Sequence[Plane], removed: Sequence[Plane] = (), now: datetime) -> Site:
    """Keep a site's facts and its planes, give it a meter, and have it assessed anew on the changed facts."""
    zone = Site.objects.filter(pk=site.pk).values_list("tz", flat=True).first()
    site.save()
    for plane in removed:
        plane.delete()
    for plane in planes:
        plane.site = site
        plane.save()
    if not site.meters.exists():
        Meter.objects.create(site=site)
    if zone is not None and zone != site.tz:
        ask_for_replay(site=site, now=now)  # its days were cut by the old clock; an assessment follows
    elif site.meters.filter(days__isnull=False).exists():
        ask_for_assessment(site, now=now)
    return site


@transaction.atomic
def save_meters(*, site: Site, meters: Sequence[Meter], removed: Sequence[Meter]) -> None:
    """Keep a site's meters; it never goes without one, so that readings always have a place."""
    for meter in removed:
        if meter.imports.exists() or meter.days.exists():
            raise NotPossible(f"Files were sent for {meter.name}: it stays. Files sent by mistake can be undone.")
        meter.delete()
    for meter in meters:
        meter.save()
    if not site.meters.exists():
        Meter.objects.create(site=site)


@transaction.atomic
def hand_over_site(*, site: Site, customer: Customer, now: datetime) -> None:
    """Give a roof with all its history to another customer of the firm: a new owner, or the same one entered twice.

    What the customer before set going for this roof ends: mails that wait, and keys their scripts send files with.
    """
    before = site.customer
    if customer.business_id != before.business_id:
        raise NotPossible("That customer is another firm's.")
    if customer == before:
        return
    Reminder.objects.filter(site=site, customer=before, state=ReminderState.DUE).update(
        state=ReminderState.DROPPED, reason="The roof has another owner now."
    )
    if before.user_id:
        Token.objects.filter(site=site, created_by=before.user_id, revoked_at=None).update(revoked_at=now)
    site.customer = customer
    site.save(update_fields=["customer"])
