"""What waits for a worker is found again."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from portal.actions.imports.asked import undo_import
from portal.actions.imports.original import LONGEST_READ
from portal.actions.imports.reading import read_import
from portal.actions.imports.receive import STALLED_AFTER
from portal.actions.imports.waiting import left_lying
from portal.models import Import
from tests import factories
from tests.actions.exports import csv_text, days_rows, send
from tests.factories import NOW

pytestmark = pytest.mark.django_db

FIRST = date(2026, 5, 4)


def test_the_poll_finds_imports_that_lost_their_message_or_their_worker() -> None:
    meter = factories.meter()
    import_ = send(meter, csv_text(days_rows(FIRST, 2)))
    second = timedelta(seconds=1)
    assert left_lying(now=NOW + STALLED_AFTER) == []
    assert left_lying(now=NOW + STALLED_AFTER + second) == [("import_file", import_.pk)]
    Import.objects.update(attempts=1, begun_at=NOW + STALLED_AFTER)  # a worker has it
    assert left_lying(now=NOW + STALLED_AFTER + LONGEST_READ) == []
    assert left_lying(now=NOW + STALLED_AFTER + LONGEST_READ + second) == [("import_file", import_.pk)]
    read_import(import_id=import_.pk, now=NOW + STALLED_AFTER + LONGEST_READ + second)
    assert left_lying(now=NOW + timedelta(days=1)) == []
    import_.refresh_from_db()
    undo_import(import_=import_, user=None, now=NOW + timedelta(days=1))
    assert left_lying(now=NOW + timedelta(days=2)) == [("import_file", import_.pk)]
