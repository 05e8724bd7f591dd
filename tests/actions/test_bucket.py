"""Files in a bucket of an S3-compatible store: moto's server, an implementation of S3's protocol that is not ours."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import boto3
import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.test import Client
from moto.server import ThreadedMotoServer

from portal.actions.erase import erase_customer
from portal.actions.export import export_customer
from portal.actions.files import all_kept
from portal.actions.imports.receive import ImportRefused
from portal.actions.keeping.backup import back_up
from portal.actions.keeping.restore import restore
from portal.actions.keeping.strays import clear_strays, find_strays
from portal.actions.photos import keep_photo
from portal.actions.uploads import BYTES_A_DAY
from portal.management.doctor.machine import bucket_found
from portal.models import Import, ImportState, Role, VisitState
from tests import factories
from tests.actions.exports import csv_text, days_rows, send, take_in
from tests.actions.imports.stored import in_wh, stored
from tests.actions.keeping.conftest import own_keys
from tests.actions.keeping.firm import KEY, picture
from tests.factories import NOW

__all__ = ["own_keys"]

pytestmark = pytest.mark.any_database("files; tests/actions/keeping/test_drill.py backs up and restores on PostgreSQL")

KEYS = {"aws_access_key_id": "someone", "aws_secret_access_key": "a-word", "region_name": "us-east-1"}


@pytest.fixture(scope="module")
def store() -> Iterator[str]:
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    yield f"http://{host}:{port}"
    server.stop()


@pytest.fixture
def bucket(store: str, settings: Any, tmp_path: Path) -> Any:
    """An empty bucket, which the portal keeps its files in."""
    name = f"firm-{uuid4().hex}"
    made = boto3.resource("s3", endpoint_url=store, **KEYS).create_bucket(Bucket=name)
    settings.MEDIA_ROOT = tmp_path / "media"
    settings.FILES_BUCKET = name
    settings.STORAGES = settings.STORAGES | {
        "default": {
            "BACKEND": "portal.actions.bucket.BucketFiles",
            "OPTIONS": {
                "bucket_name": name,
                "endpoint_url": store,
                "region_name": "us-east-1",
                "access_key": "someone",
                "secret_key": "a-word",
                "file_overwrite": False,
                "max_memory_size": 1024,
            },
        }
    }
    return made


def held(bucket: Any) -> dict[str, str]:
    return {one.key: hashlib.sha256(one.get()["Body"].read()).hexdigest() for one in bucket.objects.all()}


def lived_in() -> Any:
    """A roof with a file that was read and a photo."""
    firm = factories.business()
    technician = factories.member(firm, Role.TECHNICIAN)
    meter = factories.meter(site=factories.site(customer=factories.customer(business=firm)))
    take_in(meter, csv_text(days_rows(NOW.date() - timedelta(days=9), 3)))
    photo = keep_photo(
        visit=factories.visit(
            site=meter.site, technicians=(technician,), state=VisitState.DONE, starts_at=NOW, finished_at=NOW
        ),
        client_id=uuid4(),
        data=picture(),
        filename="roof.jpg",
        phase="before",
        distance="wide",
        at=NOW,
        by=technician,
        now=NOW,
    )
    return firm, technician, meter, photo


@pytest.mark.django_db(transaction=True)
def test_files_are_read_shown_taken_along_and_erased(bucket: Any, tmp_path: Path) -> None:
    firm, technician, meter, photo = lived_in()
    assert Import.objects.get().state == ImportState.DONE
    assert stored(meter) == in_wh(days_rows(NOW.date() - timedelta(days=9), 3))
    assert len(held(bucket)) == 4
    assert not (tmp_path / "media").exists(), "nothing lies on this machine's disk"
    client = Client()
    client.force_login(technician)
    shown = client.get(f"/visits/photos/{photo.pk}/small/")
    assert shown.status_code == 200
    assert hashlib.sha256(shown.getvalue()).hexdigest() == held(bucket)[photo.small.name]
    owner = factories.member(firm, Role.OWNER)
    packed = io.BytesIO()
    export_customer(customer=meter.site.customer, to=packed, by=owner, now=NOW)
    with zipfile.ZipFile(packed) as archive:
        taken = {name: archive.read(name) for name in archive.namelist() if name.startswith("files/")}
    assert {name[6:]: hashlib.sha256(data).hexdigest() for name, data in taken.items()} == held(bucket)
    erase_customer(customer=meter.site.customer, by=owner, now=NOW)
    assert held(bucket) == {}


@pytest.mark.django_db(transaction=True)
def test_of_many_who_give_the_same_name_at_once_each_keeps_its_own_file(bucket: Any) -> None:
    with ThreadPoolExecutor(8) as many:
        names = list(many.map(lambda number: default_storage.save("a.csv", ContentFile(b"%d" % number)), range(16)))
    assert len(set(names)) == 16
    for number, name in enumerate(names):
        with default_storage.open(name) as file:
            assert file.read() == b"%d" % number


@pytest.mark.django_db(transaction=True)
def test_what_was_kept_in_a_folder_moves_to_a_bucket_by_a_backup(
    own_keys: None, settings: Any, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    settings.MEDIA_ROOT = tmp_path / "before"
    _, _, meter, _ = lived_in()
    names = {one.name: one.size_bytes for one in all_kept()}
    back_up(to=tmp_path / "kept", key=KEY, now=NOW)
    bucket = request.getfixturevalue("bucket")
    done = restore(source=tmp_path / "kept", key=KEY, now=NOW, replace=True)
    assert done.files_written == len(names) == 4
    assert {one.key: one.size for one in bucket.objects.all()} == names
    assert back_up(to=tmp_path / "kept", key=KEY, now=NOW + timedelta(minutes=1)).files == 4
    assert stored(meter) == in_wh(days_rows(NOW.date() - timedelta(days=9), 3))


@pytest.mark.django_db(transaction=True)
def test_the_sweeper_finds_what_is_lost_in_a_bucket(bucket: Any) -> None:
    one, other = (send(factories.meter(), "time,kwh\n") for _ in range(2))
    default_storage.delete(str(one.original.name))
    bucket.put_object(Key="imports/2026/06/left.csv", Body=b"of nobody")
    later = datetime.now(UTC) + timedelta(hours=2)
    found = find_strays(now=later)
    assert (found.without_file, found.without_row) == ([one.original.name], ["imports/2026/06/left.csv"])
    clear_strays(now=later + timedelta(days=31))
    assert set(held(bucket)) == {other.original.name}
    one.refresh_from_db()
    assert one.state == ImportState.FAILED


@pytest.mark.django_db
def test_how_much_came_today_is_known_without_asking_the_store(bucket: Any) -> None:
    asked: list[str] = []
    events = default_storage.connection.meta.client.meta.events  # type: ignore[attr-defined]  # the bucket's own
    events.register("before-call.s3.*", lambda model, **_: asked.append(model.name))
    meter = factories.meter()
    first = send(meter, csv_text(days_rows(NOW.date(), 1)))
    for_one = asked.copy()
    for number in range(5):
        asked.clear()
        send(meter, f"time,kwh\n{number}\n")
        assert asked == for_one, "as often, however many came before"
    assert first.size_bytes == sum(one.size for one in bucket.objects.all() if one.key == first.original.name)
    held_by_others = 5 * len("time,kwh\n0\n")
    Import.objects.filter(pk=first.pk).update(size_bytes=BYTES_A_DAY - held_by_others - 10)
    with pytest.raises(ImportRefused, match="1 GB a day"):
        send(meter, "12345678901")
    send(meter, "1234567890")


@pytest.mark.django_db
def test_the_doctor_says_whether_the_bucket_can_be_used(bucket: Any, settings: Any) -> None:
    assert list(bucket_found()) == []
    assert held(bucket) == {}, "it leaves nothing behind"
    options = settings.STORAGES["default"]["OPTIONS"] | {"bucket_name": "not-there"}
    settings.STORAGES = settings.STORAGES | {"default": settings.STORAGES["default"] | {"OPTIONS": options}}
    (found,) = bucket_found()
    assert found.wrong
    assert "cannot be used" in found.sentence
