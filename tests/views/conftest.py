"""A meter and somebody of its firm's office."""

from __future__ import annotations

import pytest

from portal.models import Meter, Role, User
from tests import factories


@pytest.fixture
def meter() -> Meter:
    return factories.meter()


@pytest.fixture
def office(meter: Meter) -> User:
    return factories.member(meter.site.customer.business, Role.OFFICE)
