"""When a wash is due, what it costs and earns, and what one gained."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from portal.actions.washes import last_cleaned, last_wash, measured_gain, wash_ahead
from portal.models import VisitState
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def test_a_roof_counts_from_its_last_wash_else_from_its_installation_else_from_nothing() -> None:
    site = factories.site(installed_on=date(2020, 5, 1))
    assert last_cleaned(site, None) == date(2020, 5, 1)
    # 1 March, 05:00 UTC is still the last of February in Denver.
    washed = factories.visit(
        site=site, state=VisitState.DONE, finished_at=datetime(2026, 3, 1, 5, tzinfo=UTC), starts_at=NOW
    )
    assert last_wash(site) == washed
    assert last_cleaned(site, washed) == date(2026, 2, 28)
    assert last_cleaned(factories.site(installed_on=None), None) is None


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


def test_a_gain_is_measured_once_its_report_says_one() -> None:
    proof = factories.washed(factories.site(), NOW, gain=0.05, low=0.04, high=0.06)
    assert measured_gain(proof.visit) == (0.05, 0.04, 0.06)
    proof.gain = None
    assert measured_gain(proof.visit) is None
    assert measured_gain(factories.visit()) is None
