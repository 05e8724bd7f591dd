"""A firm with something of everything, and folders of its own."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.management.color import no_style
from django.db import connection

from portal.actions.people import give_access
from portal.actions.reminders.plan import plan_standing
from portal.actions.reminders.send import send_due
from portal.models import Reminder, ReminderState, Role
from tests import factories
from tests.actions.keeping.firm import KEY
from tests.actions.test_erase import lived_in


@pytest.fixture(autouse=True)
def own_folders(settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    settings.INBOX = tmp_path / "inbox"
    settings.BACKUP_KEY = KEY


@pytest.fixture
def own_keys(transactional_db: None) -> Iterator[None]:
    """A restore lets keys go on far above: for the tests that follow they begin at 1 again."""
    yield
    begin = connection.ops.sequence_reset_by_name_sql(no_style(), connection.introspection.sequence_list())
    with connection.cursor() as cursor:
        for command in begin:
            cursor.execute(command)


@pytest.fixture
def firm(own_keys: None) -> None:
    """Two customers with roofs, files, photos, visits and leads."""
    business = factories.business()
    factories.member(business, Role.TECHNICIAN)
    for _ in range(2):
        customer = factories.customer(business=business)
        give_access(customer=customer)
        lived_in(customer)
    plan_standing(now=factories.NOW)
    send_due(now=factories.NOW + timedelta(hours=2), limit=1)
    assert set(Reminder.objects.values_list("state", flat=True)) == {ReminderState.SENT, ReminderState.DUE}
