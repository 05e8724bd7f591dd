"""What the office does with sites: keep their facts and meters, and give them to another customer."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from portal.actions.green_button.connect import end
from portal.actions.imports.asked import ask_for_replay
from portal.actions.nights import ask_for_assessment
from portal.actions.people import NotPossible
from portal.actions.where import read_place
from portal.models import (
    Customer,
    EndedBy,
    Meter,
    Plane,
    Reminder,
    ReminderState,
    Site,
    SiteAssessment,
    Token,
    UtilityConnection,
)


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
    elif site.meters.filter(days__isnull=False).exists() and not site.lacks:
        ask_for_assessment(site, now=now)
    return site


@transaction.atomic
def keep_place(*, site: Site, pasted: str, now: datetime) -> None:
    """Keep where a roof is, as a phone at its door says; what somebody entered before stands."""
    place = read_place(pasted)
    site = Site.objects.select_for_update().prefetch_related("planes").get(pk=site.pk)
    if place is None or site.place is not None:
        return
    site.latitude, site.longitude = place
    site.save(update_fields=["latitude", "longitude"])
    if not site.lacks and site.meters.filter(days__isnull=False).exists():
        ask_for_assessment(site, now=now)


def seen_otherwise(assessment: SiteAssessment) -> list[dict[str, Any]]:
    """Planes that the readings show otherwise than told; empty once somebody has changed what was told."""
    now_told = {plane.pk: [plane.tilt, plane.azimuth] for plane in Plane.objects.filter(site=assessment.site_id)}
    as_then = {one["plane"]: one["told"] for one in assessment.seen}
    return list(assessment.seen) if as_then == now_told else []


@transaction.atomic
def correct_planes(*, site: Site, made_at: datetime | None, now: datetime) -> bool:
    """Set the planes' tilt and azimuth to what the assessment made at ``made_at`` sees. Returns whether it did.

    Pressed twice, or on a page older than the newest assessment or than the facts, it changes nothing.
    """
    Site.objects.select_for_update().get(pk=site.pk)
    newest = SiteAssessment.objects.filter(site=site).newest().first()
    if newest is None or newest.made_at != made_at:
        return False
    seen = seen_otherwise(newest)
    for one in seen:
        tilt, azimuth = one["seen"]
        Plane.objects.filter(pk=one["plane"], site=site).update(tilt=tilt, azimuth=azimuth)
    if seen:
        ask_for_assessment(site, now=now)
    return bool(seen)


@transaction.atomic
def save_meters(*, site: Site, meters: Sequence[Meter], removed: Sequence[Meter]) -> None:
    """Keep a site's meters; it never goes without one, so that readings always have a place."""
    for meter in removed:
        if meter.imports.exists() or meter.days.exists():
            raise NotPossible(
                _("Files were sent for {name}: it stays. Files sent by mistake can be undone.").format(
                    name=meter.called
                )
            )
        meter.delete()
    for meter in meters:
        meter.save()
    if not site.meters.exists():
        Meter.objects.create(site=site)


@transaction.atomic
def hand_over_site(*, site: Site, customer: Customer, now: datetime) -> None:
    """Give a roof with all its history to another customer of the firm: a new owner, or the same one entered twice.

    What the customer before set going for this roof ends: mails that wait, keys their scripts send files with, and what
    their utility hands over.
    """
    before = site.customer
    if customer.business_id != before.business_id:
        raise NotPossible(_("That customer is another firm's."))
    if customer == before:
        return
    Reminder.objects.filter(site=site, customer=before, state=ReminderState.DUE).update(
        state=ReminderState.DROPPED, reason=_("The roof has another owner now.")
    )
    if before.user_id:
        Token.objects.filter(site=site, created_by=before.user_id, revoked_at=None).update(revoked_at=now)
    for connection in UtilityConnection.objects.filter(site=site):
        end(connection_id=connection.pk, how=EndedBy.OFFICE, by=None, now=now)
    site.customer = customer
    site.save(update_fields=["customer"])
