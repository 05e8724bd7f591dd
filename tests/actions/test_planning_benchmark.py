"""What planning and the board cost with 10,000 sites: ``pytest -m benchmark tests/actions -k ten_thousand -s``."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from portal.actions.reminders.plan import plan_standing, plan_unassessed
from portal.models import Business, Customer, DayReadings, Lead, Meter, Reminder, Site, SiteAssessment, pack
from tests import factories

pytestmark = [pytest.mark.benchmark, pytest.mark.django_db]
SITES = 10_000
OPEN_LEADS = 2_000


def test_planning_and_the_board_with_ten_thousand_sites(client: Client) -> None:
    """Nobody's readings have come for a month: the worst case, in which planning looks at every roof."""
    business = factories.business()
    owner = factories.member(business)
    now = timezone.now()
    _many_sites(business, now)
    print()
    for name, plan in (
        ("planning from calendars and the office", plan_standing),
        ("planning for roofs", plan_unassessed),
    ):
        for when in ("first", "again"):
            before = Reminder.objects.count()
            told(f"{name}, {when}", lambda plan=plan: plan(now=now))  # type: ignore[misc]
            print(f"  {Reminder.objects.count() - before} reminders planned")
    client.force_login(owner)
    for query in ("", "?near=on", "?show=open&stage=new&page=9"):
        told(f"board{query}", lambda query=query: client.get(reverse("leads") + query))  # type: ignore[misc]
    told("board as a file", lambda: b"".join(client.get(reverse("leads_csv"))))
    told("weekly figures", lambda: client.get(reverse("leads_weekly")))
    told("queue", lambda: client.get(reverse("reminders")))


def _many_sites(business: Business, now: datetime) -> None:
    dice = random.Random(6)
    customers = Customer.objects.bulk_create(
        Customer(business=business, name=f"Customer {n}", email=f"c{n}@homes.example", consented_on=now.date())
        for n in range(SITES)
    )
    sites = Site.objects.bulk_create(
        Site(
            customer=customer,
            name="Home",
            address="1 Invented Road",
            latitude=40 + dice.uniform(-0.5, 0.5),
            longitude=-105 + dice.uniform(-0.5, 0.5),
            tz="America/Denver",
            ac_kw=5,
        )
        for customer in customers
    )
    meters = Meter.objects.bulk_create(Meter(site=site) for site in sites)
    block, last = pack(np.zeros(24, dtype=np.float32)), now.date() - timedelta(days=30)
    DayReadings.objects.bulk_create(
        DayReadings(meter=meter, day=last - timedelta(days=day), interval_minutes=60, packed=block)
        for meter in meters
        for day in range(5)
    )
    SiteAssessment.objects.bulk_create(
        SiteAssessment(
            site=site,
            as_of=last - timedelta(days=day),
            is_newest=day == 0,
            made_at=now - timedelta(days=30),
            verdict="clean",
            clean_due=last if number % 4 == 0 else None,
            due_basis="readings",
        )
        for number, site in enumerate(sites)
        for day in range(5)
    )
    Lead.objects.bulk_create(
        Lead(
            site=site,
            opened_at=now - timedelta(days=dice.randrange(60)),
        )
        for site in sites[:OPEN_LEADS]
    )


def told(name: str, work: Callable[[], object]) -> None:
    begun = time.perf_counter()
    with CaptureQueriesContext(connection) as queries:
        work()
    print(f"{name}: {len(queries)} queries, {time.perf_counter() - begun:.2f} s")
