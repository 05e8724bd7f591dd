"""``manage.py import``: files read at once, and a plain word for what was not."""

from __future__ import annotations

from datetime import date
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from portal.models import CameBy, DayReadings, Import
from tests import factories
from tests.actions.exports import csv_text, days_rows

pytestmark = pytest.mark.django_db


def test_files_are_read_and_counted(tmp_path: Path) -> None:
    meter = factories.meter()
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    first.write_text(csv_text(days_rows(date(2026, 5, 4), 2)))
    second.write_text(csv_text(days_rows(date(2026, 5, 5), 2)))
    out = StringIO()
    call_command("import", str(meter.pk), str(first), str(second), stdout=out)
    assert f"{first}: 48 read, 48 new, 0 unchanged, 0 replaced, 0 set aside, 0 rejected." in out.getvalue()
    assert f"{second}: 48 read, 24 new, 24 unchanged, 0 replaced, 0 set aside, 0 rejected." in out.getvalue()
    assert DayReadings.objects.filter(meter=meter).count() == 3
    assert set(Import.objects.values_list("came_by", flat=True)) == {CameBy.COMMAND}


def test_what_cannot_be_read_is_said_and_the_rest_is_read(tmp_path: Path) -> None:
    meter = factories.meter()
    bad, good = tmp_path / "bad.csv", tmp_path / "good.csv"
    bad.write_bytes(b"\x00\x01\x02\x03" * 100)
    good.write_text(csv_text(days_rows(date(2026, 5, 4), 2)))
    err = StringIO()
    with pytest.raises(CommandError, match="2 of 3 files were not read"):
        call_command(
            "import", str(meter.pk), str(bad), str(tmp_path / "missing.csv"), str(good), stderr=err, stdout=StringIO()
        )
    assert f"{bad}: could not be read." in err.getvalue()
    assert "cannot be opened" in err.getvalue()
    assert DayReadings.objects.filter(meter=meter).count() == 2


def test_an_unknown_meter_is_said() -> None:
    with pytest.raises(CommandError, match="There is no meter 999"):
        call_command("import", "999", "x.csv")
