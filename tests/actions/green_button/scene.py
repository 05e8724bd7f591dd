"""A roof, its owner, a custodian, and what they do."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.test import Client
from django.urls import reverse

from portal.actions.green_button.fetch import work_on_utility
from portal.actions.green_button.notices import read_notice
from portal.actions.imports.waiting import work_on_import
from portal.models import (
    Import,
    Meter,
    UtilityConnection,
    UtilityNotice,
    UtilityState,
)
from tests.actions.green_button.custodian import Custodian, notice
from tests.factories import NOW
from tests.readers.dialects import truth
from tests.readers.test_espi import feed, reading_type, usage_point

TZ = "America/Denver"
SUBSCRIPTION = "/resource/Batch/Subscription/5"


def batch(first: date, days: int) -> bytes:
    energy = truth(first, days, TZ, 15)
    return feed(usage_point(1, "Solar production", energy, reading_type()), tz_offset=-25_200)


def browser(meter: Meter) -> Client:
    client = Client()
    assert meter.site.customer.user is not None
    client.force_login(meter.site.customer.user)
    return client


def allow(meter: Meter, custodian: Custodian) -> Client:
    """The owner presses the button, says yes at the utility, and comes back."""
    client = browser(meter)
    sent = client.post(reverse("utility_connect", args=[meter.site_id]))
    assert sent.status_code == 302
    back = client.get(reverse("utility_back"), custodian.says_yes(sent["Location"]))
    assert back["Location"] == reverse("utility", args=[meter.site_id])
    return client


def work(meter: Meter, now: Any = NOW) -> UtilityConnection:
    connection = UtilityConnection.objects.get(site=meter.site)
    work_on_utility(connection_id=connection.pk, now=now)
    for key in Import.objects.unfinished().values_list("pk", flat=True):
        work_on_import(import_id=key, now=now)
    connection.refresh_from_db()
    return connection


def tell(custodian: Custodian, *paths: str, now: Any = NOW) -> None:
    """The custodian posts a notice, and a worker reads it."""
    body = notice(*(f"{custodian.home}{path}" for path in paths))
    answer = Client(enforce_csrf_checks=True).post(reverse("utility_notice"), body, content_type="application/xml")
    assert answer.status_code == 200
    for key in UtilityNotice.objects.values_list("pk", flat=True):
        read_notice(notice_id=key, now=now)


def connected(meter: Meter, custodian: Custodian) -> UtilityConnection:
    allow(meter, custodian)
    connection = work(meter)
    assert (connection.state, connection.problem) == (UtilityState.ACTIVE, "")
    return connection


def gets(custodian: Custodian) -> list[str]:
    return [one.path for one in custodian.asked if one.method == "GET"]
