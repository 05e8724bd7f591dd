"""Files and rows that have lost each other are found, and put right without getting in an upload's way."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from uuid import uuid4

from django.conf import settings
from django.utils import timezone

from portal.actions.erase import erase_customer
from portal.actions.imports.waiting import work_on_import
from portal.actions.keeping.backup import back_up
from portal.actions.keeping.restore import restore
from portal.actions.keeping.strays import clear_strays, find_strays
from portal.actions.photos import keep_photo
from portal.models import DayReadings, Distance, Import, ImportState, Look, MailHold, Meter, Phase, Visit, VisitPhoto
from tests import factories
from tests.actions.exports import csv_text, days_rows, send
from tests.actions.keeping.firm import KEY, files, picture

HOUR, DAY = timedelta(hours=1), timedelta(days=1)


def put(name: str, content: bytes, age: timedelta) -> str:
    path = Path(settings.MEDIA_ROOT) / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    moment = (datetime.now(UTC) - age).timestamp()
    os.utime(path, (moment, moment))
    return name


def test_a_whole_portal_has_none(firm: None) -> None:
    found = find_strays(now=timezone.now() + DAY)
    assert (found.without_row, found.without_file) == ([], [])


def test_what_a_kill_left_is_listed_and_after_a_month_it_is_gone(firm: None) -> None:
    held, now = files(), timezone.now()
    young = put("imports/2026/06/9-young.csv", b"half", timedelta(minutes=10))
    lone = put("imports/2026/06/9-lone.csv", b"whole", 2 * DAY)
    old = put("photos/shown/2026/05/old.jpg", b"somebody's roof", 31 * DAY)
    nothing = put("imports/2026/06/9-nothing.csv", b"", 2 * HOUR)
    half = put(".incoming/0a1b", b"half of a fi", 2 * HOUR)
    assert find_strays(now=now).without_row == sorted([lone, old, nothing, half])
    assert clear_strays(now=now).without_row == [lone]
    assert set(files()) == {*held, young, lone}


def test_a_row_whose_file_is_gone_or_empty_is_listed_and_says_so_where_somebody_waits(firm: None) -> None:
    meter = Meter.objects.first()
    assert meter is not None
    waiting, read = send(meter, csv_text(days_rows(date(2026, 5, 9), 1))), Import.objects.earliest("pk")
    Path(waiting.original.path).unlink()
    Path(read.original.path).write_bytes(b"")
    found = clear_strays(now=timezone.now())
    assert found.without_file == sorted([str(waiting.original), str(read.original)])
    waiting.refresh_from_db()
    assert (waiting.state, waiting.problem[:11]) == (ImportState.FAILED, "The file is")
    read.refresh_from_db()
    assert read.state == ImportState.DONE


def test_nothing_goes_while_somebody_may_look_for_what_came_after_a_backup(firm: None) -> None:
    put("photos/shown/2026/05/old.jpg", b"somebody's roof", 31 * DAY)
    visit = Visit.objects.first()
    assert visit is not None
    MailHold.objects.create(business=visit.site.customer.business, taken_at=factories.NOW)
    assert len(clear_strays(now=timezone.now()).without_row) == 1


def test_what_came_after_the_backup_is_taken_up_again(firm: None, tmp_path: Path) -> None:
    """A file and a photo of known roofs come back; what nobody knows is listed."""
    meter, visit = Meter.objects.first(), Visit.objects.filter(photos__isnull=False).first()
    assert meter is not None
    assert visit is not None
    back_up(to=tmp_path / "kept", key=KEY, now=timezone.now())
    days = DayReadings.objects.filter(meter=meter).count()
    text = csv_text(days_rows(date(2026, 5, 9), 3))
    sent = send(meter, text)
    work_on_import(import_id=sent.pk, now=timezone.now())
    assert DayReadings.objects.filter(meter=meter).count() == days + 3
    client_id, now = uuid4(), timezone.now()
    photo = keep_photo(
        visit=visit,
        client_id=client_id,
        data=picture(),
        filename="a.jpg",
        phase=Phase.AFTER,
        distance=Distance.CLOSE,
        item=Look.GLASS,
        at=now,
        by=None,
        now=now,
    )
    with photo.original.open() as file:
        original = file.read()
    new = factories.customer(business=visit.site.customer.business)
    other = send(factories.meter(site=factories.site(customer=new)), csv_text(days_rows(date(2026, 5, 9), 2)))
    done = restore(source=tmp_path / "kept", key=KEY, now=now + HOUR, replace=True)
    assert len(done.adopted) == 2
    found = Import.objects.get(meter=meter, sha256=sent.sha256)
    assert found.original.name == sent.original.name
    work_on_import(import_id=found.pk, now=timezone.now())
    assert DayReadings.objects.filter(meter=meter).count() == days + 3
    again = VisitPhoto.objects.get(client_id=client_id)
    assert (again.visit_id, again.phase, again.distance, again.item) == (visit.pk, "after", "close", "glass")
    with again.original.open() as file:
        assert file.read() == original
    # The customer entered since is lost with the database: their file is listed, and so are the photo's old copies.
    assert sorted(done.strays) == sorted([str(other.original), str(photo.shown), str(photo.small)])


def test_a_file_cut_short_is_not_taken_up(firm: None, tmp_path: Path) -> None:
    meter = Meter.objects.first()
    assert meter is not None
    back_up(to=tmp_path / "kept", key=KEY, now=timezone.now())
    sent = send(meter, csv_text(days_rows(date(2026, 5, 9), 3)))
    whole = Path(sent.original.path).read_bytes()
    Path(sent.original.path).write_bytes(whole[:-100])
    done = restore(source=tmp_path / "kept", key=KEY, now=timezone.now(), replace=True)
    assert (done.adopted, done.strays) == ([], [str(sent.original)])


def test_who_is_erased_leaves_no_stray(firm: None) -> None:
    visit = Visit.objects.first()
    assert visit is not None
    erase_customer(customer=visit.site.customer, by=None, now=timezone.now() + 400 * DAY)
    assert find_strays(now=timezone.now() + DAY).without_row == []
