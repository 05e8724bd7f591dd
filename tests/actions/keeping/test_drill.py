"""The drill: a firm is backed up while it works, everything is destroyed, and what comes back is compared."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import dj_database_url
import pytest
from django.conf import settings
from django.core.files.base import ContentFile
from django.db import connection, connections, transaction
from django.db.migrations.executor import MigrationExecutor
from django.db.utils import load_backend
from django.utils import timezone

from deploy.processes import Supervisor, start_postgres
from portal.actions.erase import erase_customer
from portal.actions.imports.receive import receive_file
from portal.actions.keeping.backup import back_up
from portal.actions.keeping.restore import restore, sound_backup
from portal.actions.keeping.store import Damaged, NoBackup
from portal.models import Business, Customer, Import, MailHold, Meter, Site, User, VisitPhoto
from tests import factories
from tests.actions.keeping.firm import KEY, destroy, files, rows

ROOT = Path(__file__).resolve().parents[3]
NOW = factories.NOW


def test_every_row_and_every_file_comes_back(firm: None, tmp_path: Path) -> None:
    before, held = rows(), files()
    assert sum(map(len, before.values())) > 150
    assert len(held) == 8
    made = back_up(to=tmp_path / "kept", key=KEY, now=NOW)
    assert (made.files, made.missing) == (8, [])
    destroy()
    assert not User.objects.exists()
    done = restore(source=tmp_path / "kept", key=KEY, now=NOW + timedelta(hours=1))
    assert done.files_written == done.files == 8
    assert rows() == before
    assert files() == held
    # Keys given since the backup are given to nothing else: mails, calendars and links name them.
    assert factories.visit().pk > 1_000_000


class Office:
    """Writes all the time: a customer with a roof in one go, and a file for it."""

    def __init__(self) -> None:
        self.stop = threading.Event()
        self.done = 0
        self.failed: list[BaseException] = []

    def __enter__(self) -> Office:
        self.business = factories.business(name="Busy")
        self.thread = threading.Thread(target=self._work)
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.set()
        self.thread.join()
        assert not self.failed

    def _work(self) -> None:
        try:
            while not self.stop.is_set():
                number = self.done + 1
                with transaction.atomic():
                    customer = factories.customer(business=self.business, name=f"Busy {number:05}")
                    site = factories.site(customer=customer)
                meter = factories.meter(site=site)
                content = ContentFile(f"{number} {NOW}".encode() * 50)
                receive_file(meter=meter, filename=f"{number}.csv", file=content, uploaded_by=None, now=timezone.now())
                if number % 5 == 0:  # and somebody wants their data gone
                    erase_customer(customer=customer, by=None, now=timezone.now())
                self.done = number
        except BaseException as error:  # noqa: BLE001  told by the test
            self.failed.append(error)
        finally:
            connections.close_all()


def test_a_backup_under_load_is_of_one_moment(firm: None, tmp_path: Path) -> None:
    with Office() as office:
        for _ in range(2):
            begun = office.done
            back_up(to=tmp_path / "kept", key=KEY, now=timezone.now())
            ended = office.done
    assert ended - begun >= 3, "nobody wrote while the backup was made"
    destroy()
    restore(source=tmp_path / "kept", key=KEY, now=timezone.now())
    numbers = [
        int(name.split()[1]) for name in Customer.objects.filter(name__startswith="Busy").values_list("name", flat=True)
    ]
    # All up to the moment of the backup and none after it: but those who were erased.
    assert begun <= max(numbers) <= ended + 1
    assert set(numbers) >= {number for number in range(1, max(numbers)) if number % 5}
    assert Site.objects.filter(customer__name__startswith="Busy").count() == len(numbers)
    named = {one.original.name: one.sha256 for one in Import.objects.all()}
    assert named.items() <= files().items()
    photos = VisitPhoto.objects.values_list("original", "shown", "small")
    assert set(files()) == set(named) | {name for photo in photos for name in photo}
    print(f"\n{begun} to {ended} customers were written during the last of two backups; {len(numbers)} came back")


def test_the_next_backup_costs_what_changed_and_old_ones_come_back_too(firm: None, tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    meter = Meter.objects.first()
    assert meter is not None
    large = ContentFile(os.urandom(2_000_000))
    receive_file(meter=meter, filename="large.bin", file=large, uploaded_by=None, now=NOW)
    before, first = rows(), back_up(to=kept, key=KEY, now=NOW)
    assert first.bytes_written > 2_000_000
    assert back_up(to=kept, key=KEY, now=NOW + timedelta(minutes=1)).bytes_written == 0
    Customer.objects.update(name="Renamed")
    assert 0 < back_up(to=kept, key=KEY, now=NOW + timedelta(minutes=2)).bytes_written < 50_000
    restore(source=kept, key=KEY, now=NOW, name=first.name, replace=True)
    assert rows() == before


def test_nothing_is_touched_by_a_backup_that_is_not_whole(firm: None, tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    back_up(to=kept, key=KEY, now=NOW)
    before, held = rows(), files()
    with pytest.raises(NoBackup, match="--replace"):
        restore(source=kept, key=KEY, now=NOW)
    largest = max((kept / "pieces").glob("*/*"), key=lambda path: path.stat().st_size)
    largest.write_bytes(largest.read_bytes()[:-1] + b"\0")
    with pytest.raises(Damaged):
        restore(source=kept, key=KEY, now=NOW, replace=True)
    with pytest.raises(NoBackup, match="There is no backup"):
        restore(source=tmp_path / "elsewhere", key=KEY, now=NOW)
    assert (rows(), files()) == (before, held)


def test_a_file_that_is_gone_is_told_and_stops_no_backup(firm: None, tmp_path: Path) -> None:
    photo = VisitPhoto.objects.first()
    assert photo is not None
    Path(photo.original.path).unlink()
    made = back_up(to=tmp_path / "kept", key=KEY, now=NOW)
    assert (made.missing, made.files) == ([photo.original.name], 7)


def test_a_file_that_is_there_but_cut_short_is_written_again(firm: None, tmp_path: Path) -> None:
    back_up(to=tmp_path / "kept", key=KEY, now=NOW)
    held = files()
    photo = VisitPhoto.objects.first()
    assert photo is not None
    Path(photo.original.path).write_bytes(b"")
    done = restore(source=tmp_path / "kept", key=KEY, now=NOW, replace=True)
    assert (done.files_written, files()) == (1, held)


def killed(work: Callable[[], Any], after_s: float) -> bool:
    """Do the work in a process of its own and kill it; returns whether it was killed before its end."""
    connections.close_all()
    child = os.fork()
    if child == 0:
        try:
            work()
        finally:
            os._exit(0)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)
    return os.waitpid(child, 0)[1] == signal.SIGKILL


@pytest.mark.long(8)
def test_killed_half_way_a_backup_and_a_restore_leave_all_or_nothing(firm: None, tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    began = time.monotonic()
    back_up(to=tmp_path / "timed", key=KEY, now=NOW)
    took = time.monotonic() - began
    kills = sum(killed(lambda: back_up(to=kept, key=KEY, now=NOW), took * step / 6) for step in range(1, 6))
    back_up(to=kept, key=KEY, now=NOW + timedelta(seconds=1))
    sound_backup(source=kept, key=KEY)
    backed_up, held = rows(), files()
    Customer.objects.update(name="Written since")
    since = rows()
    began = time.monotonic()
    restore(source=tmp_path / "timed", key=KEY, now=NOW, replace=True)
    took = time.monotonic() - began
    for step in range(1, 8):
        Customer.objects.update(name="Written since")
        kills += killed(lambda: restore(source=kept, key=KEY, now=NOW, replace=True), took * step / 8)
        names = set(Customer.objects.values_list("name", flat=True))
        assert rows() == (since if names == {"Written since"} else backed_up)
    restore(source=kept, key=KEY, now=NOW, replace=True)
    assert (rows(), files()) == (backed_up, held)
    print(f"\n{kills} of 12 were killed before their end")
    assert kills >= 2


@pytest.fixture
def other_database(supervisor: Supervisor, tmp_path: Path) -> Iterator[str]:
    """The address of a new database of the other kind than that of the test."""
    if connection.vendor == "postgresql":
        url = f"sqlite:///{tmp_path / 'other.sqlite3'}"
        yield url
    else:
        server, url = start_postgres(supervisor, tmp_path / "postgres")
        yield url
        supervisor.stop(server)


@contextmanager
def looking_at(url: str) -> Iterator[None]:
    """Let Django's queries go to another database for a while."""
    here = connections["default"]
    asked = here.settings_dict | {"OPTIONS": {}} | dj_database_url.parse(url)
    connections["default"] = load_backend(str(asked["ENGINE"])).DatabaseWrapper(asked)
    try:
        yield
    finally:
        connections["default"].close()
        connections["default"] = here


