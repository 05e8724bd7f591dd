"""A custodian that runs here, and a roof whose owner has a log-in."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Any

import pytest

from portal.models import (
    Meter,
)
from tests import factories
from tests.actions.green_button.custodian import Custodian
from tests.actions.green_button.scene import SUBSCRIPTION, TZ, batch


@pytest.fixture
def custodian(settings: Any) -> Iterator[Custodian]:
    with Custodian() as one:
        settings.GREEN_BUTTON = one.settings()
        one.batches[SUBSCRIPTION] = batch(date(2026, 6, 1), 3)
        yield one


@pytest.fixture
def meter() -> Meter:
    return factories.meter(site=factories.site(tz=TZ, customer=factories.customer(user=factories.user())))
