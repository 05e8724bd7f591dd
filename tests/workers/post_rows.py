"""Reminders to as many people, due now by the real clock.

Tests make them in their own database; ``python -m tests.workers.post_rows COUNT`` in the one its environment names.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import datetime, timedelta

import django


def make_due(kinds: Sequence[str], now: datetime) -> list[int]:
    """One reminder a kind, in this order; returns their keys."""
    from portal.models import (
        Business,
        Customer,
        Plane,
        Reminder,
        SendingRules,
        Site,
        SiteAssessment,
        Visit,
    )  # after setup
    from tests.factories import advised  # after setup

    slug = f"post-{now:%H%M%S%f}"
    business = Business.objects.create(
        name="Washers", slug=slug, email="office@washers.example", postal_address="1 Invented Street", tz="UTC"
    )
    SendingRules.objects.create(business=business, from_hour=0, until_hour=24, on_sundays=True)
    made = []
    for number, kind in enumerate(kinds):
        customer = Customer.objects.create(
            business=business,
            name=f"Customer {number}",
            email=f"{slug}-{number}@homes.example",
            consented_on=now.date(),
        )
        site = Site.objects.create(
            customer=customer, name="Home", address="2 Invented Road", latitude=40, longitude=-105, tz="UTC", ac_kw=5
        )
        Plane.objects.create(site=site, name="Back", tilt=30, azimuth=180, dc_kw=6.0, module_count=15)
        visit = None
        if kind == "booked":
            visit = Visit.objects.create(site=site, starts_at=now + timedelta(days=9), price=150)
        else:
            row = SiteAssessment(
                site=site, as_of=now.date(), verdict="soiling", clean_due=now.date(), due_basis="readings"
            )
            row.advice = advised(row).keep()
            row.save()
        reminder = Reminder.objects.create(
            business=business,
            kind=kind,
            customer=customer,
            site=site,
            visit=visit,
            key=f"{kind}:{visit.pk if visit else site.pk}:0:0",
            due_at=now - timedelta(hours=1) + timedelta(seconds=number),
            stale_at=now + timedelta(days=9),
        )
        made.append(reminder.pk)
    return made


if __name__ == "__main__":
    django.setup()
    from django.utils import timezone  # after setup

    make_due(["due", "booked"] * (int(sys.argv[1]) // 2), timezone.now())