@pytest.mark.long(9)
def test_what_one_kind_of_database_held_is_restored_onto_the_other(
    firm: None, other_database: str, tmp_path: Path, process_env: dict[str, str]
) -> None:
    """By the commands, as an owner gives them: from the embedded SQLite onto PostgreSQL, and back again."""
    env = process_env | {"PORTAL_VAR": str(tmp_path), "PORTAL_BACKUP_KEY": KEY}

    def manage(*argv: str, **more: str) -> str:
        done = subprocess.run(
            [sys.executable, "manage.py", *argv], cwd=ROOT, env=env | more, capture_output=True, text=True, timeout=120
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    before, held = rows(), files()
    assert "8 files" in manage("backup", str(tmp_path / "kept"))
    for path in Path(settings.MEDIA_ROOT).rglob("*.jpg"):
        path.unlink()
    said = manage("restore", str(tmp_path / "kept"), PORTAL_DATABASE_URL=other_database)
    assert f"{sum(map(len, before.values())):,} rows" in said
    with looking_at(other_database):
        assert rows() == before
    assert files() == held


@pytest.mark.long(18)
@pytest.mark.any_database("both of its databases are SQLite")
def test_a_backup_of_before_an_update_is_restored_after_it(own_keys: None, tmp_path: Path) -> None:
    """Its tables are those of an older portal: they are made, filled, and brought up to date."""
    older = [("portal", "0015_advice"), ("account", "0009_emailaddress_unique_primary_email")]
    with looking_at(f"sqlite:///{tmp_path / 'old.sqlite3'}"):
        MigrationExecutor(connection).migrate(older)
        old = MigrationExecutor(connection).loader.project_state(older).apps
        firm = old.get_model("portal", "Business").objects.create(
            name="Old", slug="old", email="a@old.example", tz="UTC"
        )
        old.get_model("portal", "User").objects.create(email="owner@old.example", name="Olga")
        assert "portal_mailhold" not in connection.introspection.table_names()
        back_up(to=tmp_path / "kept", key=KEY, now=NOW)
    with looking_at(f"sqlite:///{tmp_path / 'new.sqlite3'}"):
        restore(source=tmp_path / "kept", key=KEY, now=NOW)
        assert [(one.pk, one.name) for one in Business.objects.all()] == [(firm.pk, "Old")]
        assert User.objects.get().name == "Olga"
        assert MailHold.objects.open().get().taken_at == NOW
        with pytest.raises(NoBackup, match="are not those of the backup"):
            restore(source=tmp_path / "kept", key=KEY, now=NOW, replace=True)
        assert User.objects.exists()


def test_a_row_that_the_other_database_cannot_hold_is_named(firm: None, tmp_path: Path) -> None:
    """PostgreSQL refuses what SQLite takes: a NUL in a text (its manual, 8.3), or one longer than its column."""
    if connection.vendor == "postgresql":
        with pytest.raises(Exception, match=r"NUL|0x00"):
            Customer.objects.update(name="No\0body")
        return
    Customer.objects.update(name="No\0body")
    back_up(to=tmp_path / "kept", key=KEY, now=NOW)
    before = rows()
    restore(source=tmp_path / "kept", key=KEY, now=NOW, replace=True)
    assert rows() == before
