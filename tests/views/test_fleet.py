"""All roofs side by side: the dirtiest first, on one scale, of one's own firm only, a page at a time."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from portal.models import SiteDaily, User
from portal.models.assessment import pack_daily
from portal.views.fleet import PAGE
from tests import factories
from tests.views.test_home import daily_table

pytestmark = pytest.mark.django_db


def roofs(losses: list[float]) -> User:
    owner = factories.member(factories.business())
    business, today = owner.memberships.get().business, timezone.now().date()
    for loss in losses:
        site = factories.site(customer=factories.customer(business=business, name=f"Roof of {loss}"))
        factories.assessment(
            site=site, as_of=today, present_loss=loss, loss_low=loss - 0.02, loss_high=loss + 0.02, readings_until=today
        )
        table = daily_table(30).assign(soiling_ratio=1 - loss)
        table.index = [today - timedelta(days=29 - n) for n in range(30)]
        SiteDaily.objects.create(site=site, as_of=today, table=pack_daily(table))
    return owner


def test_the_dirtiest_roof_comes_first_and_all_have_one_scale(client: Client) -> None:
    factories.assessment(site=factories.site(customer=factories.customer(name="Another firm's")))
    client.force_login(roofs([0.05, 0.4, 0.1]))
    page = client.get("/fleet/").content.decode()
    assert re.findall(r"<h2><a[^>]*>Roof of ([\d.]+)", page) == ["0.4", "0.1", "0.05"]
    assert page.count("<svg") - page.count('class="icon"') >= 3
    # the lowest ratio of the three is 0.6: all begin there
    assert page.count(">60%<") == 3
    assert "Another firm" not in page


def test_a_page_says_how_many_more_and_asks_no_more_of_the_database(
    client: Client, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    client.force_login(roofs([0.05 + n / 1000 for n in range(PAGE + 1)]))
    with django_assert_max_num_queries(30):
        page = client.get("/fleet/").content.decode()
    assert "Page 1 of 2" in page
    assert client.get("/fleet/?page=2").content.decode().count("<h2>") == 1
