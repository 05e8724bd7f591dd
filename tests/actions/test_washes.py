"""When a wash is due, what it costs and earns, and what one gained."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from portal.actions.washes import (
    WashDue,
    cost_at,
    last_cleaned,
    last_wash,
    measured_gain,
    payback_months,
    wash_ahead,
    wash_due,
)
from portal.models import VisitState
from portal.pv.due import Basis
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def test_the_newest_assessment_says_when_a_wash_is_due() -> None:
    found = factories.assessment(clean_due=date(2026, 8, 1))
    assert wash_due(found.site, found, None) == WashDue(date(2026, 8, 1), Basis.READINGS)
    found.clean_due = None
    assert wash_due(found.site, found, None) == WashDue(None, Basis.READINGS), "none within a year"
    found.due_basis = "calendar"
    assert wash_due(found.site, found, None).basis == Basis.CALENDAR


def test_the_calendar_counts_from_the_last_wash_else_from_the_installation_else_from_the_first_we_heard() -> None:
    """One wash every 12 months is what a business starts with."""
    site = factories.site(installed_on=date(2020, 5, 1))
    assert wash_due(site, None, None) == WashDue(date(2021, 5, 1), Basis.CALENDAR)
    # 1 March, 05:00 UTC is still the last of February in Denver.
    washed = factories.visit(
        site=site, state=VisitState.DONE, finished_at=datetime(2026, 3, 1, 5, tzinfo=UTC), starts_at=NOW
    )
    assert last_wash(site) == washed
    assert wash_due(site, None, washed) == WashDue(date(2027, 2, 28), Basis.CALENDAR)
    silent = factories.assessment(site=site, clean_due=None, due_basis="")
    assert wash_due(site, silent, washed) == WashDue(date(2027, 2, 28), Basis.CALENDAR)
    unknown = factories.site(installed_on=None)
    unknown.created_at = NOW
    assert last_cleaned(unknown, None) == NOW.date()


def test_the_last_wash_is_the_last_that_was_finished() -> None:
    site = factories.site()
    assert last_wash(site) is None
    late = factories.washed(site, NOW - timedelta(days=3), gain=0.05, low=0.04, high=0.06).visit
    factories.washed(site, NOW - timedelta(days=9), gain=0.05, low=0.04, high=0.06)
    factories.visit(site=site, state=VisitState.CANCELLED)
    assert last_wash(site) == late
    assert not wash_ahead(site)
    for state in (VisitState.BOOKED, VisitState.WEATHER):
        ahead = factories.visit(site=site, state=state)
        assert wash_ahead(site)
        ahead.delete()


def test_what_dirt_costs_moves_with_the_loss_and_a_wash_earns_its_price_back() -> None:
    # 8 % cost 20 a month, so 6 % cost 15, and 120 are earned back in 6 months; a roof that gains costs nothing.
    found = factories.assessment(value_lost_per_month=Decimal(20))
    assert cost_at(found, 0.06) == pytest.approx(15)
    assert cost_at(found, -0.01) == 0
    assert cost_at(found, None) is None
    assert cost_at(factories.lead(value_per_month=Decimal(20)), 0.04) == pytest.approx(10)
    assert payback_months(Decimal(120), Decimal(20)) == 6
    assert payback_months(Decimal(120), Decimal(0)) is None
    assert payback_months(None, Decimal(20)) is None


def test_a_gain_is_measured_once_its_report_says_one() -> None:
    proof = factories.washed(factories.site(), NOW, gain=0.05, low=0.04, high=0.06)
    assert measured_gain(proof.visit) == (0.05, 0.04, 0.06)
    proof.gain = None
    assert measured_gain(proof.visit) is None
    assert measured_gain(factories.visit()) is None
