"""A roof's rows stay few however many nights there were, and lists read the newest of each roof alone."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from portal.actions.thin import DAILY_FOR, WEEKLY_FOR, thin_assessments
from portal.models import Lead, Proof, SiteAssessment
from tests import factories

pytestmark = pytest.mark.django_db

NOW = factories.NOW
TODAY = NOW.date()


def many(days: int) -> None:
    row = factories.assessment(as_of=TODAY)
    SiteAssessment.objects.bulk_create(
        SiteAssessment(site=row.site, as_of=TODAY - timedelta(days=back), verdict="clean") for back in range(1, days)
    )


def test_of_three_years_of_nights_the_last_90_days_stay_then_weeks_then_months() -> None:
    many(3 * 365)
    site = SiteAssessment.objects.first().site  # type: ignore[union-attr]
    promised = factories.lead(site=site)
    proved = factories.washed(site, NOW - timedelta(days=400), gain=0.05, low=0.03, high=0.07)
    thin_assessments(now=NOW)
    kept = sorted(SiteAssessment.objects.values_list("as_of", flat=True))
    young = TODAY - DAILY_FOR
    assert kept[-91:] == [young + timedelta(days=day) for day in range(91)]
    weekly = [day for day in kept if TODAY - WEEKLY_FOR <= day < young]
    weeks = {day.isocalendar()[:2] for day in weekly}
    assert len(weekly) == len(weeks) == pytest.approx((730 - 90) / 7, abs=2)
    monthly = [day for day in kept if day < TODAY - WEEKLY_FOR]
    assert len(monthly) == len({(day.year, day.month) for day in monthly}) == 13
    assert thin_assessments(now=NOW) == 0, "done twice it takes nothing more"
    assert Lead.objects.get() == promised
    assert Proof.objects.get() == proved


def test_the_newest_stays_however_old_it_is() -> None:
    site = factories.site()
    for day in (date(2020, 3, 2), date(2020, 3, 3)):
        factories.assessment(site=site, as_of=day)
    thin_assessments(now=NOW)
    assert sorted(SiteAssessment.objects.values_list("as_of", flat=True)) == [date(2020, 3, 2), date(2020, 3, 3)]
    factories.assessment(site=site, as_of=TODAY)
    thin_assessments(now=NOW)
    assert sorted(SiteAssessment.objects.values_list("as_of", flat=True)) == [date(2020, 3, 2), TODAY]


def test_the_newest_is_known_in_whatever_order_they_come() -> None:
    site, other = factories.site(), factories.site()
    newest = factories.assessment(site=site, as_of=TODAY)
    factories.assessment(site=site, as_of=TODAY - timedelta(days=5))
    alone = factories.assessment(site=other, as_of=TODAY - timedelta(days=9))
    assert set(SiteAssessment.objects.all().newest()) == {newest, alone}
    later = factories.assessment(site=site, as_of=TODAY + timedelta(days=1))
    assert set(SiteAssessment.objects.all().newest()) == {later, alone}


def test_the_office_s_first_page_reads_one_assessment_a_roof(client: Any, django_assert_max_num_queries: Any) -> None:
    many(60)
    row = SiteAssessment.objects.all().newest().get()
    client.force_login(factories.member(row.site.customer.business))
    plan = SiteAssessment.objects.filter(site__in=[row.site.pk]).newest().order_by().explain()
    assert "newest_assessment" in plan or "Seq Scan" in plan, plan  # PostgreSQL reads a table this small whole
    with django_assert_max_num_queries(46):
        assert client.get("/").status_code == 200
