"""What the office does with sites: keep their facts."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db import transaction

from portal.actions.assessments import ask_for_assessment
from portal.actions.imports import ask_for_replay
from portal.models import Meter, Plane, Site


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
